"""Draw what the demonstration really printed, for the README: `python -m tools.picture DEMO-FOLDER`.

Runs commands on the records that `make demo` left, in a terminal of 110 columns, and writes docs/pictures/*.svg.
"""

from __future__ import annotations

import io
import os
import pty
import shlex
import sys
from pathlib import Path

from rich.console import Console
from rich.text import Text

PICTURES = Path(__file__).resolve().parent.parent / "docs" / "pictures"
COLUMNS = 132

# Ours in place of the library's template: no window controls, no font from a network.
TEMPLATE = """<svg class="mediaprep" xml:space="preserve" viewBox="0 0 {width} {height}" xmlns="http://www.w3.org/2000/svg">
<style>
.{unique_id}-matrix {{
  font-family: ui-monospace, "DejaVu Sans Mono", Menlo, Consolas, monospace;
  font-size: {char_height}px; line-height: {line_height}px;
}}
{styles}
</style>
<defs>
<clipPath id="{unique_id}-clip-terminal">
<rect x="0" y="0" width="{terminal_width}" height="{terminal_height}"/>
</clipPath>
{lines}
</defs>
<rect fill="#10151c" width="{width}" height="{height}" rx="6"/>
<g transform="translate({terminal_x}, 12)" clip-path="url(#{unique_id}-clip-terminal)">
{backgrounds}
<g class="{unique_id}-matrix">{matrix}</g>
</g>
</svg>
"""


def run(line: str, environment: dict[str, str]) -> str:
    """Run a command in a terminal of its own and return what it printed, colours and all."""
    child, terminal = pty.fork()
    if child == 0:
        os.execvpe(sys.executable, [sys.executable, "-m", "mediaprep", *shlex.split(line)], environment)  # noqa: S606
    printed = b""
    while True:
        try:
            block = os.read(terminal, 65536)
        except OSError:  # the terminal is gone when its last program ends
            break
        if not block:
            break
        printed += block
    os.waitpid(child, 0)
    return printed.decode()


def draw(name: str, lines: list[tuple[str, str]]) -> None:
    """Write one picture of commands and what they printed."""
    console = Console(record=True, width=COLUMNS, file=io.StringIO(), force_terminal=True)
    for command, printed in lines:
        console.print(Text(f"$ mediaprep {command}", style="bold cyan"))
        console.print(Text.from_ansi(_settled(printed)), soft_wrap=True)
    console.save_svg(str(PICTURES / name), title="", code_format=TEMPLATE, unique_id=name.removesuffix(".svg"))


def _settled(printed: str) -> str:
    """Return what stays on the screen: of a line that was drawn again and again, the last."""
    kept = []
    for line in printed.replace("\r\n", "\n").split("\n"):
        last = line.split("\r")[-1]
        if "\x1b[1A" not in last and "\x1b[?25" not in last:
            kept.append(last)
    return "\n".join(kept).strip("\n")


def main() -> int:
    """Draw all pictures from the demonstration's folder."""
    folder = Path(sys.argv[1]).absolute()
    os.chdir(folder.parent)
    shown = folder.name
    environment = {
        **os.environ,
        "MEDIAPREP_DATA_DIR": str(folder),
        "COLUMNS": str(COLUMNS),
        "TERM": "xterm-256color",
        "MEDIAPREP_STATION": "workbench",
    }
    names = [path.name for path in sorted((folder / "bundles").iterdir()) if path.name.startswith("navigation-")]
    current = names[-1]
    PICTURES.mkdir(exist_ok=True)
    for picture, commands in (
        ("refused.svg", [f"check {current} --on {shown}/cards/large --for DISPLAY-L"]),
        ("verify.svg", [f"verify {shown}/cards/left"]),
        ("status.svg", ["status"]),
        ("write.svg", [f"write {current} --on {shown}/cards/right --for DISPLAY-R"]),
    ):
        draw(picture, [(command, run(command, environment)) for command in commands])
    return 0


if __name__ == "__main__":
    sys.exit(main())

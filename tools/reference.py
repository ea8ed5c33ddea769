"""Write the pages of docs/reference that can be made from the code: `python -m tools.reference`.

`tests/test_docs.py` fails where a page is not what this makes.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import click

from mediaprep.checks import CHECKS
from mediaprep.cli.main import cli
from mediaprep.config import Settings
from mediaprep.errors import all_errors
from service.app import create_app

FOLDER = Path(__file__).resolve().parent.parent / "docs" / "reference"
MADE = "<!-- Made by `make docs`; do not edit. -->\n\n"


def command_page() -> str:
    """Return the page of commands: what each prints for --help."""
    parts = ["# Commands\n", "Every command takes `--json`: see [the machine contract](machine-contract.md).\n"]
    waiting: list[tuple[click.Command, str, click.Context | None]] = [(cli, "mediaprep", None)]
    while waiting:
        command, path, parent = waiting.pop(0)
        own_name = path.rsplit(" ", maxsplit=1)[-1]
        # Settings such as the names of the help option are handed down from context to context.
        context = click.Context(command, info_name=own_name, parent=parent, **command.context_settings)
        parts.append(f"## `{path}`\n\n```text\n{command.get_help(context)}\n```\n")
        if isinstance(command, click.Group):
            waiting[:0] = [(inner, f"{path} {name}", context) for name, inner in command.commands.items()]
    return MADE + "\n".join(parts)


def error_page() -> str:
    """Return the page of errors: code, exit code, meaning and way out of each."""
    rows = [
        f"| {kind.exit_code} | `{kind.code}` | {(kind.__doc__ or '').splitlines()[0]} | {kind.remedy} |"
        for kind in all_errors()
    ]
    return (
        MADE
        + "# Errors and exit codes\n\n"
        + "Exit code 0: done. 1: a bug. Every other code has one meaning, for good. A program that meets a code it\n"
        + "does not know treats it as a failure.\n\n"
        + "| Exit code | Code | Meaning | Way out |\n|---|---|---|---|\n"
        + "\n".join(rows)
        + "\n"
    )


def check_page() -> str:
    """Return the page of checks."""
    rows = [f"| `{name}` | {meaning} |" for name, meaning in CHECKS.items()]
    return (
        MADE
        + "# Checks\n\n"
        + "Each check gives a finding: `pass`, `warn`, `unknown` or `refuse`. A refusal stops the job and cannot be\n"
        + "overridden: do what its way out says. An unknown stops it too, unless you accept that check by name.\n\n"
        + "| Check | What it judges |\n|---|---|\n"
        + "\n".join(rows)
        + "\n"
    )


def rest_page() -> str:
    """Return the page of the service's routes, from the document it serves itself."""
    with tempfile.TemporaryDirectory() as folder:
        client = create_app(Settings(Path(folder)), token="none").test_client()  # noqa: S106 - it lives for one request
        answer = client.get("/api/v1/openapi.json", headers={"Authorization": "Bearer none"})
    rows = [
        f"| `{method.upper()}` | `{path}` | {operation['summary']} |"
        for path, operations in answer.get_json()["paths"].items()
        for method, operation in operations.items()
        if method in {"get", "post", "put", "patch", "delete"}
    ]
    return (
        MADE
        + "# The REST interface\n\n"
        + "`mediaprep serve` answers on this computer only. Every request but the one for health carries\n"
        + "`Authorization: Bearer TOKEN`; the token is in the file that `mediaprep serve` names. The whole contract,\n"
        + "with every field, is the OpenAPI document at `/api/v1/openapi.json`. The objects are those of\n"
        + "[the machine contract](machine-contract.md); errors are problem documents (RFC 9457) with the codes of\n"
        + "[errors.md](errors.md).\n\n"
        + "| Method | Path | What it does |\n|---|---|---|\n"
        + "\n".join(rows)
        + "\n"
    )


PAGES = {"commands.md": command_page, "errors.md": error_page, "checks.md": check_page, "rest.md": rest_page}


def main() -> int:
    """Write every page; return 0."""
    for name, make in PAGES.items():
        (FOLDER / name).write_text(make())
    return 0


if __name__ == "__main__":
    sys.exit(main())

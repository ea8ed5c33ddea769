"""Take pictures of every page: `python -m tools.screenshots OUTDIR` (Chromium is needed).

Each is taken wide and at the width of a telephone, light and dark, on an invented panel with simulated cards. Those
that the documentation shows are in OUTDIR/docs too, cut to the window.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from mediaprep.devices.script import Slow
from mediaprep.devices.simulated import SimulatedCard
from tools.stage import Serving, Stage, chromium, serving, set_stage

if TYPE_CHECKING:
    from playwright.sync_api import Page, ViewportSize

SIZES: dict[str, ViewportSize] = {"desktop": {"width": 1280, "height": 800}, "phone": {"width": 390, "height": 844}}
PAGES = ("panel", "work-table", "bundles", "cards", "logbook")
SLOW_BYTES_PER_SECOND = 1_000_000
# Those for the documentation, cut to the window.
DOCS = {
    "panel-desktop-light": "pages-panel.png",
    "work-table-verified-desktop-light": "pages-worktable.png",
    "panel-phone-dark": "pages-panel-phone.png",
    "work-table-copy-phone-light": "pages-worktable-phone.png",
}


def put_on_table(page: Page, folder: Path) -> None:
    """Use a folder like a reader."""
    page.get_by_text("Use a folder", exact=True).click()
    field = page.get_by_label("Where it is on this computer")
    field.fill(str(folder))
    page.get_by_role("button", name="Put it on the table").click()
    field.wait_for(state="hidden")
    page.get_by_text(f"At {folder}").wait_for()


def take_pictures(stage: Stage, service: Serving, folder: Path) -> list[Path]:
    """Take all pictures and return their files."""
    taken: list[Path] = []
    with chromium() as browser:
        state = None
        for size, viewport in SIZES.items():
            for scheme in ("light", "dark"):
                context = browser.new_context(viewport=viewport, color_scheme=scheme, storage_state=state)  # type: ignore[arg-type]
                page = context.new_page()

                def shoot(name: str, *, page: Page = page, after: str = f"{size}-{scheme}") -> None:
                    file = folder / f"{name}-{after}.png"
                    page.screenshot(path=file, full_page=True)
                    taken.append(file)
                    if file.stem in DOCS:
                        page.screenshot(path=folder / "docs" / DOCS[file.stem])

                if state is None:
                    page.goto(service.address)
                    shoot("front")
                    page.goto(service.link)
                    state = context.storage_state()
                for name in PAGES:
                    page.goto(f"{service.address}/{name}")
                    if name != "work-table":
                        shoot(name)
                _work_table(stage, page, shoot)
                context.close()
    return taken


def _work_table(stage: Stage, page: Page, shoot: Callable[[str], None]) -> None:
    page.goto(f"{page.url.rpartition('/')[0]}/work-table")
    page.get_by_text("Live:").wait_for()
    shoot("work-table-empty" if page.get_by_text("No card is in any reader").is_visible() else "work-table-again")
    for name in ("large", "navigator", "right"):
        put_on_table(page, stage.card(name))
    for target, name, seen in (
        ("large", "work-table-refused", "cannot be written"),
        ("navigator", "work-table-carry", "The unit took it"),
        ("right", "work-table-choose", "Ready to write"),
    ):
        page.get_by_role("button", name=f"cards/{target}").click()
        page.locator("#work").get_by_text(seen).wait_for()
        page.locator("#findings .verdict").wait_for()
        shoot(name)
    card = SimulatedCard.open(stage.card("right"))
    card.script(Slow(SLOW_BYTES_PER_SECOND))
    page.get_by_role("button", name="Write and read back").click()
    page.locator(".bar-text", has_text=" left").wait_for()
    shoot("work-table-copy")
    page.get_by_role("button", name="Stop the job").click()
    page.locator(".verdict", has_text="The job was stopped").wait_for()
    shoot("work-table-stopped")
    SimulatedCard.open(stage.card("right")).script()
    page.get_by_role("button", name="Go on with").click()
    page.locator(".verdict", has_text="Verified").wait_for()
    page.locator("#findings .verdict").wait_for()
    shoot("work-table-verified")


def main() -> int:
    """Set the stage in a temporary folder and take the pictures."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as root:
        stage = set_stage(Path(root))
        with serving(stage) as service:
            for file in take_pictures(stage, service, folder):
                print(f"{file} ({file.stat().st_size // 1000} kB)")  # noqa: T201 - a program for the terminal
    return 0


if __name__ == "__main__":
    sys.exit(main())

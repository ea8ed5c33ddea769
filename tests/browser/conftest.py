"""A real browser before a real service, on an invented panel with simulated cards.

Every page is watched: a request to another host, a refused part or a fault of a script fails the test it happens in.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from tests.tools import need
from tools.stage import Serving, Stage, chromium, serving, set_stage

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page, StorageState


@dataclass
class Seen:
    """What a test's pages asked for, and what they complained about."""

    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def watch(self, page: Page) -> None:
        page.on("request", lambda request: self.requests.append(request.url))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on(
            "console", lambda said: self.complaints.append(said.text) if said.type in {"error", "warning"} else None
        )


@dataclass(frozen=True)
class Table:
    """The service at work, its stage, and what lets a browser in."""

    stage: Stage
    service: Serving
    signed_in: StorageState


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    need("chromium")
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def table(browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Table]:
    stage = set_stage(tmp_path_factory.mktemp("stage"), megabytes=1)
    with serving(stage) as service:
        context = browser.new_context()
        page = context.new_page()
        page.goto(service.link)
        assert page.title() == "Panel – mediaprep"
        yield Table(stage, service, context.storage_state())
        context.close()


@pytest.fixture
def seen(table: Table) -> Iterator[Seen]:
    what = Seen()
    yield what
    elsewhere = [url for url in what.requests if not url.startswith(f"{table.service.address}/")]
    assert elsewhere == [], "a request left this computer"
    assert what.complaints == []


@pytest.fixture
def context(browser: Browser, table: Table) -> Iterator[BrowserContext]:
    made = browser.new_context(storage_state=table.signed_in, base_url=table.service.address)
    yield made
    made.close()


@pytest.fixture
def page(context: BrowserContext, seen: Seen) -> Page:
    made = context.new_page()
    seen.watch(made)
    return made


def put_on_table(page: Page, folder: Path) -> None:
    """Use a folder like a reader."""
    page.get_by_text("Use a folder", exact=True).click()
    field = page.get_by_label("Where it is on this computer")
    field.fill(str(folder))
    page.get_by_role("button", name="Put it on the table").click()
    field.wait_for(state="hidden")
    page.get_by_text(f"At {folder}").wait_for()

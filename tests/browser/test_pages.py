"""Every page, light and dark, wide and narrow: no violation that axe knows, nothing refused, light in weight."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from mediaprep.logchain import canonical_json, entry_digest
from tests.browser.conftest import Seen, Table, put_on_table
from tools.stage import AIRCRAFT, serving, set_stage

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Browser, Page, Response

PAGES = ("panel", "work-table", "bundles", "cards", "logbook")
MOST_BYTES = 200_000
SIZES = {"desktop": (1280, 800), "phone": (390, 844)}


def assert_no_violations(page: Page) -> None:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()


def assert_fits(page: Page) -> None:
    """Nothing but what scrolls by itself is wider than the window."""
    assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") == 0


@pytest.mark.parametrize("look", [(scheme, size) for scheme in ("light", "dark") for size in SIZES], ids="-".join)
@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_nothing(browser: Browser, table: Table, seen: Seen, name: str, look: tuple[str, str]) -> None:
    scheme, size = look
    width, height = SIZES[size]
    page = browser.new_page(
        storage_state=table.signed_in,
        base_url=table.service.address,
        color_scheme=scheme,  # type: ignore[arg-type]
        viewport={"width": width, "height": height},
    )
    seen.watch(page)
    page.goto(f"/{name}")
    assert page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches") is (scheme == "dark")
    if name == "work-table":
        page.get_by_text("Live:").wait_for()
        for card, shown in (("large", "cannot be written"), ("navigator", "Carry it to"), ("blank", "Ready to write")):
            put_on_table(page, table.stage.card(card))
            page.locator("#work").get_by_text(shown).wait_for()
            page.locator("#findings .verdict").wait_for()
            assert_no_violations(page)
            assert_fits(page)
    for details in page.locator("details").all():
        details.evaluate("element => (element.open = true)")
    assert_no_violations(page)
    assert_fits(page)
    page.close()


def test_axe_finds_nothing_where_nothing_is_yet(browser: Browser, tmp_path: Path) -> None:
    from tools.stage import Stage

    with serving(Stage(tmp_path, "", "")) as service:
        page = browser.new_page(base_url=service.address, viewport={"width": 390, "height": 844})
        page.goto("/")
        assert "How to get in" in page.inner_text("main")
        assert_no_violations(page)
        page.goto("/panel")
        assert "You are not signed in" in page.inner_text("main")
        assert_no_violations(page)
        page.goto(service.link)
        for name in (*PAGES, "none"):
            page.goto(f"/{name}")
            assert_no_violations(page)
            assert_fits(page)
        page.close()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_light(browser: Browser, table: Table, seen: Seen, name: str) -> None:
    page = browser.new_page(storage_state=table.signed_in, base_url=table.service.address)
    seen.watch(page)
    answers: list[Response] = []
    # The browser driver marks what it is given, which a built-in method does not let it.
    page.on("response", lambda answer: answers.append(answer))  # noqa: PLW0108
    page.goto(f"/{name}", wait_until="load")
    if name == "work-table":
        page.get_by_text("Live:").wait_for()
    weights = {one.url: len(one.body()) for one in answers if not one.url.endswith("/events")}
    assert any(url.endswith("page.css") for url in weights)
    assert sum(weights.values()) < MOST_BYTES, weights
    page.close()


def test_the_policy_of_the_pages_lets_nothing_in(page: Page, seen: Seen) -> None:
    answer = page.goto("/panel")
    assert answer is not None
    policy = dict(part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["img-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == "'none'"
    # What is put into a page afterwards is refused: tried, not believed.
    assert page.evaluate(
        "() => { const s = document.createElement('script'); s.textContent = 'window.got_in = 1';"
        "document.body.append(s); return window.got_in === undefined; }"
    )
    refused = [line for line in seen.complaints if "Content Security Policy" in line]
    assert len(refused) == 1
    seen.complaints.remove(refused[0])


def test_a_logbook_of_many_entries_is_read_in_parts(browser: Browser, tmp_path: Path) -> None:
    stage = set_stage(tmp_path, megabytes=1)
    count = fill_logbook(stage.settings.data_dir, 100_000)
    with serving(stage) as service:
        page = browser.new_page(base_url=service.address)
        page.goto(service.link)
        page.goto("/logbook")
        assert page.locator(".entries > li").count() == 100
        assert page.locator(".entries > li strong").first.inner_text() == str(count)
        page.get_by_role("link", name="Older").first.click()
        assert page.locator(".entries > li strong").first.inner_text() == str(count - 100)
        page.get_by_role("link", name="Oldest").first.click()
        assert page.locator(".entries > li strong").last.inner_text() == "1"
        page.get_by_role("link", name="Newer").first.click()
        assert page.locator(".entries > li strong").last.inner_text() == "101"
        page.get_by_role("link", name="Newest").first.click()
        assert page.locator(".entries > li strong").first.inner_text() == str(count)
        assert_no_violations(page)
        page.close()


def fill_logbook(data_dir: Path, count: int) -> int:
    """Add so many entries to the stage's logbook, chained as they must be, and return the number of the last."""
    import sqlite3

    (file,) = data_dir.glob("*.sqlite*")
    with sqlite3.connect(file) as connection:
        last = "SELECT aircraft_id, sequence, at, sha256, body FROM logbook ORDER BY sequence DESC LIMIT 1"
        aircraft, sequence, at, previous, _ = connection.execute(last).fetchone()
        rows = []
        for number in range(sequence + 1, sequence + count + 1):
            body = canonical_json({"aircraft": AIRCRAFT, "kind": "accepted", "bundle": "made-up", "unit": "DISPLAY-L"})
            digest = entry_digest(previous, number, body)
            rows.append((aircraft, number, at, body, previous, digest))
            previous = digest
        insert = (
            "INSERT INTO logbook (aircraft_id, sequence, at, body, previous_sha256, sha256) VALUES (?, ?, ?, ?, ?, ?)"
        )
        connection.executemany(insert, rows)
    connection.close()
    return int(sequence) + count

"""The whole story in a real browser: from the one-time link to a card that its unit took, and what may go wrong."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from mediaprep.devices.script import FlippedBit, Slow
from mediaprep.devices.simulated import SimulatedCard
from tests.browser.conftest import Seen, Table, put_on_table
from tools.stage import AIRCRAFT, serving, set_stage

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

WAIT_SECONDS = 60


def fresh_card(table: Table, name: str) -> Path:
    table.stage.run(f"cards simulate '{table.stage.card(name)}' --capacity 8GB")
    return table.stage.card(name)


def choose(page: Page, unit: str, bundle: str) -> None:
    page.get_by_label("For the unit").select_option(f"{AIRCRAFT}/{unit}")
    page.get_by_label("The bundle").select_option(bundle)
    page.locator("#findings .verdict", has_text="Ready to write").wait_for()


def test_from_the_link_to_a_card_that_its_unit_took(browser: Browser, tmp_path: Path) -> None:
    stage = set_stage(tmp_path, megabytes=1)
    with serving(stage) as service:
        page = browser.new_page(base_url=service.address)
        seen = Seen()
        seen.watch(page)
        page.goto(service.link)
        page.get_by_role("link", name="To the work table").click()
        put_on_table(page, stage.card("blank"))
        # What the right display lacks is offered: nothing is to be chosen.
        assert page.get_by_label("For the unit").input_value() == f"{AIRCRAFT}/DISPLAY-R"
        assert page.get_by_label("The bundle").input_value() == f"navigation-{stage.current}"
        page.get_by_label("Name on its case").fill("SPARE")
        page.get_by_role("button", name="Write and read back").click()
        page.locator(".verdict", has_text="Verified").wait_for()
        assert page.get_by_role("heading", name="Card SPARE").is_visible()
        page.get_by_role("heading", name=f"Carry it to {AIRCRAFT}/DISPLAY-R").wait_for()
        page.get_by_role("button", name="The unit took it").click()
        page.get_by_text(f"{AIRCRAFT}/DISPLAY-R took navigation-{stage.current}").first.wait_for()
        page.get_by_role("link", name="Panel", exact=True).click()
        unit = page.locator(".unit", has=page.get_by_role("heading", name="DISPLAY-R"))
        assert f"cycle {stage.current}" in unit.inner_text()
        page.get_by_role("link", name="Logbook").click()
        assert "accepted" in page.locator(".entries > li").first.inner_text()
        assert seen.complaints == []
        page.close()


def test_a_refused_card_tells_why_and_cannot_be_written(page: Page, table: Table) -> None:
    page.goto("/work-table")
    put_on_table(page, table.stage.card("large"))
    page.locator("#findings .verdict", has_text="cannot be written").wait_for()
    first = page.locator("#findings .findings > li").first
    assert "card.capacity" in first.inner_text()
    assert "Way out:" in first.inner_text()
    assert page.get_by_role("button", name="Write and read back").is_disabled()
    passes = page.locator("#findings details")
    assert passes.get_attribute("open") is None


def test_a_card_that_is_put_in_is_judged_within_a_second(page: Page, table: Table) -> None:
    card = SimulatedCard.open(fresh_card(table, "comes"))
    page.goto("/work-table")
    put_on_table(page, table.stage.card("comes"))
    page.locator("#findings .verdict").wait_for()
    card.take_out()
    page.get_by_role("heading", name="No card is there").wait_for()
    card.put_in()
    page.locator("#findings .verdict").wait_for()


def test_a_job_that_was_stopped_goes_on(page: Page, table: Table) -> None:
    folder = fresh_card(table, "stopped")
    page.goto("/work-table")
    put_on_table(page, folder)
    choose(page, "DISPLAY-R", f"navigation-{table.stage.current}")
    SimulatedCard.open(folder).script(Slow(200_000))
    page.get_by_role("button", name="Write and read back").click()
    page.locator(".bar-text", has_text="/s").wait_for()
    page.get_by_role("button", name="Stop the job").click()
    page.locator(".verdict", has_text="The job was stopped").wait_for()
    SimulatedCard.open(folder).script()
    page.get_by_role("button", name="Go on with").click()
    page.locator(".verdict", has_text="Verified").wait_for()


def test_a_page_that_is_loaded_again_finds_its_job(page: Page, table: Table) -> None:
    folder = fresh_card(table, "reloaded")
    page.goto("/work-table")
    put_on_table(page, folder)
    choose(page, "DISPLAY-L", f"navigation-{table.stage.current}")
    SimulatedCard.open(folder).script(Slow(300_000))
    page.get_by_role("button", name="Write and read back").click()
    page.locator(".bar-text", has_text="/s").wait_for()
    page.reload()
    page.get_by_role("button", name="cards/reloaded").click()
    page.locator(".bar-text", has_text="file").first.wait_for()
    page.locator(".verdict", has_text="Verified").wait_for(timeout=WAIT_SECONDS * 1000)


def test_a_byte_that_reads_back_wrong_is_named(page: Page, table: Table) -> None:
    folder = fresh_card(table, "flipped")
    page.goto("/work-table")
    put_on_table(page, folder)
    choose(page, "DISPLAY-L", f"navigation-{table.stage.current}")
    path = f"navigation-{table.stage.current}/part-03.bin"
    SimulatedCard.open(folder).script(FlippedBit(path, 1000))
    page.get_by_role("button", name="Write and read back").click()
    page.locator(".verdict", has_text="The job failed").wait_for()
    assert path in page.locator("#work").inner_text()
    assert page.get_by_role("button", name="The unit took it").count() == 0


def test_a_card_that_is_away_is_answered_for(page: Page, table: Table) -> None:
    page.goto("/work-table")
    page.get_by_role("button", name=f"NAV to {AIRCRAFT}/NAVIGATOR").click()
    page.get_by_label("Slot").select_option("spare")
    page.get_by_role("button", name="It did not take it").click()
    page.get_by_label("What did the unit show").fill("card not readable")
    page.get_by_role("button", name="Log that it did not take it").click()
    page.get_by_role("button", name=f"NAV to {AIRCRAFT}/NAVIGATOR").wait_for(state="hidden")
    page.goto("/logbook")
    newest = page.locator(".entries > li").first.inner_text()
    assert "rejected" in newest
    assert "card not readable" in newest
    assert "spare" in newest


def test_the_work_table_is_worked_by_keys_alone(page: Page, table: Table) -> None:
    folder = fresh_card(table, "keys")
    page.goto("/work-table")
    page.get_by_text("Live:").wait_for()

    def tab_to(name: str) -> None:
        for _ in range(60):
            page.keyboard.press("Tab")
            if name in page.evaluate("document.activeElement.innerText || document.activeElement.id"):
                return
        pytest.fail(f"{name} is not reached by the Tab key")

    tab_to("Use a folder")
    page.keyboard.press("Enter")
    tab_to("folder")
    page.keyboard.type(str(folder))
    page.keyboard.press("Enter")
    page.locator("#findings .verdict", has_text="Ready to write").wait_for()
    assert page.evaluate("document.activeElement.id") == "work-title"
    tab_to("Write and read back")
    page.keyboard.press("Enter")
    page.locator(".verdict", has_text="Verified").wait_for()
    page.get_by_role("button", name="The unit took it").wait_for()
    assert page.evaluate("document.activeElement.id") == "ended-title"
    tab_to("The unit took it")
    page.keyboard.press("Space")
    page.get_by_text(" took navigation-").first.wait_for()


def test_what_matters_is_spoken(page: Page, table: Table) -> None:
    folder = fresh_card(table, "spoken")
    # On a fast card a phase may be over before anyone is told of it: news of a job gives way to newer news.
    SimulatedCard.open(folder).script(Slow(1_000_000))
    page.goto("/work-table")
    page.get_by_text("Live:").wait_for()
    page.evaluate(
        "new MutationObserver(() => (window.spoken ??= []).push(document.getElementById('announcer').textContent))"
        ".observe(document.getElementById('announcer'), {childList: true})"
    )
    put_on_table(page, folder)
    page.locator("#findings .verdict", has_text="Ready to write").wait_for()
    page.get_by_role("button", name="Write and read back").click()
    page.locator(".verdict", has_text="Verified").wait_for()
    page.locator("#findings .verdict", has_text="Ready to write").wait_for()
    spoken = page.evaluate("window.spoken")
    for words in ("Card New card is there.", "Ready to write", "Reading every byte back", "Verified"):
        assert any(words in one for one in spoken), spoken


def test_a_service_that_goes_away_is_noticed_and_one_that_comes_back_asks_for_a_new_link(
    browser: Browser, tmp_path: Path
) -> None:
    stage = set_stage(tmp_path, megabytes=1)
    with serving(stage) as service:
        page = browser.new_page(base_url=service.address)
        page.goto(service.link)
        page.goto("/work-table")
        page.get_by_text("Live:").wait_for()
    lost = page.get_by_text("The service does not answer.")
    lost.wait_for()
    with serving(stage, int(service.address.rpartition(":")[2])) as again:
        page.get_by_text("You are not signed in any more").wait_for()
        assert lost.is_hidden()
        page.goto(again.link)
        page.goto("/work-table")
        page.get_by_text("Live:").wait_for()
        page.close()

"""The SVG picture: well formed, standing by itself, telling in words what it shows; drawn by an independent program."""

from __future__ import annotations

import re
import struct
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.cautions import CAUTION
from mediaprep.drawing import timeline_svg
from mediaprep.model import Currency, KindStatus, Load, PanelStatus, Validity
from mediaprep.planning import plan_visits
from tests.pure.test_planning import KINDS
from tests.pure.test_status import accepted, split
from tests.tools import need, run

SVG = "{http://www.w3.org/2000/svg}"
AT = datetime(2026, 7, 1, 12, tzinfo=UTC)


def one(
    currency: Currency, held: tuple[float, float | None] | None = None, ahead_until: float | None = None
) -> KindStatus:
    """A status whose load is in force between two days counted from AT, and the next one from there to a third."""
    load = following = None
    if held is not None:
        load = in_force("2607", *held)
    if ahead_until is not None:
        following = in_force("2608", held[1], ahead_until)
    last = following or load
    return KindStatus("DISPLAY-L", "navigation", currency, load, following, last.validity.lapses_at if last else None)


def in_force(cycle: str, start: float, end: float | None) -> Load:
    until = None if end is None else AT + timedelta(days=end)
    return replace(accepted(1, 0, (0, 1)), validity=Validity(cycle, AT + timedelta(days=start), until))


def parsed(text: str) -> ET.Element:
    return ET.fromstring(text)  # noqa: S314 - our own


def picture(*statuses: KindStatus, days: int = 100) -> ET.Element:
    return parsed(timeline_svg(PanelStatus("TEST", AT, statuses), AT.date() + timedelta(days=days)))


def texts(root: ET.Element) -> list[str]:
    return [element.text or "" for element in root.iter(f"{SVG}text")]


def bars(root: ET.Element) -> list[tuple[str, float, float]]:
    """Paint, left and right end of each bar."""
    return [
        (bar.get("class") or bar.get("fill"), float(bar.get("x")), float(bar.get("x")) + float(bar.get("width")))
        for bar in root.iter(f"{SVG}rect")
        if bar.get("x")
    ]


@pytest.mark.parametrize(
    ("status", "words", "colour"),
    [
        (one(Currency.CURRENT, (-10, 50)), "current until 2026-08-20", "good"),
        (one(Currency.LAPSES_SOON, (-10, 5)), "lapses soon, 2026-07-06", "soon"),
        (one(Currency.LAPSED, (-30, -3)), "lapsed, 2026-06-28", "bad"),
        (one(Currency.NOT_YET, (3, 30)), "not yet in force, from 2026-07-04", "ahead"),
        (one(Currency.NO_EXPIRY, (-10, None)), "no expiry", "good"),
        (one(Currency.NOTHING_LOADED), "nothing loaded", "open"),
        (one(Currency.UNKNOWN), "unknown", "open"),
    ],
)
def test_every_state_is_told_in_words_with_its_colour(status: KindStatus, words: str, colour: str) -> None:
    root = picture(status)
    (found,) = [text for text in root.iter(f"{SVG}text") if text.text == words]
    assert found.get("class") == colour
    assert words in root.find(f"{SVG}desc").text


def test_bars_are_as_long_as_the_sets_are_in_force() -> None:
    # The axis runs from 14 days back to the end of the last day: 100 days of it lie between two weeks and the end.
    root = picture(one(Currency.CURRENT, (-14, 6), 26), days=85)
    (solid, striped) = bars(root)
    assert (solid[0], striped[0]) == ("good", "url(#mp-stripes)")
    assert solid[2] == pytest.approx(striped[1], abs=0.2), "the next begins where this one ends"
    assert solid[2] - solid[1] == pytest.approx(striped[2] - striped[1], abs=0.2), "both are in force for 20 days"


def test_what_lies_beyond_the_axis_is_cut_off_at_its_ends() -> None:
    everything, gone = picture(one(Currency.NO_EXPIRY, (-500, None))), picture(one(Currency.LAPSED, (-500, -400)))
    assert len(bars(everything)) == 1
    assert bars(gone) == []


def test_title_and_description_stand_first_and_the_caution_is_there() -> None:
    root = picture(one(Currency.CURRENT, (-10, 50)))
    assert [child.tag for child in root][:2] == [f"{SVG}title", f"{SVG}desc"]
    assert root.get("role") == "img"
    assert root.get("aria-labelledby").split() == [child.get("id") for child in root][:2]
    assert root.find(f"{SVG}title").text == "Panel of TEST, 2026-07-01 to 2026-10-09"
    assert CAUTION in root.find(f"{SVG}desc").text
    assert CAUTION in texts(root)


def test_a_panel_without_units_says_so() -> None:
    assert "No unit yet." in texts(picture())


def test_it_asks_for_nothing_from_elsewhere() -> None:
    text = timeline_svg(PanelStatus("TEST", AT, ()), date(2026, 12, 1))
    assert re.findall(r"""(?:href|src|url\()\s*=?\s*["']?([^"')]+)""", text) in ([], ["#mp-stripes"])
    assert "<script" not in text
    assert "prefers-color-scheme: dark" in text


def test_visits_are_numbered_and_mark_what_they_load() -> None:
    panel = split([accepted(1, 5, (-6, 22)), accepted(2, 5, (-6, 22), unit_name="display-2")])
    plan = plan_visits(panel, KINDS, until=date(2025, 3, 31))
    root = parsed(timeline_svg(panel, plan.until, plan))
    numbers = [text.text for text in root.iter(f"{SVG}text") if text.get("class") == "onmark"]
    assert numbers == [str(number) for number in range(1, len(plan.visits) + 1)]
    loads = sum(len({(one.unit, one.kind) for one in visit.windows}) for visit in plan.visits)
    assert len(list(root.iter(f"{SVG}path"))) == loads
    assert "Visit 2, from" in root.find(f"{SVG}desc").text


def test_the_picture_must_end_after_its_panel_s_instant() -> None:
    with pytest.raises(ValueError, match="is not after"):
        timeline_svg(PanelStatus("TEST", AT, ()), AT.date())


@given(st.text(st.characters(exclude_categories=("C", "Z")), min_size=1, max_size=60))
def test_any_name_can_be_drawn_and_stays_whole_in_the_description(name: str) -> None:
    status = KindStatus(name, "navigation", Currency.NOTHING_LOADED, None, None, None)
    root = parsed(timeline_svg(PanelStatus(name, AT, (status,)), date(2026, 8, 1)))
    assert f"{name}, navigation: nothing loaded." in root.find(f"{SVG}desc").text
    assert all(len(text) <= 90 or text == CAUTION for text in texts(root))


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_an_independent_program_draws_it(tmp_path: Path, theme: str) -> None:
    need("rsvg-convert")
    panel = split([accepted(1, 5, (0, 22)), accepted(2, 6, (22, 50))])
    plan = plan_visits(panel, KINDS, until=date(2025, 12, 31))
    text = timeline_svg(panel, plan.until, plan)
    if theme == "dark":
        # The program knows no dark mode: what a browser would choose is put in force for it.
        text = text.replace("@media (prefers-color-scheme: dark) {", "").replace("\n}\n</style>", "\n</style>")
    (tmp_path / "panel.svg").write_text(text, encoding="utf-8")
    run("rsvg-convert", tmp_path / "panel.svg", "-o", tmp_path / "panel.png")
    data = (tmp_path / "panel.png").read_bytes()
    root = parsed(text)
    # PNG, section 11.2.2: width and height stand in the header chunk, big endian.
    assert struct.unpack(">II", data[16:24]) == (int(root.get("width")), int(root.get("height")))

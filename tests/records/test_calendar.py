"""What is remembered for calendars: an event's change goes on counting, a feed's address is never kept."""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import select

from mediaprep.calendar import Revision
from mediaprep.errors import NotFound
from mediaprep.model import Aircraft
from mediaprep.records import Store
from mediaprep.records import tables as t
from tests.records.builders import NOON, panel

HOUR = timedelta(hours=1)
FRESH = itertools.count()


def digest(text: str) -> str:
    return text.ljust(64, "0")


def revise(store: Store, hours: float, **contents: str) -> dict[str, Revision]:
    return store.revise_calendar(
        "D-TEST", {uid: digest(text) for uid, text in contents.items()}, at=NOON + hours * HOUR
    )


def test_a_new_event_has_change_0_and_only_a_change_counts_on(store: Store) -> None:
    panel(store)
    assert revise(store, 0, a="x") == {"a": Revision(0, NOON)}
    assert revise(store, 1, a="x", b="y") == {"a": Revision(0, NOON), "b": Revision(0, NOON + HOUR)}
    assert revise(store, 2, a="z", b="y") == {"a": Revision(1, NOON + 2 * HOUR), "b": Revision(0, NOON + HOUR)}
    assert revise(store, 3, a="x", b="y")["a"] == Revision(2, NOON + 3 * HOUR), "back to before is a change too"


def test_an_event_that_was_gone_goes_on_counting(store: Store) -> None:
    panel(store)
    revise(store, 0, a="x")
    revise(store, 1, a="y")
    assert revise(store, 2) == {}
    assert revise(store, 3, a="y") == {"a": Revision(1, NOON + HOUR)}
    assert revise(store, 4, a="z") == {"a": Revision(2, NOON + 4 * HOUR)}


def test_a_clock_that_was_set_back_does_not_take_a_change_back(store: Store) -> None:
    panel(store)
    revise(store, 5, a="x")
    assert revise(store, 1, a="y") == {"a": Revision(1, NOON + 5 * HOUR)}


def test_each_aircraft_counts_by_itself(store: Store) -> None:
    panel(store)
    store.add_aircraft(Aircraft("D-OTHER"))
    revise(store, 0, a="x")
    revise(store, 1, a="y")
    assert store.revise_calendar("D-OTHER", {"a": digest("q")}, at=NOON) == {"a": Revision(0, NOON)}
    assert store.calendar_root("D-OTHER") != store.calendar_root("D-TEST") == store.calendar_root("D-TEST")


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.dictionaries(st.sampled_from("abc"), st.sampled_from("xyz")), max_size=8))
def test_a_sequence_grows_exactly_when_what_is_told_changes(store: Store, tellings: list[dict[str, str]]) -> None:
    if not store.aircraft_list():
        panel(store)
    fresh = next(FRESH)  # the records stay the same from example to example, so each tells of other events
    said: dict[str, list[str]] = {}
    for hours, telling in enumerate(tellings):
        found = revise(store, hours, **{f"{uid}{fresh}": text for uid, text in telling.items()})
        for uid, text in telling.items():
            history = said.setdefault(uid, [])
            if not history or history[-1] != text:
                history.append(text)
            assert found[f"{uid}{fresh}"].sequence == len(history) - 1


def test_two_that_ask_at_once_count_one_change_once(store: Store) -> None:
    panel(store)
    revise(store, 0, a="x")
    with ThreadPoolExecutor(4) as pool:
        found = list(pool.map(lambda _: revise(store, 1, a="y")["a"].sequence, range(8)))
    assert found == [1] * 8


def test_an_address_is_told_once_and_opens_one_aircraft(store: Store) -> None:
    panel(store)
    store.add_aircraft(Aircraft("D-OTHER"))
    assert store.calendar_given_out_at("D-TEST") is None
    token, other = (store.renew_calendar_token(name, at=NOON) for name in ("D-TEST", "D-OTHER"))
    assert len(token) >= 43  # 32 random bytes in base64
    assert store.calendar_given_out_at("D-TEST") == NOON
    assert (store.aircraft_of_calendar(token), store.aircraft_of_calendar(other)) == ("D-TEST", "D-OTHER")


def test_a_renewed_address_closes_the_old_one_and_keeps_the_events_uids(store: Store) -> None:
    panel(store)
    root = store.calendar_root("D-TEST")
    old = store.renew_calendar_token("D-TEST", at=NOON)
    new = store.renew_calendar_token("D-TEST", at=NOON + HOUR)
    assert store.aircraft_of_calendar(new) == "D-TEST"
    assert store.calendar_root("D-TEST") == root
    with pytest.raises(NotFound) as caught:
        store.aircraft_of_calendar(old)
    assert old not in str(caught.value)


@pytest.mark.parametrize("token", ["", "x", "0" * 64, "\N{SNOWMAN}"])
def test_what_was_never_given_out_opens_nothing(store: Store, token: str) -> None:
    panel(store)
    store.calendar_root("D-TEST")  # a feed without an address
    with pytest.raises(NotFound):
        store.aircraft_of_calendar(token)


def test_the_token_is_nowhere_in_the_records(store: Store, tmp_path: Path) -> None:
    panel(store)
    token = store.renew_calendar_token("D-TEST", at=NOON)
    with store._database.reading() as connection:
        kept = connection.execute(select(t.calendar_feeds.c.token_sha256)).scalar_one()
        assert token not in str(connection.execute(select(t.calendar_feeds)).all())
    with pytest.raises(NotFound):
        store.aircraft_of_calendar(kept)
    assert not [path for path in tmp_path.rglob("*") if path.is_file() and token.encode() in path.read_bytes()]


def test_of_an_unknown_aircraft_there_is_no_calendar(store: Store) -> None:
    for ask in (
        lambda: store.calendar_root("D-NONE"),
        lambda: store.revise_calendar("D-NONE", {}, at=NOON),
        lambda: store.renew_calendar_token("D-NONE", at=NOON),
        lambda: store.calendar_given_out_at("D-NONE"),
    ):
        with pytest.raises(NotFound):
            ask()

"""Canonical JSON and the chain of a logbook."""

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.errors import LogbookBroken
from mediaprep.logchain import GENESIS, canonical_json, entry_digest, verify
from mediaprep.model import LogEntry
from mediaprep.quantities import format_utc

AT = datetime(2025, 1, 23, 9, 1, tzinfo=UTC)

texts = st.text(st.characters(exclude_categories=["Cs"]))
keys = st.text(st.characters(max_codepoint=127))
records = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | texts,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(keys, inner, max_size=4),
)


def book(length: int, aircraft: str = "ALPHA") -> list[LogEntry]:
    entries: list[LogEntry] = []
    for sequence in range(1, length + 1):
        at = AT + sequence * timedelta(minutes=1)
        body = canonical_json({"aircraft": aircraft, "at": format_utc(at), "event": f"load {sequence} accepted"})
        previous = entries[-1].sha256 if entries else GENESIS
        entries.append(LogEntry(aircraft, sequence, at, body, previous, entry_digest(previous, sequence, body)))
    return entries


def with_digest(entry: LogEntry) -> LogEntry:
    return replace(entry, sha256=entry_digest(entry.previous_sha256, entry.sequence, entry.body))


# --- canonical JSON --------------------------------------------------------------------------------------------------


@given(records)
def test_canonical_json_reads_back_as_what_was_written(record: object) -> None:
    text = canonical_json(record)
    assert json.loads(text) == record
    assert canonical_json(json.loads(text)) == text


@given(st.dictionaries(keys, st.integers(0, 9)))
def test_the_order_of_keys_does_not_matter(record: dict[str, int]) -> None:
    assert canonical_json(dict(reversed(record.items()))) == canonical_json(record)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        # RFC 8785, section 3.2.2.2: the string of its sample, and the escapes it lists
        ("\u20ac$\u000f\nA'B\"\\\\\"/", '"\u20ac$\\u000f\\nA\'B\\"\\\\\\\\\\"/"'),
        ("\b\t\n\f\r\x00\x1f\x7f", '"\\b\\t\\n\\f\\r\\u0000\\u001f\x7f"'),
        # section 3.2.2.1: literals; and no blanks, section 3.2.1
        ([None, True, False], "[null,true,false]"),
        ({"b": {"z": 1, "a": []}, "B": {}, "": -0, "1": "\xe9"}, '{"":0,"1":"\xe9","B":{},"b":{"a":[],"z":1}}'),
        (2**53 - 1, "9007199254740991"),
        (-(2**53) + 1, "-9007199254740991"),
    ],
)  # fmt: skip
def test_values_have_the_form_of_rfc_8785(value: object, text: str) -> None:
    assert canonical_json(value) == text


@pytest.mark.parametrize(
    ("value", "complaint"),
    [
        (1.0, r"\$ is of type float"),
        ({"a": [0, {"b": float("nan")}]}, r"\$\.a\[1\]\.b is of type float"),
        ({"size": 2**53}, r"\$\.size is an integer beyond 2\^53 - 1"),
        ([-(2**53)], r"\$\[0\] is an integer beyond"),
        ({"a": ()}, r"\$\.a is of type tuple"),
        ({"a": b""}, r"\$\.a is of type bytes"),
        ({"a": AT}, r"\$\.a is of type datetime"),
        ({"a": {"é": 1}}, r"\$\.a has the key 'é', which is not ASCII"),
        ({1: 1}, r"\$ has the key 1, which is not ASCII"),
        (["\ud800"], r"\$\[0\] is not Unicode text"),
    ],
)
def test_what_has_no_one_form_is_refused_with_its_path(value: object, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        canonical_json(value)


# --- digests ---------------------------------------------------------------------------------------------------------


def test_an_entry_s_digest_covers_the_one_before_the_number_and_the_body() -> None:
    body = '{"event":"Zürich"}'
    expected = hashlib.sha256(b"0" * 64 + b"\n1\n" + b'{"event":"Z\xc3\xbcrich"}').hexdigest()
    assert entry_digest(GENESIS, 1, body) == expected
    others = {entry_digest("1" * 64, 1, body), entry_digest(GENESIS, 2, body), entry_digest(GENESIS, 1, body + " ")}
    assert len(others | {expected}) == 4


# --- verify ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("length", [0, 1, 5])
def test_a_whole_book_passes_with_and_without_its_head(length: int) -> None:
    entries = book(length)
    verify(entries)
    verify(iter(entries), head=entries[-1].sha256 if entries else GENESIS)


def test_a_body_need_not_name_its_aircraft_or_time() -> None:
    verify([with_digest(LogEntry("ALPHA", 1, AT, "{}", GENESIS, ""))])


@given(st.integers(0, 4), st.data())
def test_any_change_of_a_body_is_found_at_its_entry(index: int, data: st.DataObject) -> None:
    entries = book(5)
    body = entries[index].body
    place = data.draw(st.integers(0, len(body)))
    inserted = data.draw(st.text(st.characters(exclude_categories=["Cs"]), min_size=1))
    entries[index] = replace(entries[index], body=body[:place] + inserted + body[place:])
    with pytest.raises(LogbookBroken, match=f"Logbook of ALPHA: entry {index + 1} was edited"):
        verify(entries)


@pytest.mark.parametrize(
    "change",
    [
        {"at": AT},
        {"sha256": "f" * 64},
        {"previous_sha256": "f" * 64},
        {"body": '{"event":"load 3 rejected"}'},
        {"body": ""},
        {"aircraft": "BRAVO"},
    ],
    ids=lambda change: next(iter(change)),
)
def test_an_edited_entry_is_named(change: dict[str, object]) -> None:
    entries = book(5)
    entries[2] = replace(entries[2], **change)
    with pytest.raises(LogbookBroken, match="Logbook of ALPHA: entry 3 was edited") as caught:
        verify(entries)
    assert caught.value.remedy


def test_an_entry_edited_with_a_new_digest_breaks_the_link_to_the_next() -> None:
    entries = book(5)
    entries[2] = with_digest(replace(entries[2], body=entries[2].body.replace("accepted", "rejected")))
    with pytest.raises(LogbookBroken, match="entry 4 does not follow from the one before it"):
        verify(entries)


@pytest.mark.parametrize("index", range(4))
def test_a_removed_entry_is_named(index: int) -> None:
    entries = book(5)
    del entries[index]
    with pytest.raises(LogbookBroken, match=f"entry {index + 1} is missing, and {index + 2} stands in its place"):
        verify(entries)


def test_entries_put_into_another_order_are_named() -> None:
    entries = book(5)
    entries[1], entries[2] = entries[2], entries[1]
    with pytest.raises(LogbookBroken, match="entry 2 is missing, and 3 stands in its place"):
        verify(entries)


def test_an_entry_that_stands_twice_is_named() -> None:
    entries = book(5)
    entries.insert(3, entries[2])
    with pytest.raises(LogbookBroken, match="entry 3 stands where 4 belongs"):
        verify(entries)


def test_an_inserted_entry_breaks_the_chain_even_when_those_after_it_are_renumbered() -> None:
    entries = book(5)
    new = with_digest(replace(entries[2], body="{}", previous_sha256=entries[1].sha256))
    moved = [with_digest(replace(entry, sequence=entry.sequence + 1)) for entry in entries[2:]]
    with pytest.raises(LogbookBroken, match="entry 4 does not follow from the one before it"):
        verify([*entries[:2], new, *moved])


def test_entries_of_another_aircraft_s_book_are_found() -> None:
    ours, theirs = book(3), book(3, aircraft="BRAVO")
    with pytest.raises(LogbookBroken, match="entry 3 does not follow"):
        verify([*ours[:2], theirs[2]])
    bare = [with_digest(LogEntry("ALPHA", 1, AT, "{}", GENESIS, ""))]
    bare.append(with_digest(LogEntry("BRAVO", 2, AT, "{}", bare[0].sha256, "")))
    with pytest.raises(LogbookBroken, match="Logbook of ALPHA: entry 2 was edited: the aircraft"):
        verify(bare)
    relabelled = [replace(entry, aircraft="ALPHA") for entry in theirs]
    with pytest.raises(LogbookBroken, match="entry 1 was edited: the aircraft or the time beside its body is another"):
        verify(relabelled)


@pytest.mark.parametrize(
    "body", ["not json", "[]", '{"at":"yesterday"}', '{"at":1}', '{"at":null}', '{"aircraft":null}']
)
def test_a_body_that_contradicts_what_stands_beside_it_is_found(body: str) -> None:
    with pytest.raises(LogbookBroken, match="entry 1 was edited: the aircraft or the time beside its body"):
        verify([with_digest(LogEntry("ALPHA", 1, AT, body, GENESIS, ""))])


def test_entries_taken_off_the_end_are_found_only_with_the_head() -> None:
    entries = book(5)
    head = entries[-1].sha256
    verify(entries[:3])
    with pytest.raises(LogbookBroken, match="Logbook of ALPHA: entry 3 is its last, but the digest noted is another"):
        verify(entries[:3], head=head)
    with pytest.raises(LogbookBroken, match="Logbook: it has no entry, but the digest noted is another"):
        verify([], head=head)


def test_a_book_rewritten_as_a_whole_is_found_only_with_the_head() -> None:
    head = book(2)[-1].sha256
    body = canonical_json({"event": "another"})
    rewritten = [with_digest(LogEntry("ALPHA", 1, AT, body, GENESIS, ""))]
    rewritten.append(with_digest(LogEntry("ALPHA", 2, AT, body, rewritten[0].sha256, "")))
    verify(rewritten)
    with pytest.raises(LogbookBroken, match="or all rewritten"):
        verify(rewritten, head=head)

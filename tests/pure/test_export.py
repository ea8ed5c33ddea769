"""Records as CSV and JSON lines: read back by other readers, and harmless to spreadsheets."""

from __future__ import annotations

import csv
import hashlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.csvfile import read_rows
from mediaprep.export import LOG_COLUMNS, log_to_csv, log_to_json_lines, to_csv
from mediaprep.logtext import FACTS, describe, facts_of
from tests.printing.builders import accepted, entries

cells = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"))


@pytest.mark.parametrize(
    ("cell", "line"),
    [
        # RFC 4180, section 2, rules 5 to 7
        ("aaa", "aaa"),
        ('b"bb', '"b""bb"'),
        ("b\r\nbb", '"b\r\nbb"'),
        ("zzz,yyy", '"zzz,yyy"'),
        # OWASP, "CSV Injection": a cell must not begin with =, +, -, @, tab or carriage return
        ("=1+1", "'=1+1"),
        ("+49 30", "'+49 30"),
        ("-5", "'-5"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("\tx", "'\tx"),
        ("\rx", '"\'\rx"'),
        (" =cmd|' /C calc'!A0", "' =cmd|' /C calc'!A0"),
        ("\uff1d1", "'\uff1d1"),
        ("'quoted", "''quoted"),
        # numbers of ours are no text, and stay numbers
        (-5, "-5"),
        (None, ""),
        ("", ""),
    ],
)
def test_a_cell_is_quoted_and_made_harmless(cell: object, line: str) -> None:
    assert list(to_csv(["a"], [[cell]])) == ["a\r\n", line + "\r\n"]


@given(st.lists(st.tuples(cells, cells), max_size=5))
def test_another_reader_reads_the_same_cells(rows: list[tuple[str, str]]) -> None:
    written = list(to_csv(["a", "b"], rows))
    found = list(csv.reader(written, strict=True))
    assert len(found) == len(rows) + 1
    for row, back in zip(rows, found[1:], strict=True):
        for cell, text in zip(row, back, strict=True):
            assert text in {cell, "'" + cell}
            assert not text.lstrip(" ").startswith(("=", "+", "-", "@", "\t", "\r"))


@given(st.lists(cells.filter(lambda cell: cell == cell.strip() and cell), min_size=1, max_size=5))
def test_our_own_import_reads_back_what_our_export_wrote(values: list[str]) -> None:
    text = "".join(to_csv(["name"], [[value] for value in values]))
    assert [row.text("name") for row in read_rows(text, needed=["name"], known=["name"], name="x")] == values


def test_the_logbook_as_csv_has_a_row_for_each_entry() -> None:
    book = entries(accepted(reason='=HYPERLINK("x")'), {"kind": "corrected", "corrects": 1, "reason": "other slot"})
    header, first, second = csv.reader(list(log_to_csv(book)), strict=True)
    assert tuple(header) == LOG_COLUMNS
    row = dict(zip(header, first, strict=True))
    assert (row["sequence"], row["at"], row["kind"], row["lapses_at"]) == (
        "1",
        "2026-07-01T12:01:00Z",
        "accepted",
        "2026-08-06 09:01",
    )
    assert row["reason"] == '\'=HYPERLINK("x")'
    assert row["sha256"] == book[0].sha256
    assert dict(zip(header, second, strict=True))["corrects"] == "1"


def test_the_chain_of_the_json_lines_can_be_checked_with_a_hash_alone() -> None:
    """Outside check: the rule as docs/reference/exports.md states it, without our code."""
    previous = "0" * 64
    for number, line in enumerate(log_to_json_lines(entries(accepted(), accepted(), accepted())), start=1):
        entry = json.loads(line)
        text = f"{previous}\n{number}\n{entry['body']}"
        assert hashlib.sha256(text.encode()).hexdigest() == entry["sha256"]
        assert (entry["previous_sha256"], entry["sequence"]) == (previous, number)
        assert json.loads(entry["body"])["at"] == entry["at"]
        previous = entry["sha256"]
    assert number == 3


def test_an_entry_about_several_bundles_tells_of_each() -> None:
    body = {"kind": "card-written", "card": "C-1", "unit": "NAV-1", "verdict": "verified", "simulated": True,
            "bundles": [accepted(bundle="a"), accepted(bundle="b", cycle=None)]}  # fmt: skip
    (entry,) = entries(body)
    facts = facts_of(entry)
    assert (facts["bundle"], facts["cycle"]) == ("a; b", "2607; -")
    assert describe(entry) == "card written: a; b on card C-1 for unit NAV-1 (verified; simulated)"


@pytest.mark.parametrize(
    ("body", "line"),
    [
        (accepted(shown_until="2026-08-05", aircraft_hours="12.5"),
         "accepted: nav-2607 on card C-001 for unit NAV-1 (receipt R-000012; left; unit showed 2026-08-05; 12.5 h)"),
        ({"kind": "retired", "card": "C-1", "reason": "worn"}, "retired: card C-1 (worn)"),
        ({"kind": "corrected", "corrects": 3, "reason": "no"}, "corrected: entry 3 (no)"),
        ({"kind": "of-another-version", "new": {"a": 1}}, "of another version"),
    ],
)  # fmt: skip
def test_an_entry_is_one_line_whatever_it_holds(body: dict[str, object], line: str) -> None:
    (entry,) = entries(body)
    assert describe(entry) == line
    assert set(facts_of(entry)) <= set(FACTS)

from datetime import timedelta

import pytest

from mediaprep.model import LoadState, Result, Validity
from tests.pure.builders import DAY, NOW, found, make_bundle, make_facts, make_load, make_unit

ACCEPTED = (LoadState.INSTALLED, LoadState.ACCEPTED)


@pytest.mark.parametrize(
    ("units", "result"),
    [
        ((), Result.PASS),
        ((("OX-ABC", "GPS-1"),), Result.PASS),
        ((("OX-ABC", "GPS-2"), ("OX-ABC", "GPS-1")), Result.PASS),
        ((("OX-XYZ", "GPS-1"),), Result.REFUSE),
        ((("OX-ABC", "GPS-2"),), Result.REFUSE),
    ],
)
def test_unit(units, result) -> None:
    finding = found("bundle.unit", make_facts(bundle=make_bundle(units=units)))
    assert finding.result is result
    if result is Result.REFUSE:
        assert "not for OX-ABC/GPS-1" in finding.evidence


@pytest.mark.parametrize(
    ("kinds", "result", "words"),
    [
        (("navigation",), Result.PASS, "takes navigation"),
        (("obstacle", "charts"), Result.REFUSE, "takes obstacle, charts, not navigation"),
        ((), Result.REFUSE, "takes no kind of data yet, not navigation"),
    ],
)
def test_kind(kinds, result, words) -> None:
    finding = found("bundle.kind", make_facts(unit=make_unit(kinds=kinds)))
    assert finding.result is result
    assert words in finding.evidence


def with_validity(effective_at, lapses_at, cycle="2606"):
    return make_facts(bundle=make_bundle(validity=Validity(cycle, effective_at, lapses_at)))


@pytest.mark.parametrize(
    ("effective_at", "result", "words"),
    [
        (None, Result.PASS, "no date"),
        (NOW, Result.PASS, "in force since 2026-07-01 12:00 UTC"),
        (NOW + timedelta(hours=1), Result.WARN, "in less than a day"),
        (NOW + DAY, Result.WARN, "takes effect at 2026-07-02 12:00 UTC, in 1 day"),
        (NOW + 8 * DAY, Result.WARN, "in 8 days"),
    ],
)
def test_in_force(effective_at, result, words) -> None:
    finding = found("bundle.in-force", with_validity(effective_at, None))
    assert finding.result is result
    assert words in finding.evidence


@pytest.mark.parametrize(
    ("lapses_at", "result", "words"),
    [
        (None, Result.PASS, "never lapses"),
        (NOW + timedelta(seconds=1), Result.PASS, "cycle 2606 lapses at"),
        (NOW, Result.WARN, "less than a day ago"),
        (NOW - 30 * DAY, Result.WARN, "30 days ago"),
    ],
)
def test_lapsed(lapses_at, result, words) -> None:
    finding = found("bundle.lapsed", with_validity(None, lapses_at))
    assert finding.result is result
    assert words in finding.evidence


def test_a_set_without_a_cycle_is_called_so() -> None:
    assert "the set lapsed" in found("bundle.lapsed", with_validity(None, NOW, cycle=None)).evidence


OLD = Validity("2604", NOW - 70 * DAY, NOW - 42 * DAY)
CURRENT = Validity("2606", NOW - 14 * DAY, NOW + 14 * DAY)
NEXT = Validity("2607", NOW + 14 * DAY, NOW + 42 * DAY)
UNDATED = Validity(None, None, None)


@pytest.mark.parametrize(
    ("validity", "loads", "result"),
    [
        (CURRENT, [], Result.PASS),
        (CURRENT, [make_load(1, OLD, *ACCEPTED)], Result.PASS),
        (CURRENT, [make_load(1, CURRENT, *ACCEPTED)], Result.PASS),
        (CURRENT, [make_load(1, NEXT, *ACCEPTED)], Result.WARN),
        (OLD, [make_load(1, CURRENT, *ACCEPTED), make_load(2, OLD, *ACCEPTED)], Result.UNKNOWN),
        (OLD, [make_load(1, CURRENT, *ACCEPTED, kind="obstacle")], Result.PASS),
        (OLD, [make_load(1, CURRENT, LoadState.INSTALLED)], Result.PASS),
        (OLD, [make_load(1, CURRENT, LoadState.INSTALLED, LoadState.REJECTED)], Result.PASS),
        (OLD, [make_load(1, UNDATED, *ACCEPTED)], Result.PASS),
        (UNDATED, [make_load(1, CURRENT, *ACCEPTED)], Result.PASS),
    ],
)
def test_older(validity, loads, result) -> None:
    facts = make_facts(bundle=make_bundle(validity=validity), unit_loads=tuple(loads))
    assert found("bundle.older", facts).result is result


def test_older_than_one_in_force_where_a_later_one_is_loaded_too() -> None:
    # The newest is not in force yet, but the one between is: that one counts.
    loads = (make_load(1, CURRENT, *ACCEPTED), make_load(2, NEXT, *ACCEPTED))
    finding = found("bundle.older", make_facts(bundle=make_bundle(validity=OLD), unit_loads=loads))
    assert finding.result is Result.UNKNOWN
    assert "bundle B-1 from card C-007, cycle 2606" in finding.evidence
    assert "for you to say" in finding.evidence


@pytest.mark.parametrize(
    ("has", "needs", "result"),
    [
        (None, None, Result.PASS),
        ("1.0", None, Result.PASS),
        (None, "2.0", Result.UNKNOWN),
        ("2.0", "2.0", Result.PASS),
        ("v2.1", "2.0", Result.PASS),
        ("1.9", "2.0", Result.REFUSE),
        ("9.10", "9.4", Result.UNKNOWN),  # newer if the parts are counted, older as a decimal number
        ("9.4", "9.10", Result.UNKNOWN),
        ("9.4.0", "9.10", Result.REFUSE),
        ("10.2.1", "9.10.7", Result.PASS),
        ("12", "3", Result.PASS),
        ("2", "2.1", Result.REFUSE),
        ("A-7", "A-7", Result.PASS),
        ("A-7", "A-6", Result.UNKNOWN),
        ("7", "A-6", Result.UNKNOWN),
    ],
)
def test_unit_software(has, needs, result) -> None:
    facts = make_facts(unit=make_unit(software=has), bundle=make_bundle(least_software=needs))
    assert found("bundle.unit-software", facts).result is result


def test_changed() -> None:
    assert found("bundle.changed", make_facts()).result is Result.PASS
    finding = found("bundle.changed", make_facts(changed_paths=("nav/a", "nav/b")))
    assert finding.result is Result.REFUSE
    assert finding.evidence.endswith("nav/a, nav/b")

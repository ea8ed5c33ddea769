"""All checks together: their names, their order of severity, and that none of them ever fails."""

from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.checks import CHECKS, preflight, verdict
from mediaprep.model import CardFacts, Family, FileSystem, Finding, MediaRule, PartitionTable, Plan, Result
from tests.pure.builders import (
    NAVIGATION,
    UNKNOWN,
    make_bundle,
    make_card,
    make_facts,
    make_host,
    make_unit,
    make_volume,
)

ASKING = MediaRule(
    "strict-cards",
    "installation manual",
    capacity_bytes_min=10**9,
    capacity_bytes_max=32 * 10**9,
    families=(Family.SDHC,),
    file_systems=(FileSystem.FAT32,),
    cluster_bytes=(32768,),
    partition_tables=(PartitionTable.MBR,),
    foreign_files_allowed=False,
    software_with_data_allowed=False,
)


def finding(check: str, result: Result) -> Finding:
    return Finding(check, result, "card C-014", "evidence")


def test_every_check_is_described_and_every_description_is_of_a_check() -> None:
    facts = make_facts(host=make_host(make_volume(), make_volume(path="/tmp")))
    names = [item.check for item in preflight(facts)]
    assert set(names) == set(CHECKS)
    assert names.count("host.room") == 2
    assert all(meaning.endswith(".") for meaning in CHECKS.values())


@pytest.mark.parametrize("rule", [MediaRule("plain"), ASKING], ids=["asks nothing", "asks all"])
def test_facts_in_order_pass(rule: MediaRule) -> None:
    findings = preflight(make_facts(unit=make_unit(rule)))
    assert [item for item in findings if item.result is not Result.PASS] == []
    assert all(item.evidence and item.subject and not item.remedy for item in findings)


@pytest.mark.parametrize("rule", [MediaRule("plain"), ASKING], ids=["asks nothing", "asks all"])
@pytest.mark.parametrize("fact", [field.name for field in fields(CardFacts) if "Fact" in str(field.type)])
def test_an_unknown_fact_that_is_needed_never_passes_and_says_why(fact: str, rule: MediaRule) -> None:
    facts = make_facts(unit=make_unit(rule), card=make_card(**{fact: UNKNOWN}))
    open_ = [item for item in preflight(facts) if item.result is not Result.PASS]
    assert all(UNKNOWN.reason in item.evidence and item.remedy for item in open_)
    judged = {"removable", "system_use", "read_only", "free_bytes", "volume_state"}
    if rule is ASKING:
        judged |= {"capacity_bytes", "family", "file_system", "cluster_bytes", "partition_table"}
    assert bool(open_) is (fact in judged)


def test_an_unknown_names_the_way_to_accept_it() -> None:
    facts = make_facts(unit=make_unit(ASKING), card=make_card(family=UNKNOWN))
    (item,) = [item for item in preflight(facts) if item.result is Result.UNKNOWN]
    assert "accept this finding by name: card.family" in item.remedy
    assert UNKNOWN.remedy in item.remedy


def test_nothing_at_all_is_known() -> None:
    card = make_card(**{field.name: UNKNOWN for field in fields(CardFacts) if "Fact" in str(field.type)})
    volume = make_volume(free_bytes=UNKNOWN, free_inodes=UNKNOWN)
    host = make_host(volume, memory_available_bytes=UNKNOWN, on_mains=UNKNOWN, battery_percent=UNKNOWN)
    facts = make_facts(card=card, host=host, unit=make_unit(ASKING))
    assert verdict(preflight(facts), ()) is Result.REFUSE  # the system's own medium is never to be ruled out by belief
    assert {item.check for item in preflight(facts) if item.result is Result.REFUSE} == {"card.system"}


@pytest.mark.parametrize(
    ("results", "accepted", "expected"),
    [
        ([], (), Result.PASS),
        ([("a", Result.PASS)], (), Result.PASS),
        ([("a", Result.PASS), ("b", Result.WARN)], (), Result.WARN),
        ([("a", Result.UNKNOWN), ("b", Result.WARN)], (), Result.UNKNOWN),
        ([("a", Result.UNKNOWN), ("b", Result.UNKNOWN)], ("a",), Result.UNKNOWN),
        ([("a", Result.UNKNOWN), ("b", Result.UNKNOWN)], ("b", "a"), Result.WARN),
        ([("a", Result.UNKNOWN), ("b", Result.REFUSE)], ("a", "b"), Result.REFUSE),
    ],
)
def test_verdict(results, accepted, expected) -> None:
    assert verdict((finding(check, result) for check, result in results), accepted) is expected


@given(
    names=st.lists(st.text(max_size=8), max_size=4).map(tuple),
    file_system=st.sampled_from(FileSystem),
    foreign_files_allowed=st.booleans(),
)
def test_odd_names_on_the_card_can_be_shown(names, file_system, foreign_files_allowed) -> None:
    plan = Plan((), foreign=names, litter=names, altered=names, in_the_way=names, clashes=names)
    rule = MediaRule("rule", foreign_files_allowed=foreign_files_allowed)
    facts = make_facts(plan=plan, unit=make_unit(rule), card=make_card(), changed_paths=names)
    facts = replace(facts, bundle=make_bundle(kind=NAVIGATION))
    for item in preflight(facts):
        assert item.evidence.isprintable()
        assert item.remedy.isprintable()

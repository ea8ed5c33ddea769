"""Checks of the bundle's names and of what is on the card already."""

from dataclasses import replace

import pytest

from mediaprep.model import FileSystem, MediaRule, Plan, Result
from tests.pure.builders import (
    NAVIGATION,
    OBSTACLE,
    SOFTWARE,
    UNKNOWN,
    found,
    known,
    make_bundle,
    make_card,
    make_facts,
    make_unit,
    planned,
    wanted,
)


def named(*paths: str, file_system: object = None):
    card = make_card(file_system=file_system or known(FileSystem.FAT32))
    return make_facts(plan=planned([wanted(path) for path in paths]), card=card)


@pytest.mark.parametrize(
    ("check", "paths", "on_fat", "on_other"),
    [
        ("bundle.names", ["nav/a:b"], Result.REFUSE, Result.PASS),
        ("bundle.names", ["../a"], Result.REFUSE, Result.REFUSE),
        ("bundle.names", ["a"], Result.PASS, Result.PASS),
        ("bundle.name-collisions", ["a", "A"], Result.REFUSE, Result.PASS),
        ("bundle.name-collisions", ["a", "a/b"], Result.REFUSE, Result.REFUSE),
        ("bundle.name-collisions", ["a", "a.part"], Result.REFUSE, Result.REFUSE),
        ("bundle.name-collisions", ["a", "b"], Result.PASS, Result.PASS),
        ("bundle.name-twins", ["e\u0301", "\u00e9"], Result.WARN, Result.WARN),
    ],
)
def test_names(check, paths, on_fat, on_other) -> None:
    assert found(check, named(*paths)).result is on_fat
    assert found(check, named(*paths, file_system=known(FileSystem.OTHER))).result is on_other
    unknown = found(check, named(*paths, file_system=UNKNOWN)).result
    assert unknown is (Result.UNKNOWN if on_fat is Result.REFUSE else on_fat)


def test_many_bad_names_are_named_five_at_a_time() -> None:
    finding = found("bundle.names", named(*(f"{letter}?" for letter in "abcdefg")))
    assert "'e?' holds" in finding.evidence
    assert "'f?' holds" not in finding.evidence
    assert finding.evidence.endswith(" and 2 more")


def test_names_of_other_bundles_are_not_judged() -> None:
    plan = planned([wanted("a:b")], bundle="OTHER")
    assert found("bundle.names", make_facts(plan=plan)).result is Result.PASS


def test_a_collision_names_both() -> None:
    assert "A.bin = a.BIN" in found("bundle.name-collisions", named("a.BIN", "A.bin")).evidence
    temporary = found("bundle.name-collisions", named("a", "a.part")).evidence
    assert "a.part is the name of a while that is written" in temporary


NO_FOREIGN = MediaRule("empty-cards", foreign_files_allowed=False)


@pytest.mark.parametrize(
    ("plan", "check", "result"),
    [
        (Plan((), litter=(".DS_Store",)), "card.litter", Result.WARN),
        (Plan((), in_the_way=("a",)), "card.files-in-the-way", Result.REFUSE),
        (Plan((), altered=("a",)), "card.altered-files", Result.REFUSE),
        (Plan((), clashes=("a",)), "card.bundle-clash", Result.REFUSE),
    ],
)
def test_what_is_on_the_card(plan, check, result) -> None:
    finding = found(check, make_facts(plan=plan))
    assert finding.result is result
    assert finding.subject == "card C-014"
    assert finding.evidence.startswith("1 ")


def test_foreign_files_by_the_rule() -> None:
    plan = Plan((), foreign=tuple(f"photo{number}.jpg" for number in range(7)))
    allowed = found("card.foreign-files", make_facts(plan=plan))
    assert allowed.result is Result.PASS
    assert "stay untouched" in allowed.evidence
    refused = found("card.foreign-files", make_facts(plan=plan, unit=make_unit(NO_FOREIGN)))
    assert refused.result is Result.REFUSE
    assert refused.evidence == (
        "7 files on the card not put there by mediaprep: photo0.jpg, photo1.jpg, photo2.jpg, photo3.jpg, photo4.jpg "
        "and 2 more; rule 'empty-cards' allows none"
    )


@pytest.mark.parametrize(
    ("kind", "others", "allowed", "result"),
    [
        (NAVIGATION, [SOFTWARE], False, Result.REFUSE),
        (SOFTWARE, [NAVIGATION, OBSTACLE], False, Result.REFUSE),
        (NAVIGATION, [OBSTACLE], False, Result.PASS),
        (SOFTWARE, [], False, Result.PASS),
        (NAVIGATION, [SOFTWARE], True, Result.PASS),
    ],
)
def test_software_and_data_on_one_card(kind, others, allowed, result) -> None:
    facts = make_facts(
        bundle=make_bundle(kind=kind),
        on_card=tuple(make_bundle(f"B-{other.name}", other) for other in others),
        unit=make_unit(replace(NO_FOREIGN, software_with_data_allowed=allowed)),
    )
    finding = found("card.mixed-software", facts)
    assert finding.result is result
    if result is Result.REFUSE:
        assert f"B-{others[0].name} ({others[0].title})" in finding.evidence

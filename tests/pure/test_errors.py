"""The error tree: one stable code, one exit code, one explanation and one way out for each class."""

import copy
import pickle
import re
from collections import Counter

import pytest

from mediaprep.errors import MediaPrepError, ReadbackMismatch, all_errors

# The ranges that the exit codes of the command line fall into; 1 is a bug and belongs to the root alone.
EXIT_CODES = {2, 130, *range(10, 60)}


def made(kind: type[MediaPrepError]) -> MediaPrepError:
    if kind is ReadbackMismatch:
        return ReadbackMismatch("C-014", ("nav/a", "nav/b"))
    return kind("Card C-014 is not what it was", remedy="Do this instead.")


every_error = pytest.mark.parametrize("kind", [MediaPrepError, *all_errors()], ids=lambda kind: kind.__name__)


def test_no_two_classes_share_a_code_or_an_exit_code() -> None:
    tree = [MediaPrepError, *all_errors()]
    assert len(tree) > 25
    for counts in (Counter(kind.code for kind in tree), Counter(kind.exit_code for kind in tree)):
        assert [value for value, count in counts.items() if count > 1] == []


def test_the_tree_is_walked_whole_by_exit_code() -> None:
    found = all_errors()
    assert found == sorted(found, key=lambda kind: kind.exit_code)
    for kind in [MediaPrepError, *found]:
        assert set(kind.__subclasses__()) <= set(found)


@pytest.mark.parametrize("kind", all_errors(), ids=lambda kind: kind.__name__)
def test_every_class_has_an_exit_code_of_its_range_and_a_code_of_its_own(kind: type[MediaPrepError]) -> None:
    assert kind.exit_code in EXIT_CODES
    assert {"code", "exit_code", "remedy"} <= vars(kind).keys(), "not inherited from the root"


@pytest.mark.parametrize(
    ("prefix", "exit_codes"),
    [("Preflight", range(10, 20)), ("Bundle", range(20, 30)), ("Write", range(30, 40)), ("Readback", range(30, 40)),
     ("Record", range(40, 50)), ("Logbook", range(40, 50)), ("Service", range(50, 60))],
)  # fmt: skip
def test_what_an_error_is_about_decides_its_range(prefix: str, exit_codes: range) -> None:
    about = [kind for kind in all_errors() if kind.__name__.startswith(prefix)]
    assert about
    assert all(kind.exit_code in exit_codes for kind in about)


@every_error
def test_every_class_explains_itself_and_names_a_way_out(kind: type[MediaPrepError]) -> None:
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", kind.code)
    assert "__doc__" in vars(kind)
    assert kind.__doc__.strip().split("\n")[0].endswith(".")
    assert kind.remedy.endswith(".")
    assert len(kind.remedy) > 10


@every_error
@pytest.mark.parametrize("travel", [lambda error: pickle.loads(pickle.dumps(error)), copy.copy], ids=["pickle", "copy"])  # noqa: S301
def test_an_error_survives_the_way_to_another_process(kind: type[MediaPrepError], travel) -> None:
    error = made(kind)
    arrived = travel(error)
    assert type(arrived) is kind
    assert (str(arrived), arrived.message, arrived.args) == (str(error), error.message, error.args)
    assert (arrived.remedy, arrived.code, arrived.exit_code) == (error.remedy, kind.code, kind.exit_code)
    assert vars(arrived) == vars(error)


def test_the_remedy_is_that_of_the_class_unless_one_is_given() -> None:
    for kind in all_errors():
        if kind is not ReadbackMismatch:
            assert kind("x").remedy == kind.remedy
            assert made(kind).remedy == "Do this instead."


def test_a_mismatch_names_the_card_and_at_most_five_files() -> None:
    paths = tuple(f"nav/{number}" for number in range(7))
    assert str(ReadbackMismatch("C-014", paths[:5])) == (
        "Card C-014 does not hold what the bundle says: nav/0, nav/1, nav/2, nav/3, nav/4"
    )
    error = ReadbackMismatch("C-014", paths)
    assert str(error).endswith("nav/4 and 2 more")
    assert (error.card, error.paths) == ("C-014", paths)
    assert str(ReadbackMismatch("C-014", paths, "Something else")) == "Something else"
    arrived = pickle.loads(pickle.dumps(error))  # noqa: S301
    assert (arrived.card, arrived.paths, str(arrived)) == (error.card, error.paths, str(error))

import pytest

from mediaprep.model import Family, FileSystem, MediaRule, PartitionTable, Result, Unknown, VolumeState, WriteProtection
from tests.pure.builders import UNKNOWN, found, known, make_card, make_facts, make_unit


def judged(check: str, rule: MediaRule | None = None, **card: object):
    return found(check, make_facts(unit=make_unit(rule), card=make_card(**card)))


# --- safety ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("removable", "result"), [(known(True), Result.PASS), (known(False), Result.REFUSE), (UNKNOWN, Result.UNKNOWN)]
)
def test_removable(removable, result) -> None:
    assert judged("card.removable", removable=removable).result is result


@pytest.mark.parametrize("removable", [known(False), UNKNOWN])
def test_a_simulated_card_passes_and_says_that_it_is_none(removable) -> None:
    finding = judged("card.removable", removable=removable, simulated=True, target="/tmp/card")
    assert finding.result is Result.PASS
    assert "A simulated card, not a physical one: /tmp/card plays it" in finding.evidence


@pytest.mark.parametrize("simulated", [True, False])
def test_the_running_system_is_never_written_over(simulated: bool) -> None:
    in_use = known(("holds the root file system", "holds swap"))
    finding = judged("card.system", system_use=in_use, simulated=simulated, target="/")
    assert finding.result is Result.REFUSE
    assert "/ holds the root file system, holds swap (from test)" in finding.evidence
    assert "no override" in finding.remedy


def test_what_may_be_the_running_system_is_refused() -> None:
    finding = judged("card.system", system_use=UNKNOWN)
    assert finding.result is Result.REFUSE
    assert UNKNOWN.reason in finding.evidence
    assert finding.remedy.startswith(UNKNOWN.remedy)


@pytest.mark.parametrize(
    ("read_only", "result"), [(known(False), Result.PASS), (known(True), Result.REFUSE), (UNKNOWN, Result.WARN)]
)
def test_read_only(read_only, result) -> None:
    assert judged("card.read-only", read_only=read_only).result is result


PERMANENT, TEMPORARY, UNTIL_POWER_CYCLE = WriteProtection


@pytest.mark.parametrize(
    ("protection", "result", "remedy"),
    [
        (known(()), Result.PASS, ""),
        (known((PERMANENT, TEMPORARY)), Result.REFUSE, "can never be written again"),
        (known((TEMPORARY,)), Result.REFUSE, "protection taken off"),
        (known((UNTIL_POWER_CYCLE,)), Result.REFUSE, "put it in again"),
    ],
)
def test_write_protection(protection, result, remedy) -> None:
    finding = judged("card.write-protect", write_protection=protection)
    assert finding.result is result
    assert remedy in finding.remedy
    assert "(from test)" in finding.evidence


@pytest.mark.parametrize(
    ("read_only", "result", "words"),
    [
        (known(False), Result.PASS, "The reader says that the card can be written"),
        (known(True), Result.PASS, "The reader says that the card cannot be written"),
        (UNKNOWN, Result.WARN, "not known"),
    ],
)
def test_write_protection_behind_a_reader_that_hides_it(read_only, result, words) -> None:
    finding = judged("card.write-protect", write_protection=UNKNOWN, read_only=read_only)
    assert finding.result is result
    assert words in finding.evidence
    assert UNKNOWN.reason in finding.evidence


@pytest.mark.parametrize(
    ("state", "result", "remedy"),
    [
        (known(VolumeState.CLEAN), Result.PASS, ""),
        (known(VolumeState.IN_USE), Result.PASS, ""),
        (known(VolumeState.DIRTY), Result.WARN, "eject a card before you take it out"),
        (known(VolumeState.FAULTY), Result.REFUSE, "Do not fly with this card"),
        (UNKNOWN, Result.WARN, "have the volume checked"),
    ],
)
def test_how_the_volume_was_left(state, result, remedy) -> None:
    finding = judged("card.dirty", volume_state=state)
    assert finding.result is result
    assert remedy in finding.remedy


# --- the unit's rule -------------------------------------------------------------------------------------------------

UP_TO_32_GB = MediaRule("display-cards", "manual, 3.1", capacity_bytes_max=32 * 10**9)
FROM_8_GB = MediaRule("display-cards", capacity_bytes_min=8 * 10**9)


def test_a_card_that_is_too_large() -> None:
    finding = judged("card.capacity", UP_TO_32_GB, capacity_bytes=known(63_864_569_856))
    assert finding.result is Result.REFUSE
    assert finding.evidence == (
        "The card holds 63.9 GB (from test); rule 'display-cards' (manual, 3.1) allows up to 32 GB"
    )
    assert finding.remedy == (
        "Use a card of at most 32 GB, or correct the rule with 'mediaprep unit rule' if the unit's manual says "
        "otherwise."
    )


def test_a_card_that_is_only_just_too_large_is_told_in_bytes() -> None:
    finding = judged("card.capacity", UP_TO_32_GB, capacity_bytes=known(32_010_928_128))
    assert "holds 32010928128 bytes" in finding.evidence
    assert "allows up to 32000000000 bytes" in finding.evidence


def test_a_card_that_is_too_small() -> None:
    finding = judged("card.capacity", FROM_8_GB, capacity_bytes=known(4 * 10**9))
    assert finding.result is Result.REFUSE
    assert finding.evidence == "The card holds 4 GB (from test); rule 'display-cards' asks for at least 8 GB"
    assert "label" not in finding.remedy


def test_a_card_that_is_sold_as_large_enough() -> None:
    # 7 948 206 080 bytes: the capacity of a published card sold as 8 GB.
    finding = judged("card.capacity", FROM_8_GB, capacity_bytes=known(7_948_206_080))
    assert finding.result is Result.REFUSE
    assert (
        "Cards hold a little less than their label says: a rule that means this card asks for 7.95 GB" in finding.remedy
    )


@pytest.mark.parametrize(
    ("least", "most", "words"),
    [
        (None, 10**10, "allows up to 10 GB"),
        (10**9, None, "allows at least 1 GB"),
        (1, 10**10, "at least 1 B and up to"),
    ],
)
def test_a_card_within_the_limits(least, most, words) -> None:
    rule = MediaRule("rule", capacity_bytes_min=least, capacity_bytes_max=most)
    finding = judged("card.capacity", rule)
    assert finding.result is Result.PASS
    assert words in finding.evidence


def test_the_limits_are_allowed_themselves() -> None:
    rule = MediaRule("rule", capacity_bytes_min=10**9, capacity_bytes_max=10**9)
    assert judged("card.capacity", rule, capacity_bytes=known(10**9)).result is Result.PASS


@pytest.mark.parametrize(
    ("check", "rule", "card"),
    [
        ("card.family", MediaRule("rule", families=(Family.SDSC,)), {}),
        ("card.file-system", MediaRule("rule", file_systems=(FileSystem.EXFAT,)), {}),
        ("card.file-system", MediaRule("rule", file_systems=(FileSystem.FAT16,)), {}),
        ("card.file-system", MediaRule("rule", file_systems=(FileSystem.EXFAT,)), {"file_system": FileSystem.VFAT}),
        ("card.file-system", MediaRule("rule", file_systems=(FileSystem.VFAT,)), {"file_system": FileSystem.EXFAT}),
        ("card.cluster", MediaRule("rule", cluster_bytes=(4096, 8192)), {}),
        ("card.partition-table", MediaRule("rule", partition_tables=(PartitionTable.NONE,)), {}),
    ],
)
def test_a_card_that_the_rule_does_not_allow(check, rule, card) -> None:
    finding = judged(check, rule, **{name: known(value) for name, value in card.items()})
    assert finding.result is Result.REFUSE
    assert "rule 'rule' allows" in finding.evidence
    assert "correct the rule" in finding.remedy


@pytest.mark.parametrize(
    ("file_system", "allowed", "result"),
    [
        (FileSystem.VFAT, (FileSystem.FAT32,), Result.UNKNOWN),
        (FileSystem.VFAT, (FileSystem.EXFAT, FileSystem.FAT16), Result.UNKNOWN),
        (FileSystem.VFAT, (FileSystem.VFAT,), Result.PASS),
        (FileSystem.FAT16, (FileSystem.VFAT,), Result.PASS),
        (FileSystem.FAT32, (FileSystem.FAT16, FileSystem.FAT32), Result.PASS),
        (FileSystem.EXFAT, (FileSystem.FAT32, FileSystem.EXFAT), Result.PASS),
    ],
)
def test_the_width_of_a_fat_may_not_be_known(file_system, allowed, result) -> None:
    rule = MediaRule("rule", file_systems=allowed)
    assert judged("card.file-system", rule, file_system=known(file_system)).result is result


def test_cluster_sizes_are_told_as_the_field_writes_them() -> None:
    finding = judged("card.cluster", MediaRule("rule", cluster_bytes=(4096, 8192, 16384)))
    assert "The cluster size is 32 KiB (from test); rule 'rule' allows 4 KiB, 8 KiB or 16 KiB" in finding.evidence


def test_an_unknown_fact_without_a_remedy_of_its_own() -> None:
    rule = MediaRule("rule", families=(Family.SDHC,))
    finding = judged("card.family", rule, family=Unknown("the reader hides it"))
    assert finding.result is Result.UNKNOWN
    assert finding.remedy.startswith("To go on without knowing")

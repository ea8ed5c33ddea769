"""Is the card one that may be written, and one that the unit's rule allows."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TypeVar

from mediaprep.checks.wording import Check, apart, asks_nothing, either, in_sentence, known_as, rule_words, unknown_as
from mediaprep.model import (
    Fact,
    FileSystem,
    Finding,
    Known,
    MediaRule,
    PreflightFacts,
    Unknown,
    VolumeState,
    WriteProtection,
)
from mediaprep.quantities import format_bytes, format_cluster

CHECKS: Mapping[str, str] = {
    "card.removable": "The target is a removable card, or a simulated one and says so.",
    "card.system": "Nothing of the running system lies on the card.",
    "card.read-only": "The card can be written.",
    "card.write-protect": "The card does not protect itself from being written.",
    "card.dirty": "The card was cleanly taken out last time, and bears no mark of an error.",
    "card.capacity": "The card is neither too small nor too large for the unit's rule.",
    "card.family": "The card is of a family that the unit's rule allows.",
    "card.file-system": "The card has a file system that the unit's rule allows.",
    "card.cluster": "The card has a cluster size that the unit's rule allows.",
    "card.partition-table": "The card is partitioned as the unit's rule asks.",
}

V = TypeVar("V")

_CORRECT_THE_RULE = "or correct the rule with 'mediaprep unit rule' if the unit's manual says otherwise"
# Cards hold a little less than the size they are sold as. A card this near to what the rule asks is probably meant.
_NEARLY = 0.9


def check_card(facts: PreflightFacts) -> list[Finding]:
    """Judge the card: safety first, then each thing the unit's rule may ask of it."""
    card, rule, subject = facts.card, facts.unit.rule, f"card {facts.card_name}"
    return [
        _removable(facts),
        _system(facts),
        _read_only(facts),
        _write_protect(facts),
        _dirty(facts),
        _capacity(Check("card.capacity", subject), rule, card.capacity_bytes),
        _one_of(
            Check("card.family", subject), rule, "family", card.family, rule.families,
            remedy="Use a card of the family", show=str,
        ),
        _file_system(Check("card.file-system", subject), rule, card.file_system),
        _one_of(
            Check("card.cluster", subject), rule, "cluster size", card.cluster_bytes, rule.cluster_bytes,
            remedy="Copy off what you need, then format the card with clusters of", show=format_cluster,
        ),
        _one_of(
            Check("card.partition-table", subject), rule, "partition table", card.partition_table,
            rule.partition_tables, remedy="Copy off what you need, then partition the card as", show=str,
        ),
    ]  # fmt: skip


def _removable(facts: PreflightFacts) -> Finding:
    card = facts.card
    check = Check("card.removable", f"card {facts.card_name}")
    if card.simulated:
        return check.passes(
            f"A simulated card, not a physical one: {card.target} plays it. "
            "What it proves says nothing about a real card"
        )
    if isinstance(card.removable, Unknown):
        return unknown_as(check, f"Whether {card.target} is removable", card.removable)
    if not card.removable.value:
        return check.refuses(
            known_as(f"{card.target} is not removable media", card.removable),
            "Name the place where a removable card is mounted. There is no override.",
        )
    return check.passes(known_as(f"{card.target} is removable media", card.removable))


def _system(facts: PreflightFacts) -> Finding:
    card = facts.card
    check = Check("card.system", f"card {facts.card_name}")
    # Not a matter that the owner can accept: what is unknown here is refused as if it were so.
    remedy = "Name the place where a removable card is mounted. There is no override."
    if isinstance(card.system_use, Unknown):
        return check.refuses(
            f"Whether {card.target} holds part of the running system is not known: {card.system_use.reason}",
            f"{card.system_use.remedy} {remedy}".strip(),
        )
    if card.system_use.value:
        return check.refuses(known_as(f"{card.target} {', '.join(card.system_use.value)}", card.system_use), remedy)
    return check.passes(known_as(f"{card.target} holds nothing of the running system", card.system_use))


def _read_only(facts: PreflightFacts) -> Finding:
    read_only = facts.card.read_only
    check = Check("card.read-only", f"card {facts.card_name}")
    remedy = "Slide the card's lock switch away from 'lock', or mount the volume for writing."
    if isinstance(read_only, Unknown):
        return check.warns(f"Whether the card can be written is not known: {read_only.reason}", remedy)
    if read_only.value:
        return check.refuses(known_as("The card or its volume is read-only", read_only), remedy)
    return check.passes(known_as("The card can be written", read_only))


_PROTECTED: Mapping[WriteProtection, str] = {
    WriteProtection.PERMANENT: "Use another card: this one can never be written again.",
    WriteProtection.TEMPORARY: "Use another card, or have the protection taken off by a tool that can.",
    WriteProtection.UNTIL_POWER_CYCLE: "Take the card out and put it in again.",
}


def _write_protect(facts: PreflightFacts) -> Finding:
    protection, read_only = facts.card.write_protection, facts.card.read_only
    check = Check("card.write-protect", f"card {facts.card_name}")
    if isinstance(protection, Known):
        if not protection.value:
            return check.passes(known_as("The card does not protect itself", protection))
        kinds = " and ".join(protection.value)
        return check.refuses(
            known_as(f"The card protects itself from being written ({kinds})", protection),
            _PROTECTED[protection.value[0]],
        )
    if isinstance(read_only, Known):
        # A reader that hides the registers still says whether the card can be written.
        can = "cannot" if read_only.value else "can"
        return check.passes(
            f"{known_as(f'The reader says that the card {can} be written', read_only)}; {protection.reason}"
        )
    return check.warns(f"Whether the card protects itself is not known: {protection.reason}", protection.remedy)


def _dirty(facts: PreflightFacts) -> Finding:
    state = facts.card.volume_state
    check = Check("card.dirty", f"card {facts.card_name}")
    if isinstance(state, Unknown):
        return check.warns(
            f"Whether the card was cleanly taken out last time is not known: {state.reason}",
            f"{state.remedy} If in doubt, have the volume checked before you write.".strip(),
        )
    if state.value is VolumeState.FAULTY:
        return check.refuses(
            known_as("The volume is marked: whoever used it last met an error of the card", state),
            "Do not fly with this card. Copy off what you need, and retire it, or format it and write it again.",
        )
    if state.value is VolumeState.DIRTY:
        return check.warns(
            known_as("The volume is marked as not cleanly unmounted", state),
            "Have the volume checked before you write, and always eject a card before you take it out.",
        )
    if state.value is VolumeState.IN_USE:
        return check.passes(known_as("The volume bears the mark of being mounted for writing, as it is now", state))
    return check.passes(known_as("The volume was cleanly unmounted", state))


def _capacity(check: Check, rule: MediaRule, capacity: Fact[int]) -> Finding:
    least, most = rule.capacity_bytes_min, rule.capacity_bytes_max
    if least is None and most is None:
        return asks_nothing(check, rule, "capacity")
    if isinstance(capacity, Unknown):
        return unknown_as(check, f"{rule_words(rule)} limits the capacity, and the card's is not known", capacity)
    size = capacity.value
    if most is not None and size > most:
        has, limit = apart(size, most)
        return check.refuses(
            f"{known_as(f'The card holds {has}', capacity)}; {in_sentence(rule)} allows up to {limit}",
            f"Use a card of at most {limit}, {_CORRECT_THE_RULE}.",
        )
    if least is not None and size < least:
        has, limit = apart(size, least)
        remedy = f"Use a card of at least {limit}, {_CORRECT_THE_RULE}."
        if size >= least * _NEARLY:
            remedy += f" Cards hold a little less than their label says: a rule that means this card asks for {has}."
        return check.refuses(
            f"{known_as(f'The card holds {has}', capacity)}; {in_sentence(rule)} asks for at least {limit}", remedy
        )
    limits = [f"at least {format_bytes(least)}"] if least is not None else []
    limits += [f"up to {format_bytes(most)}"] if most is not None else []
    held = known_as(f"The card holds {format_bytes(size)}", capacity)
    return check.passes(f"{held}; {in_sentence(rule)} allows {' and '.join(limits)}")


def _one_of(
    check: Check,
    rule: MediaRule,
    about: str,
    fact: Fact[V],
    allowed: Sequence[V],
    *,
    remedy: str,
    show: Callable[[V], str],
) -> Finding:
    """Judge a fact that the rule answers with a list."""
    if not allowed:
        return asks_nothing(check, rule, about)
    choices = either(show(choice) for choice in allowed)
    if isinstance(fact, Unknown):
        return unknown_as(
            check, f"{rule_words(rule)} asks for the {about} {choices}, and the card's is not known", fact
        )
    evidence = f"{known_as(f'The {about} is {show(fact.value)}', fact)}; {in_sentence(rule)} allows {choices}"
    if fact.value in allowed:
        return check.passes(evidence)
    return check.refuses(evidence, f"{remedy} {choices}, {_CORRECT_THE_RULE}.")


def _file_system(check: Check, rule: MediaRule, fact: Fact[FileSystem]) -> Finding:
    if isinstance(fact, Known) and fact.value.is_fat and any(choice.is_fat for choice in rule.file_systems):
        choices = either(rule.file_systems)
        if FileSystem.VFAT in rule.file_systems:
            return check.passes(f"{known_as('The file system is FAT', fact)}; {in_sentence(rule)} allows any FAT")
        if fact.value is FileSystem.VFAT:
            return check.cannot_tell(
                f"{rule_words(rule)} asks for the file system {choices}",
                known_as("the card has a FAT file system, but whether FAT12, FAT16 or FAT32 cannot be told", fact),
                "Let mediaprep read the card's first sector: run it as a user who may read the device.",
            )
    return _one_of(
        check, rule, "file system", fact, rule.file_systems,
        remedy="Copy off what you need, then format the card as", show=str,
    )  # fmt: skip

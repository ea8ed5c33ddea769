"""What is on the card already, and may it stay: foreign files, litter, other bundles."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from mediaprep.checks.wording import Check, counted, in_sentence, listed, rule_words
from mediaprep.model import Finding, PreflightFacts

CHECKS: Mapping[str, str] = {
    "card.foreign-files": "Files that mediaprep did not put on the card are there only if the unit's rule allows it.",
    "card.litter": "No desktop system has left files on the card.",
    "card.files-in-the-way": "Nothing foreign stands where a file of the bundle must go.",
    "card.altered-files": "No file that mediaprep put on the card was changed by someone else.",
    "card.bundle-clash": "No two bundles on the card want the same file with different content.",
    "card.unfinished": "No write of another bundle on the card was left unfinished.",
    "card.mixed-software": "Unit software and data are on one card only if the unit's rule allows it.",
}

_YOURSELF = "mediaprep never removes what it did not put there"


def check_contents(facts: PreflightFacts) -> list[Finding]:
    """Judge what is on the card beside the bundle."""
    plan, subject = facts.plan, f"card {facts.card_name}"
    return [
        _foreign(facts),
        _litter(Check("card.litter", subject), plan.litter),
        _refused_if_any(
            Check("card.files-in-the-way", subject),
            plan.in_the_way,
            fine="Nothing foreign stands where a file of the bundle must go",
            found="stand where files of the bundle must go, or the names they have while they are written",
            remedy=f"Copy them off and remove them from the card yourself: {_YOURSELF}.",
        ),
        _refused_if_any(
            Check("card.altered-files", subject),
            plan.altered,
            fine="Every file that mediaprep finished has the size it was given",
            found="were put there by mediaprep, but have changed since",
            remedy="Find out what changed them. Then copy them off, remove them from the card yourself and try again.",
        ),
        _refused_if_any(
            Check("card.bundle-clash", subject),
            plan.clashes,
            fine="No other bundle on the card has a file of the same name with other content",
            found="belong to another bundle on the card, with other content",
            remedy="Put the bundles on cards of their own.",
        ),
        _unfinished(facts),
        _mixed_software(facts),
    ]


def _foreign(facts: PreflightFacts) -> Finding:
    check = Check("card.foreign-files", f"card {facts.card_name}")
    rule, foreign = facts.unit.rule, facts.plan.foreign
    if not foreign:
        return check.passes("No foreign files on the card")
    evidence = f"{counted(len(foreign), 'file')} on the card not put there by mediaprep: {listed(foreign)}"
    if rule.foreign_files_allowed:
        return check.passes(f"{evidence}; {in_sentence(rule)} allows them, and they stay untouched")
    return check.refuses(
        f"{evidence}; {in_sentence(rule)} allows none",
        f"Copy them off and remove them from the card yourself: {_YOURSELF}. Or use an empty card.",
    )


def _litter(check: Check, litter: Sequence[str]) -> Finding:
    if not litter:
        return check.passes("No desktop system has left files on the card")
    return check.warns(
        f"{counted(len(litter), 'file')} left by desktop systems, which some units stumble over: {listed(litter)}",
        f"Remove them from the card yourself if the unit's manual warns of them: {_YOURSELF}.",
    )


def _refused_if_any(check: Check, paths: Sequence[str], *, fine: str, found: str, remedy: str) -> Finding:
    if not paths:
        return check.passes(fine)
    return check.refuses(f"{counted(len(paths), 'path')} on the card {found}: {listed(paths)}", remedy)


def _unfinished(facts: PreflightFacts) -> Finding:
    check, bundles = Check("card.unfinished", f"card {facts.card_name}"), facts.plan.unfinished
    if not bundles:
        return check.passes("Every write of another bundle on the card was finished")
    return check.refuses(
        f"The write of {counted(len(bundles), 'other bundle')} on the card was never finished: {listed(bundles)}",
        f"Finish it first: mediaprep write {bundles[0]}, or write another bundle of its kind in its place.",
    )


def _mixed_software(facts: PreflightFacts) -> Finding:
    check = Check("card.mixed-software", f"card {facts.card_name}")
    rule = facts.unit.rule
    if rule.software_with_data_allowed:
        return check.passes(f"{rule_words(rule)} allows unit software and data on one card")
    wanted = facts.bundle.kind
    mixed = [other for other in facts.on_card if other.kind.is_software is not wanted.is_software]
    if not mixed:
        return check.passes("The card holds unit software or data, not both")
    named = listed([f"{other.name} ({other.kind.title})" for other in mixed])
    return check.refuses(
        f"Bundle {facts.bundle.name} is {'unit software' if wanted.is_software else 'data'} ({wanted.title}), and the "
        f"card holds {named}; {in_sentence(rule)} does not allow unit software and data on one card",
        "Put unit software on a card of its own.",
    )

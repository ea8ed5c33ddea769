"""Is this the right bundle for the unit, and the right time for it."""

from __future__ import annotations

import re
from collections.abc import Mapping

from mediaprep.checks.wording import Check, listed, on_day
from mediaprep.model import Finding, LoadState, PreflightFacts, Validity
from mediaprep.quantities import format_days

CHECKS: Mapping[str, str] = {
    "bundle.unit": "The bundle was bought for this unit, or for any.",
    "bundle.kind": "The unit takes data of this kind.",
    "bundle.in-force": "The bundle is in force already.",
    "bundle.lapsed": "The bundle has not lapsed.",
    "bundle.older": "The bundle is not older than what the unit accepted.",
    "bundle.unit-software": "The unit's software is new enough for the bundle.",
    "bundle.changed": "The bundle's files are as they were when it was taken in.",
}

_VERSION = re.compile(r"[vV]?(\d+(?:\.\d+)*)")


def check_bundle(facts: PreflightFacts) -> list[Finding]:
    """Judge the bundle against the unit, the calendar and itself."""
    return [
        _unit(facts),
        _kind(facts),
        _in_force(facts),
        _lapsed(facts),
        _older(facts),
        _unit_software(facts),
        _changed(facts),
    ]


def _check(name: str, facts: PreflightFacts) -> Check:
    return Check(name, f"bundle {facts.bundle.name}")


def _unit(facts: PreflightFacts) -> Finding:
    check, unit, units = _check("bundle.unit", facts), facts.unit, facts.bundle.units
    if not units:
        return check.passes("The bundle is stated for any unit that takes its kind")
    meant = listed([f"{aircraft}/{name}" for aircraft, name in units])
    if (unit.aircraft, unit.name) not in units:
        return check.refuses(
            f"The bundle was bought for {meant}, not for {unit.label}",
            f"Take the bundle that was bought for {unit.label}, or name the right unit.",
        )
    return check.passes(f"The bundle was bought for {meant}")


def _kind(facts: PreflightFacts) -> Finding:
    check, unit, kind = _check("bundle.kind", facts), facts.unit, facts.bundle.kind
    if kind.name not in unit.kinds:
        return check.refuses(
            f"Unit {unit.label} takes {listed(unit.kinds) or 'no kind of data yet'}, not {kind.name} ({kind.title})",
            f"Name the unit that takes {kind.name}, or add the kind to this one with 'mediaprep unit set'.",
        )
    return check.passes(f"Unit {unit.label} takes {kind.name} ({kind.title})")


def _in_force(facts: PreflightFacts) -> Finding:
    check, effective_at = _check("bundle.in-force", facts), facts.bundle.validity.effective_at
    if effective_at is None:
        return check.passes("The bundle has no date from which it is in force")
    if effective_at > facts.now:
        return check.warns(
            f"{_named(facts.bundle.validity)} is not in force yet: it takes effect at {on_day(effective_at)}, "
            f"in {format_days(effective_at - facts.now)}",
            "Loading ahead is usual. Do not fly on it before it is in force, unless the unit itself changes over then.",
        )
    return check.passes(f"{_named(facts.bundle.validity)} is in force since {on_day(effective_at)}")


def _lapsed(facts: PreflightFacts) -> Finding:
    # A lapsed set is a warning, not a refusal: terrain of last year, or the only set there is, may be wanted on
    # purpose, and whether it may be flown on is the pilot's and the manual's to say, not this program's.
    check, lapses_at = _check("bundle.lapsed", facts), facts.bundle.validity.lapses_at
    if lapses_at is None:
        return check.passes("The bundle never lapses")
    if lapses_at <= facts.now:
        return check.warns(
            f"{_named(facts.bundle.validity)} lapsed at {on_day(lapses_at)}, {format_days(facts.now - lapses_at)} ago",
            "Take the set that is in force now, if there is one. Whether a lapsed one may be used is for the flight "
            "manual and the authority to say.",
        )
    return check.passes(f"{_named(facts.bundle.validity)} lapses at {on_day(lapses_at)}")


def _older(facts: PreflightFacts) -> Finding:
    # Going back is nearly always a slip: last month's folder, an old card. So it stops the job once the newer set is in
    # force. But a set can be withdrawn after units took it, so the owner must be able to say that going back is meant:
    # what is not known here is that intention. A newer set loaded ahead of its date does not stop the one of today.
    check, effective_at = _check("bundle.older", facts), facts.bundle.validity.effective_at
    if effective_at is None:
        return check.passes("The bundle has no date to compare")
    newer = [
        (load.validity.effective_at, load)
        for load in facts.unit_loads
        if load.kind == facts.bundle.kind.name
        and load.state is LoadState.ACCEPTED
        and load.validity.effective_at is not None
        and load.validity.effective_at > effective_at
    ]
    if not newer:
        return check.passes(f"Unit {facts.unit.label} has accepted nothing newer of this kind")
    in_force = [(since, load) for since, load in newer if since <= facts.now]
    since, newest = max(in_force or newer, key=lambda pair: pair[0])
    evidence = (
        f"{_named(facts.bundle.validity)} takes effect at {on_day(effective_at)}, and unit {facts.unit.label} has "
        f"accepted a newer one: bundle {newest.bundle} from card {newest.card}, {_named(newest.validity)}, "
        f"from {on_day(since)}"
    )
    if not in_force:
        return check.warns(evidence, "The newer one is not in force yet. Make sure that the older one is meant.")
    return check.cannot_tell(
        evidence,
        "whether the unit should go back is for you to say",
        f"Take bundle {newest.bundle} or a newer one, unless the newer one was withdrawn.",
    )


def _named(validity: Validity) -> str:
    return f"cycle {validity.cycle}" if validity.cycle else "the set"


def _unit_software(facts: PreflightFacts) -> Finding:
    check, unit, least = _check("bundle.unit-software", facts), facts.unit, facts.bundle.least_software
    if least is None:
        return check.passes("The bundle asks for no unit software")
    if unit.software is None:
        return check.cannot_tell(
            f"The bundle needs unit software {least}",
            f"the software of unit {unit.label} is not stated",
            "Read it off the unit's start-up page and state it with 'mediaprep unit set --software'.",
        )
    evidence = f"The bundle needs unit software {least}; unit {unit.label} has {unit.software}"
    enough = _is_enough(unit.software, least)
    if enough is None:
        return check.cannot_tell(
            evidence, "which of the two is newer cannot be told from their names", "Look it up in the bundle's notice."
        )
    if not enough:
        return check.refuses(
            evidence,
            "Have the unit's software brought up to date first. If it is newer than stated here, say so with "
            "'mediaprep unit set --software'.",
        )
    return check.passes(evidence)


def _is_enough(has: str, needs: str) -> bool | None:
    """Say whether one software version reaches another; None where that depends on how they are read.

    9.10 comes after 9.4 where the parts are counted, before it where it is a decimal number. Only what is so under
    both readings is taken as told.
    """
    if has == needs:
        return True
    versions = _VERSION.fullmatch(has), _VERSION.fullmatch(needs)
    if versions[0] is None or versions[1] is None:
        return None
    has_parts, needs_parts = versions[0][1].split("."), versions[1][1].split(".")
    width = max(len(has_parts), len(needs_parts))
    by_count = _padded(has_parts, width) >= _padded(needs_parts, width)
    if width == 2 and (float(versions[0][1]) >= float(versions[1][1])) is not by_count:
        return None
    return by_count


def _padded(parts: list[str], width: int) -> list[int]:
    return [int(part) for part in parts] + [0] * (width - len(parts))


def _changed(facts: PreflightFacts) -> Finding:
    check, changed = _check("bundle.changed", facts), facts.changed_paths
    if changed:
        return check.refuses(
            f"These files differ from what was taken in: {listed(changed)}",
            "Put the original files back, or take the bundle in again under a new name.",
        )
    return check.passes("Sizes and times of the files are as when the bundle was taken in")

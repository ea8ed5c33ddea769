"""Can the card's file system store the bundle's names, and tell them apart."""

from __future__ import annotations

from collections.abc import Mapping

from mediaprep.checks.wording import Check, counted, listed
from mediaprep.model import FileSystem, Finding, Known, PreflightFacts, Unknown
from mediaprep.names import collisions, name_problems, temporary_collisions, unicode_twins

CHECKS: Mapping[str, str] = {
    "bundle.names": "Every name in the bundle is legal on the card's file system.",
    "bundle.name-collisions": "No two names in the bundle are the same file on the card.",
    "bundle.name-twins": "No two names in the bundle look the same.",
}

_ASK = "Ask the publisher for the bundle under other names; mediaprep never changes a bundle."


def check_filenames(facts: PreflightFacts) -> list[Finding]:
    """Judge the names of the bundle's files; by FAT, the strictest, where the file system is not known."""
    known = facts.card.file_system
    file_system = known.value if isinstance(known, Known) else FileSystem.VFAT
    paths = [item.entry.path for item in facts.plan.files if item.bundle == facts.bundle.name]
    subject = f"bundle {facts.bundle.name}"

    problems = [problem for path in paths for problem in name_problems(path, file_system)]
    same = [f"{' = '.join(group)}" for group in collisions(paths, file_system)]
    same += [
        f"{second} is the name of {first} while that is written"
        for first, second in temporary_collisions(paths, file_system)
    ]
    twins = [" = ".join(group) for group in unicode_twins(paths)]
    names, collision = Check("bundle.names", subject), Check("bundle.name-collisions", subject)
    return [
        _judged(names, problems, known, f"{counted(len(paths), 'name')} can be stored"),
        _judged(collision, same, known, f"{counted(len(paths), 'name')} differ on the card"),
        _twins(Check("bundle.name-twins", subject), twins),
    ]


def _judged(check: Check, problems: list[str], known: Known[FileSystem] | Unknown, fine: str) -> Finding:
    if not problems:
        return check.passes(fine)
    if isinstance(known, Unknown):
        return check.cannot_tell(
            f"Not on FAT: {listed(problems)}", f"file system not known: {known.reason}", known.remedy
        )
    return check.refuses(f"On {known.value} (from {known.source}): {listed(problems)}", _ASK)


def _twins(check: Check, twins: list[str]) -> Finding:
    if not twins:
        return check.passes("No two names look the same")
    return check.warns(
        f"These names look the same and differ only in how Unicode writes them: {listed(twins)}",
        "Look whether the publisher meant two files. A system that does not tell them apart keeps only one.",
    )

"""How checks put their findings: the same words for the same things, so that a pilot knows them again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from mediaprep.model import Finding, Known, MediaRule, Result, T, Unknown
from mediaprep.names import printable
from mediaprep.quantities import format_bytes

SHOWN = 5


@dataclass(frozen=True, slots=True)
class Check:
    """One check on one subject, about to say what it found."""

    name: str
    subject: str

    def passes(self, evidence: str) -> Finding:
        """Say that all is well, and why."""
        return Finding(self.name, Result.PASS, self.subject, evidence)

    def warns(self, evidence: str, remedy: str) -> Finding:
        """Say what the owner should know before going on."""
        return Finding(self.name, Result.WARN, self.subject, evidence, remedy)

    def refuses(self, evidence: str, remedy: str) -> Finding:
        """Say why nothing may be written."""
        return Finding(self.name, Result.REFUSE, self.subject, evidence, remedy)

    def cannot_tell(self, question: str, reason: str, remedy: str = "") -> Finding:
        """Say that a fact which is needed could not be had, and that the owner may go on without it."""
        way_on = f"To go on without knowing, accept this finding by name: {self.name}."
        return Finding(self.name, Result.UNKNOWN, self.subject, f"{question}: {reason}", f"{remedy} {way_on}".strip())


def asks_nothing(check: Check, rule: MediaRule, about: str) -> Finding:
    """Say that the unit's rule does not limit something."""
    return check.passes(f"{rule_words(rule)} asks nothing about {about}")


def rule_words(rule: MediaRule) -> str:
    """Return a rule's name, with the manual it was taken from."""
    return f"Rule '{rule.name}' ({rule.source})" if rule.source else f"Rule '{rule.name}'"


def in_sentence(rule: MediaRule) -> str:
    """Return `rule_words` for the middle of a sentence."""
    return rule_words(rule).replace("Rule", "rule", 1)


def known_as(text: str, fact: Known[T]) -> str:
    """Return a fact put into words, with where it was read."""
    return f"{text} (from {fact.source})"


def unknown_as(check: Check, question: str, fact: Unknown) -> Finding:
    """Return the finding for a fact that the rule needs and that could not be had."""
    return check.cannot_tell(question, fact.reason, fact.remedy)


def listed(paths: Sequence[str]) -> str:
    """Return the first few paths or sentences, and how many more there are."""
    shown = ", ".join(printable(path) for path in paths[:SHOWN])
    return shown if len(paths) <= SHOWN else f"{shown} and {len(paths) - SHOWN} more"


def counted(count: int, one: str, many: str | None = None) -> str:
    """Return `1 file`, `3 files`."""
    return f"{count} {one}" if count == 1 else f"{count} {many or one + 's'}"


def either(choices: Iterable[str]) -> str:
    """Return `a`, `a or b`, `a, b or c`."""
    *most, last = choices
    return f"{', '.join(most)} or {last}" if most else last


def apart(size_bytes: int, other_bytes: int) -> tuple[str, str]:
    """Return two sizes for people, in whole bytes where they would otherwise read the same."""
    texts = format_bytes(size_bytes), format_bytes(other_bytes)
    if texts[0] != texts[1]:
        return texts
    return f"{size_bytes} bytes", f"{other_bytes} bytes"


def on_day(instant: datetime) -> str:
    """Return an instant as the panel's paperwork writes it: date and time to the minute, UTC."""
    return f"{instant:%Y-%m-%d %H:%M} UTC"

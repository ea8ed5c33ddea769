"""All that is judged before a card is touched: facts in, findings out, every one of them at once.

A check never opens anything and never raises: what cannot be known is a finding too.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from mediaprep.checks import bundle, card, contents, filenames, host, room
from mediaprep.model import Finding, PreflightFacts, Result

__all__ = ["CHECKS", "preflight", "verdict"]

# Every check by its name, with what it asks for in one line.
CHECKS: Mapping[str, str] = {
    **host.CHECKS,
    **card.CHECKS,
    **room.CHECKS,
    **filenames.CHECKS,
    **contents.CHECKS,
    **bundle.CHECKS,
}


def preflight(facts: PreflightFacts) -> list[Finding]:
    """Return what every check finds, passes included; checks of the computer come once for each volume."""
    return [
        *host.check_host(facts),
        *card.check_card(facts),
        *room.check_room(facts),
        *filenames.check_filenames(facts),
        *contents.check_contents(facts),
        *bundle.check_bundle(facts),
    ]


def verdict(findings: Iterable[Finding], accepted: Collection[str]) -> Result:
    """Return what all findings together mean.

    `accepted` names the checks that the owner goes on without knowing. REFUSE if any refuses; UNKNOWN if any is
    unknown and not accepted; WARN if any warns or was accepted; else PASS. A refusal cannot be accepted.
    """
    found = list(findings)
    results = {finding.result for finding in found}
    if Result.REFUSE in results:
        return Result.REFUSE
    if any(finding.result is Result.UNKNOWN and finding.check not in accepted for finding in found):
        return Result.UNKNOWN
    return Result.PASS if results <= {Result.PASS} else Result.WARN

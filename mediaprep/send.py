"""The sender of messages: over apprise, or a fake that keeps them.

Apprise knows a hundred kinds of target by the form of an address. Its own log can name parts of an address, so it is
kept off every output, and of what it says only a few words are passed on: our own.
"""

from __future__ import annotations

import logging
import re
import warnings
from collections import deque
from collections.abc import Iterable
from typing import TYPE_CHECKING

from mediaprep.errors import Usage
from mediaprep.model import Delivery, Message

if TYPE_CHECKING:
    from apprise import AppriseAsset, NotifyBase, NotifyResult

ATTEMPT_SECONDS = 60
"""The longest that one attempt may take. Addresses may set shorter times for a connection (`?cto=`, `?rto=`)."""

# Of these the host is no secret; in most others it is a token.
_HOST_SHOWN = re.compile(r"(json|xml|form|mailto)s?")
_HTTP_STATUS = re.compile(r"error=(\d{3})\b")
_NO_CONNECTION = re.compile(r"connection error", re.IGNORECASE)


class AppriseSender:
    """Messages over apprise, one target at a time."""

    def shown(self, url: str) -> str:
        """Return an address's kind, and its host where that is no secret. Raise Usage where it cannot be used."""
        plugin = _plugin(url)
        scheme = _scheme(url)
        port = f":{plugin.port}" if plugin.port else ""
        return f"{scheme}://{plugin.host}{port}/..." if _HOST_SHOWN.fullmatch(scheme) else f"{scheme}://..."

    def hosts(self, url: str) -> tuple[str, ...]:
        """Return the hosts that an address names; none for services that have hosts of their own. Raise Usage."""
        plugin = _plugin(url)
        named = [getattr(plugin, "smtp_host", None)]
        templates: Iterable[str] = plugin.templates
        if any("{host}" in template for template in templates):
            named.append(plugin.host)
        return tuple(dict.fromkeys(str(host) for host in named if host))

    def send(self, url: str, message: Message) -> Delivery:
        """Make one attempt. What takes longer than a minute counts as failed, though it may arrive all the same."""
        import apprise

        try:
            target = apprise.Apprise(_plugin(url), asset=_asset())
        except Usage as error:
            return Delivery(delivered=False, detail=str(error))
        with target.notify(
            body=message.body,
            title=message.title,
            body_format=apprise.NotifyFormat.TEXT,
            timeout=ATTEMPT_SECONDS,
        ) as outcome:
            for result in outcome:
                return _delivery(result)
        return Delivery(delivered=False, detail="the message could not be prepared for this kind of target")


class RecordingSender:
    """A sender that keeps what it is given. It answers with what it was told to, in turn, then delivers everything.

    An address is usable where it has the form `kind://host/...`.
    """

    def __init__(self, answers: Iterable[Delivery] = ()) -> None:
        self.sent: list[tuple[str, Message]] = []
        self._answers = deque(answers)

    def shown(self, url: str) -> str:
        """Return the address's kind. Raise Usage for what is no address."""
        self.hosts(url)
        return f"{_scheme(url)}://..."

    def hosts(self, url: str) -> tuple[str, ...]:
        """Return the address's host. Raise Usage for what is no address."""
        found = re.fullmatch(r"\w+://(?:[^/@]*@)?(\[[^\]]+\]|[\w.-]+)(?::\d+)?(?:/.*)?", url)
        if found is None:
            raise _unusable()
        return (found[1],)

    def send(self, url: str, message: Message) -> Delivery:
        """Answer as told; keep what is delivered."""
        try:
            self.hosts(url)
        except Usage as error:
            return Delivery(delivered=False, detail=str(error))
        answer = self._answers.popleft() if self._answers else Delivery(delivered=True, detail="delivered")
        if answer.delivered:
            self.sent.append((url, message))
        return answer


def _asset() -> AppriseAsset:
    from apprise import AppriseAsset

    return AppriseAsset(
        app_id="mediaprep",
        app_desc="mediaprep reminders",
        app_url="",
        storage_mode="memory",  # nothing of a target is put on this computer's disk
        http_redirects=False,
        service_timeout=ATTEMPT_SECONDS,
    )


def _plugin(url: str) -> NotifyBase:
    """Return what sends to an address. Raise Usage, without the address, where there is nothing that does."""
    from apprise import Apprise

    _quieten()
    with warnings.catch_warnings():
        # The first use loads every kind of target there is, and what they in turn import warns of its own old age.
        warnings.simplefilter("ignore", DeprecationWarning)
        plugin = Apprise.instantiate(url, asset=_asset())
    if plugin is None:
        raise _unusable()
    # An address could ask for what the asset forbids, or for retries of which the records would not know.
    plugin.redirects = False
    plugin.retry = 0
    return plugin


def _unusable() -> Usage:
    message = "The address is none that messages can be sent to from here"
    return Usage(
        message,
        remedy="See the forms of addresses in docs/how-to/reminders.md. A target on the desktop needs a desktop.",
    )


def _delivery(result: NotifyResult) -> Delivery:
    from apprise import AppriseResultStatus

    attempts = list(result)
    last = attempts[-1].status if attempts else AppriseResultStatus.FAILURE
    if last is AppriseResultStatus.SUCCESS:
        return Delivery(delivered=True, detail="delivered")
    if last is AppriseResultStatus.TIMEOUT:
        return Delivery(delivered=False, detail=f"no answer within {ATTEMPT_SECONDS} seconds")
    said = "\n".join(entry.message for entry in result.logs())
    status = _HTTP_STATUS.search(said)
    if status is not None:
        return Delivery(delivered=False, detail=_explained(int(status[1])))
    if _NO_CONNECTION.search(said):
        return Delivery(delivered=False, detail="no connection, or it broke off or took too long")
    return Delivery(delivered=False, detail="the target did not take the message")


def _explained(status: int) -> str:
    """Return an HTTP status in words that help (RFC 9110, section 15; 429 is RFC 6585)."""
    if status == 429:
        meaning = "too many messages for now"
    elif 300 <= status < 400:
        meaning = "it points elsewhere, which is not followed"
    elif status in {401, 403}:
        meaning = "it does not let us in"
    elif status in {404, 410}:
        meaning = "there is nothing at this address"
    elif status >= 500:
        meaning = "a fault at the target"
    else:
        meaning = "refused"
    return f"HTTP {status}: {meaning}"


def _scheme(url: str) -> str:
    return url.partition("://")[0].strip().lower()


def _quieten() -> None:
    log = logging.getLogger("apprise")
    log.propagate = False
    if not log.handlers:
        log.addHandler(logging.NullHandler())

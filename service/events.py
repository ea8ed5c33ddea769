"""What happens, told to whoever listens: server-sent events, as the HTML standard has them.

Every event is a snapshot of its subject, so a newer one about the same subject takes the place of one that nobody has
read yet: a slow listener misses steps, never the end. Whoever comes back with the id of the last event it saw gets
what it missed, or the event `reset` where that is no longer known: then it reads everything anew.
"""

from __future__ import annotations

import json
import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass

from mediaprep.errors import ServiceUnavailable
from mediaprep.wire import to_wire

# Each stream keeps a thread of the server; the server has more threads than this, so the rest of it stays served.
MOST_STREAMS = 8
# Subjects with something new that one listener has not fetched. Beyond that the stream ends, and is opened anew.
MOST_WAITING = 128
KEPT_EVENTS = 256
HEARTBEAT_SECONDS = 15.0
RETRY_MILLISECONDS = 2000


@dataclass(frozen=True, slots=True)
class Event:
    """One event, with its number since the service started and its text on the wire."""

    number: int
    text: str


class EventHub:
    """Passes events on to all streams that are open. For use by several threads at once."""

    def __init__(self, *, most_streams: int = MOST_STREAMS, heartbeat_seconds: float = HEARTBEAT_SECONDS) -> None:
        self._most_streams = most_streams
        self._heartbeat_seconds = heartbeat_seconds
        self._changed = threading.Condition()
        self._streams: set[EventStream] = set()
        self._closed = False
        # An id from before a restart must not be taken for one of now.
        self._run = secrets.token_hex(4)
        self._number = 0
        self._kept: OrderedDict[str, Event] = OrderedDict()
        self._forgotten = 0

    @property
    def listening(self) -> bool:
        """Whether any stream is open."""
        return bool(self._streams)

    def publish(self, kind: str, body: object, *, about: str) -> None:
        """Tell all listeners that something has happened. `body` is of the model; `about` names the subject."""
        data = json.dumps(to_wire(body), separators=(",", ":"))
        with self._changed:
            self._number += 1
            event = Event(self._number, f"id: {self._run}-{self._number}\nevent: {kind}\ndata: {data}\n\n")
            self._kept.pop(about, None)
            self._kept[about] = event
            while len(self._kept) > KEPT_EVENTS:
                _, gone = self._kept.popitem(last=False)
                self._forgotten = gone.number
            for stream in self._streams:
                stream.put(about, event)
            self._changed.notify_all()

    def open(self, last_event_id: str | None = None) -> EventStream:
        """Return a new stream, which goes on after an event. Raise ServiceUnavailable where too many are open."""
        with self._changed:
            if self._closed:
                message = "The service is about to end"
                raise ServiceUnavailable(message, remedy="Start the service again: mediaprep serve.")
            if len(self._streams) >= self._most_streams:
                message = f"{len(self._streams)} listeners follow this service's events, which is as many as it takes"
                raise ServiceUnavailable(message, remedy="Close a page or a program that listens, then try again.")
            stream = EventStream(self, self._changed, self._heartbeat_seconds)
            for about, event in self._missed(last_event_id).items():
                stream.put(about, event)
            self._streams.add(stream)
            return stream

    def leave(self, stream: EventStream) -> None:
        """Forget a stream. It is no error if it is forgotten already."""
        with self._changed:
            self._streams.discard(stream)

    def close(self) -> None:
        """End all streams and open no more."""
        with self._changed:
            self._closed = True
            for stream in self._streams:
                stream.ended = True
            self._changed.notify_all()

    def _missed(self, last_event_id: str | None) -> dict[str, Event]:
        if last_event_id is None:
            return {}
        run, _, number = last_event_id.rpartition("-")
        known = run == self._run and number.isascii() and number.isdecimal() and len(number) < 19
        if not known or not self._forgotten <= int(number) <= self._number:
            text = f"id: {self._run}-{self._number}\nevent: reset\ndata: {{}}\n\n"
            return {"reset": Event(self._number, text)}
        return {about: event for about, event in self._kept.items() if event.number > int(number)}


class EventStream:
    """One listener's events, as the pieces of an answer. It must be closed, even if nothing was read from it."""

    def __init__(self, hub: EventHub, changed: threading.Condition, heartbeat_seconds: float) -> None:
        self.ended = False
        self._hub = hub
        self._changed = changed
        self._heartbeat_seconds = heartbeat_seconds
        self._waiting: OrderedDict[str, Event] = OrderedDict()
        self._greeted = False

    def put(self, about: str, event: Event) -> None:
        """Take one event, in the place of an unread one about the same subject. For the hub alone, under its lock."""
        self._waiting.pop(about, None)
        self._waiting[about] = event
        if len(self._waiting) > MOST_WAITING:
            self.ended = True

    def __iter__(self) -> EventStream:
        return self

    def __next__(self) -> str:
        """Return the next piece: all that waits, or a comment where nothing happened for a while."""
        if not self._greeted:
            self._greeted = True
            return f"retry: {RETRY_MILLISECONDS}\n\n"
        with self._changed:
            self._changed.wait_for(lambda: self.ended or self._waiting, self._heartbeat_seconds)
            if self.ended:
                raise StopIteration
            piece = "".join(event.text for event in self._waiting.values())
            self._waiting.clear()
        return piece or ": still here\n\n"

    def close(self) -> None:
        """Listen no more."""
        self._hub.leave(self)

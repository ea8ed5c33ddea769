"""What every request works with: the records, the clock, the computer and the jobs at work."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Flask, current_app

from mediaprep.bench import Bench
from mediaprep.config import Settings
from mediaprep.errors import NotFound, Usage
from mediaprep.model import Aircraft
from mediaprep.ports import CardAccess, Clock, HostAccess
from mediaprep.records import Store
from service.events import EventHub
from service.jobs import JobRunner
from service.readers import CardOpener, Readers, Watch
from service.sessions import Sessions

_KEY = "mediaprep"


@dataclass(frozen=True)
class State:
    """One service's surroundings. `open_card` turns a path on this computer into the card that is there.

    `sessions` are the browsers that were let in, `events` tells listeners what happens, `watch` looks for it.
    """

    settings: Settings
    records: Store
    clock: Clock
    host: HostAccess
    jobs: JobRunner
    open_card: CardOpener
    sessions: Sessions
    events: EventHub
    readers: Readers
    watch: Watch

    def bench(self, access: CardAccess) -> Bench:
        """Return a bench around one card; whoever wants to listen or stop puts that in."""
        return Bench(
            card=access,
            host=self.host,
            records=self.records,
            clock=self.clock,
            places=self.settings.places,
        )

    def aircraft(self, name: str | None) -> Aircraft:
        """Return the aircraft named, or the only one there is. Raise NotFound or Usage."""
        known = self.records.aircraft_list()
        wanted = [one for one in known if name in {None, one.name}]
        if len(wanted) == 1:
            return wanted[0]
        if wanted:
            names = ", ".join(one.name for one in wanted)
            message = f"Which aircraft? The records hold {names}"
            raise Usage(message, remedy="Say which in the query: ?aircraft=NAME.")
        message = f"There is no aircraft {name}" if name is not None else "The records hold no aircraft yet"
        raise NotFound(message, remedy="GET /api/v1/aircraft lists those there are; 'mediaprep aircraft add' adds one.")

    def close(self) -> None:
        """End all streams, stop all jobs, wait until each has said so in the records, and let the records go."""
        self.events.close()
        self.jobs.shutdown()
        self.records.close()


def attach(app: Flask, state: State) -> None:
    """Give an application its surroundings."""
    app.extensions[_KEY] = state


def state_of(app: Flask) -> State:
    """Return an application's surroundings."""
    state: State = app.extensions[_KEY]
    return state


def here() -> State:
    """Return the surroundings of the request that is being answered."""
    return state_of(current_app)

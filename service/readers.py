"""What is in the card readers now, and in the folders that are used like one: each with what the records know of it."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeAlias

from mediaprep.errors import CardGone, MediaPrepError
from mediaprep.model import (
    Card,
    CardFacts,
    Family,
    FileSystem,
    Fitness,
    Job,
    Load,
    LoadState,
    value_or_none,
)
from mediaprep.ports import CardAccess
from mediaprep.records import Store
from service.events import EventHub

# From a card's insertion to the page at most this long, plus the time to look.
LOOK_SECONDS = 0.25
# A large folder that plays a card takes long to look at: looking may take one part in so many of the time.
_LOOKING_SHARE = 10
MOST_FOLDERS = 16
_JOBS_WATCHED = 20

CardOpener: TypeAlias = Callable[[Path], CardAccess]
CardLister: TypeAlias = Callable[[], Iterable[CardAccess]]

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Medium:
    """What is known of a card in a reader without asking the records. None: it could not be had."""

    simulated: bool
    identity: str | None
    insertion: str | None
    reader: str | None
    label: str | None
    capacity_bytes: int | None
    # What a write changes all the time is no news.
    free_bytes: int | None = field(compare=False)
    family: Family | None
    file_system: FileSystem | None
    read_only: bool | None


@dataclass(frozen=True, slots=True)
class Place:
    """One place where a card can be. `target` is its path, `folder` whether the owner named it.

    `medium` None: no card is there; `problem` says why, with its `remedy`.
    """

    target: str
    folder: bool
    medium: Medium | None
    problem: str = ""
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class Reader:
    """A place, and what the records know of the card there. `card` None: they do not know it.

    `last_job` is the card's latest, `loads` those from this card that are on their way into a unit.
    """

    place: Place
    card: Card | None
    fitness: Fitness | None
    bundles: tuple[str, ...]
    last_job: Job | None
    loads: tuple[Load, ...]


class Readers:
    """The readers of this computer and the folders used like one. For use by several threads at once.

    The folders are kept until the service ends.
    """

    def __init__(self, records: Store, open_card: CardOpener, list_cards: CardLister) -> None:
        self._records = records
        self._open_card = open_card
        self._list_cards = list_cards
        self._lock = threading.Lock()
        self._folders: dict[str, None] = {}

    def use_folder(self, target: str) -> None:
        """Use a folder like a reader from now on; one more than `MOST_FOLDERS` takes the place of the first.

        Raise what `open_card` and the card's `facts` raise.
        """
        self._open_card(Path(target)).facts()
        with self._lock:
            self._folders[target] = None
            while len(self._folders) > MOST_FOLDERS:
                del self._folders[next(iter(self._folders))]

    def leave_folder(self, target: str) -> None:
        """Use a folder no more. It is no error if it was not used."""
        with self._lock:
            self._folders.pop(target, None)

    def glance(self) -> tuple[Place, ...]:
        """Return all places, readers first, without asking the records: cheap enough to do often."""
        with self._lock:
            folders = list(self._folders)
        inserted = []
        for access in self._list_cards():
            with suppress(CardGone):  # pulled out since it was listed
                facts = access.facts()
                if facts.target not in folders:
                    inserted.append(Place(facts.target, folder=False, medium=_medium(facts)))
        return (*inserted, *(self._folder(target) for target in folders))

    def look(self) -> tuple[Reader, ...]:
        """Return all places, with what the records know of the cards there."""
        return tuple(self._reader(place) for place in self.glance())

    def _folder(self, target: str) -> Place:
        try:
            return Place(target, folder=True, medium=_medium(self._open_card(Path(target)).facts()))
        except MediaPrepError as error:
            return Place(target, folder=True, medium=None, problem=str(error), remedy=error.remedy)

    def _reader(self, place: Place) -> Reader:
        identity = place.medium.identity if place.medium is not None else None
        card = self._records.recognise(identity) if identity is not None else None
        if card is None:
            return Reader(place, None, None, (), None, ())
        return Reader(
            place,
            card,
            self._records.fitness(card.name),
            self._records.card_bundles(card.name),
            next(iter(self._records.jobs(card.name, 1)), None),
            self._on_their_way(card),
        )

    def _on_their_way(self, card: Card) -> tuple[Load, ...]:
        written = self._records.last_write(card.name)
        if written is None or written.unit is None:
            return ()
        return tuple(
            load
            for load in self._records.loads(*written.unit)
            if load.card == card.name and load.state in {LoadState.PREPARED, LoadState.INSTALLED}
        )


class Watch:
    """Tells the listeners of a hub what changes in the readers, and in jobs of other programs: only while any listens.

    Its thread starts with the first listener and ends after the last.
    """

    def __init__(self, readers: Readers, records: Store, hub: EventHub, *, seconds: float = LOOK_SECONDS) -> None:
        self._readers = readers
        self._records = records
        self._hub = hub
        self._seconds = seconds
        self._lock = threading.Lock()
        self._at_work = False

    def start(self) -> None:
        """Watch, unless that is being done. To be called once a listener is there."""
        with self._lock:
            if not self._at_work:
                self._at_work = True
                threading.Thread(target=self._run, name="watch", daemon=True).start()

    def _run(self) -> None:
        places: tuple[Place, ...] | None = None
        jobs: dict[int, Job] | None = None
        while self._goes_on():
            started = time.monotonic()
            try:
                seen = self._readers.glance()
                if seen != places:
                    self._hub.publish("readers", {"readers": self._readers.look()}, about="readers")
                places = seen
                recent = self._jobs()
                for number, job in recent.items():
                    if jobs is not None and jobs.get(number) != job:
                        self._hub.publish("job", job, about=f"job {number}")
                jobs = recent
            except (MediaPrepError, OSError):
                # Such as records that are locked for a while: whoever listens must still hear what comes later.
                _log.warning("The readers could not be looked at", exc_info=True)
            took = time.monotonic() - started
            time.sleep(max(self._seconds, took * _LOOKING_SHARE))

    def _jobs(self) -> dict[int, Job]:
        return {job.number: job for job in self._records.jobs(None, _JOBS_WATCHED)}

    def _goes_on(self) -> bool:
        with self._lock:
            self._at_work = self._hub.listening
            return self._at_work


def _medium(facts: CardFacts) -> Medium:
    return Medium(
        simulated=facts.simulated,
        identity=value_or_none(facts.identity),
        insertion=value_or_none(facts.insertion),
        reader=value_or_none(facts.reader),
        label=value_or_none(facts.label),
        capacity_bytes=value_or_none(facts.capacity_bytes),
        free_bytes=value_or_none(facts.free_bytes),
        family=value_or_none(facts.family),
        file_system=value_or_none(facts.file_system),
        read_only=value_or_none(facts.read_only),
    )

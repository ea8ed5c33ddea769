"""What every command works with: its output, and the records, clock, host and bench, each made when first asked for."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from mediaprep.cli.output import Output
from mediaprep.errors import NotFound, Usage

if TYPE_CHECKING:
    from mediaprep.bench import Bench
    from mediaprep.config import Settings
    from mediaprep.model import Aircraft, Finding, Job
    from mediaprep.ports import CardAccess, Clock, HostAccess
    from mediaprep.progress import Throttle
    from mediaprep.records import Store

F = TypeVar("F", bound=Callable[..., Any])


class Desk:
    """One command's surroundings. What is given beforehand holds: the demonstration plays a computer that is full."""

    def __init__(
        self, *, settings: Settings | None = None, host: HostAccess | None = None, out: Output | None = None
    ) -> None:
        self.out = out or Output()
        self.exit_code = 0
        self._settings, self._host = settings, host
        self._cancelled = False

    @cached_property
    def settings(self) -> Settings:
        """Where things are kept and who is at work, from the environment."""
        from mediaprep.config import Settings

        return self._settings or Settings.from_environment()

    @cached_property
    def clock(self) -> Clock:
        """The system's clock."""
        from mediaprep.clock import SystemClock

        return SystemClock()

    @cached_property
    def host(self) -> HostAccess:
        """This computer."""
        from mediaprep.host import SystemHost

        return self._host or SystemHost(self.settings.station)

    @cached_property
    def records(self) -> Store:
        """The records, opened; jobs whose process died are closed first, and the owner is told."""
        from mediaprep.records import open_records

        store = open_records(self.settings, clock=self.clock)
        for job in store.settle_dead_jobs():
            self.out.note(_died(job))
        if store.clock_offset.off:
            from mediaprep.cli.words import describe_offset

            self.out.note(
                f"This computer's clock is {describe_offset(store.clock_offset)} that of the records: times in "
                "receipts and logbooks will be off by as much. Set it, then go on."
            )
        return store

    @cached_property
    def throttle(self) -> Throttle:
        """Progress on its way to this command's output, no faster than anyone can read it."""
        from mediaprep.progress import Throttle

        return Throttle(self.out.progress, self.clock.monotonic)

    def end_progress(self) -> None:
        """Let the last report out and the bars go."""
        if "throttle" in self.__dict__:
            self.throttle.close()
        self.out.end_progress()

    def bench(self, access: CardAccess, *, on_findings: Callable[[Sequence[Finding]], None] = lambda _: None) -> Bench:
        """Return a bench around one card, wired to this command's output."""
        from mediaprep.bench import Bench

        return Bench(
            card=access,
            host=self.host,
            records=self.records,
            clock=self.clock,
            places=self.settings.places,
            progress=self.throttle,
            on_findings=on_findings,
            cancelled=self.stopped,
        )

    def stopped(self) -> bool:
        """Say whether the owner asked for a stop."""
        return self._cancelled

    def aircraft(self, name: str | None) -> Aircraft:
        """Return the aircraft named, or the only one there is. Raise NotFound or Usage."""
        everyone = self.records.aircraft_list()
        if name is not None:
            for aircraft in everyone:
                if aircraft.name == name:
                    return aircraft
            message = f"No aircraft is called {name}"
            raise NotFound(message)
        if not everyone:
            message = "The records hold no aircraft yet"
            raise NotFound(message, remedy="Add yours: mediaprep aircraft add NAME")
        if len(everyone) > 1:
            names = ", ".join(aircraft.name for aircraft in everyone)
            message = f"Which aircraft? The records hold {names}"
            raise Usage(message, remedy="Say which with --aircraft NAME.")
        return everyone[0]

    @contextmanager
    def stoppable(self) -> Iterator[None]:
        """Let Ctrl-C and a termination request stop a job at the next chunk, with the records closed properly.

        A second Ctrl-C stops at once.
        """

        def stop(number: int, _frame: object) -> None:
            if self._cancelled and number == signal.SIGINT:
                raise KeyboardInterrupt
            self._cancelled = True

        kept = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            yield
        finally:
            for number, handler in kept.items():
                signal.signal(number, handler)

    def close(self) -> None:
        """Let everything go."""
        self.out.end_progress()
        if "records" in self.__dict__:
            self.records.close()


pass_desk = click.make_pass_decorator(Desk)


def _set_json(context: click.Context, _parameter: click.Parameter, value: bool) -> None:
    if value:
        context.ensure_object(Desk).out.json_lines = True


def json_option(function: F) -> F:
    """Give a command `--json`."""
    return click.option(
        "--json", is_flag=True, expose_value=False, is_eager=True, callback=_set_json, help="Print JSON lines."
    )(function)


def existing_path(text: str) -> Path:
    """Return a path the owner named, absolute, with `~` resolved."""
    return Path(text).expanduser().absolute()


def _died(job: Job) -> str:
    return f"Job {job.number} on card {job.card}: {job.detail}"

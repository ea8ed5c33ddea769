"""`mediaprep serve`: the application on a port of the loopback, until it is told to stop."""

from __future__ import annotations

import errno
import shlex
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from functools import partial
from typing import Any

from flask import Flask

from mediaprep.config import Settings
from mediaprep.errors import ServiceUnavailable
from mediaprep.send import AppriseSender
from service.app import create_app
from service.events import MOST_STREAMS
from service.problems import API
from service.scheduler import Reminding
from service.security import LOOPBACK, MOST_BODY_BYTES, START, TOKEN_FILE
from service.state import state_of

# Listeners to events keep a thread each; so many more are left for everything else.
_THREADS = MOST_STREAMS + 8


def serve(settings: Settings, *, port: int, say: Callable[..., None]) -> None:
    """Serve until Ctrl-C or a termination request, then stop all jobs, wait for them and return.

    `port` 0 takes a free one. `say` prints lines for people. Raise ServiceUnavailable where the port cannot be had.
    A second Ctrl-C does not wait.
    """
    with closing(_listen(port)) as listening, _application(settings) as app:
        with _server(app, listening) as run, _reminding(app), _stop_signals():
            _say_how_to_ask(settings, listening.getsockname()[1], state_of(app).sessions.new_code(), say)
            run()
        say("Stopping: jobs at work end at their next chunk.")


def _listen(port: int) -> socket.socket:
    """Return a socket that listens on a port of the loopback. Raise ServiceUnavailable."""
    try:
        return socket.create_server((LOOPBACK, port))
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            message = f"Port {port} of this computer is taken by another program"
            raise ServiceUnavailable(message) from error
        message = f"Port {port} of this computer cannot be had: {error.strerror}"
        raise ServiceUnavailable(message, remedy="Choose another port above 1023 with --port.") from error


@contextmanager
def _application(settings: Settings) -> Iterator[Flask]:
    """Give the application, and end it properly: jobs stopped and waited for, the records let go."""
    app = create_app(settings)
    try:
        yield app
    finally:
        state_of(app).close()


@contextmanager
def _reminding(app: Flask) -> Iterator[None]:
    """Send reminders while the block runs; at its end, wait for the message on its way."""
    state = state_of(app)
    with closing(Reminding(state.records, AppriseSender(), state.clock)):
        yield


@contextmanager
def _server(app: Flask, listening: socket.socket) -> Iterator[Callable[[], None]]:
    """Give what runs waitress's server, and close all its connections at the end."""
    from waitress import create_server, wasyncore

    connections: dict[int, Any] = {}
    server = create_server(
        app,
        map=connections,
        sockets=[listening],
        threads=_THREADS,
        ident=None,
        # The application refuses long before this, with a problem document; here it is for the spool on disk.
        max_request_body_size=16 * MOST_BODY_BYTES,
    )
    try:
        # Not its own `run`: that would wait for the threads of event streams, which have no end of their own.
        yield partial(wasyncore.loop, server.adj.asyncore_loop_timeout, server.adj.asyncore_use_poll, connections)
    finally:
        state_of(app).events.close()
        server.task_dispatcher.shutdown()
        wasyncore.close_all(connections)


@contextmanager
def _stop_signals() -> Iterator[None]:
    """Let Ctrl-C and a termination request both end the block, quietly. Afterwards they do what they did before."""

    def stop(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    kept = signal.signal(signal.SIGTERM, stop)
    try:
        with suppress(KeyboardInterrupt):
            yield
    finally:
        signal.signal(signal.SIGTERM, kept)


def _say_how_to_ask(settings: Settings, port: int, code: str, say: Callable[..., None]) -> None:
    address = f"http://{LOOPBACK}:{port}"
    file = settings.data_dir / TOKEN_FILE
    say(
        f"mediaprep is serving this computer at {address}/ (loopback only). Stop it with Ctrl-C.",
        "Open its pages with this link. It works once, within 15 minutes; 'mediaprep serve --link' prints another:",
        f"  {address}{START}{code}",
        f"The interface is under {address}{API}, described by {API}/openapi.json.",
        f"Its token is in {file}, readable by you only. Try:",
        f'  curl -H "Authorization: Bearer $(cat {shlex.quote(str(file))})" {address}{API}/aircraft',
    )

"""`mediaprep serve`: the application on a port of the loopback, until it is told to stop."""

from __future__ import annotations

import errno
import shlex
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from flask import Flask

from mediaprep.config import Settings
from mediaprep.errors import ServiceUnavailable
from service.app import create_app
from service.problems import API
from service.security import MOST_BODY_BYTES, TOKEN_FILE
from service.state import state_of

LOOPBACK = "127.0.0.1"
_THREADS = 8


def serve(settings: Settings, *, port: int, say: Callable[..., None]) -> None:
    """Serve until Ctrl-C or a termination request, then stop all jobs, wait for them and return.

    `port` 0 takes a free one. `say` prints lines for people. Raise ServiceUnavailable where the port cannot be had.
    A second Ctrl-C does not wait.
    """
    app = create_app(settings)
    try:
        server = _listen(app, port)
        try:
            _say_how_to_ask(settings, server.effective_port, say)
            with _stop_signals():
                server.run()  # returns on Ctrl-C
        finally:
            server.close()
        say("Stopping: jobs at work end at their next chunk.")
    finally:
        state_of(app).close()


def _listen(app: Flask, port: int) -> Any:
    """Bind the port and return waitress's server, which has no types."""
    import waitress

    try:
        return waitress.create_server(
            app,
            host=LOOPBACK,
            port=port,
            threads=_THREADS,
            ident=None,
            # The application refuses long before this, with a problem document; here it is for the spool on disk.
            max_request_body_size=16 * MOST_BODY_BYTES,
        )
    except OSError as error:
        if error.errno == errno.EADDRINUSE:
            message = f"Port {port} of this computer is taken by another program"
            raise ServiceUnavailable(message) from error
        message = f"Port {port} of this computer cannot be had: {error.strerror}"
        raise ServiceUnavailable(message, remedy="Choose another port above 1023 with --port.") from error


@contextmanager
def _stop_signals() -> Iterator[None]:
    """Make a termination request end the server as Ctrl-C does. Afterwards both do again what they did before."""

    def stop(_number: int, _frame: object) -> None:
        raise KeyboardInterrupt

    kept = signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, kept)


def _say_how_to_ask(settings: Settings, port: int, say: Callable[..., None]) -> None:
    address = f"http://{LOOPBACK}:{port}"
    file = settings.data_dir / TOKEN_FILE
    say(
        f"mediaprep is serving this computer at {address}/ (loopback only). Stop it with Ctrl-C.",
        f"The interface is under {address}{API}, described by {API}/openapi.json.",
        f"Its token is in {file}, readable by you only. Try:",
        f'  curl -H "Authorization: Bearer $(cat {shlex.quote(str(file))})" {address}{API}/aircraft',
    )

"""`mediaprep serve`: the local service."""

from __future__ import annotations

import click

from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.errors import ServiceUnavailable


@click.command(short_help="Serve the REST interface to this computer.")
@click.option("--port", default=8437, show_default=True, type=click.IntRange(0, 65535), help="0 takes a free one.")
@json_option
@pass_desk
def serve(desk: Desk, port: int) -> None:
    """Serve the REST interface to this computer (loopback only), until stopped with Ctrl-C."""
    # The service stands above the library, which must never need it; only this command reaches up, when it is run.
    import importlib

    try:
        server = importlib.import_module("service.server")
    except ImportError as error:
        message = f"The service is not installed: {error}"
        raise ServiceUnavailable(message, remedy="Install mediaprep with its service package.") from error
    server.serve(desk.settings, port=port, say=desk.out.text)
    desk.out.result()

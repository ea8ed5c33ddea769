"""`mediaprep serve`: the local service."""

from __future__ import annotations

import click

from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.errors import ServiceUnavailable


@click.command(short_help="Serve the pages and the REST interface to this computer.")
@click.option("--port", default=8437, show_default=True, type=click.IntRange(0, 65535), help="0 takes a free one.")
@click.option("--link", is_flag=True, help="Print a new link to the pages of the service at work, and end.")
@json_option
@pass_desk
def serve(desk: Desk, port: int, *, link: bool) -> None:
    """Serve the pages and the REST interface to this computer (loopback only), until stopped with Ctrl-C.

    It prints a link that opens the pages in a browser. The link works once; --link prints another one.
    """
    # The service stands above the library, which must never need it; only this command reaches up, when it is run.
    import importlib

    try:
        server = importlib.import_module("service.links" if link else "service.server")
    except ImportError as error:
        message = f"The service is not installed: {error}"
        raise ServiceUnavailable(message, remedy="Install mediaprep with its service package.") from error
    if link:
        address = server.ask_for_link(desk.settings, port)
        desk.out.text(address)
        desk.out.result(link=address)
        return
    server.serve(desk.settings, port=port, say=desk.out.text)
    desk.out.result()

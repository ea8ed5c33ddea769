"""`mediaprep serve --link`: a new link to the pages, from the service that is at work on this computer."""

from __future__ import annotations

import http.client
import json

from mediaprep.config import Settings
from mediaprep.errors import ServiceUnavailable
from service.problems import API
from service.security import LOOPBACK, token_of

_WAIT_SECONDS = 5


def ask_for_link(settings: Settings, port: int) -> str:
    """Return a link that opens the pages once. Raise ServiceUnavailable where no service of these records answers."""
    address = f"http://{LOOPBACK}:{port}"
    headers = {"Authorization": f"Bearer {token_of(settings.data_dir)}"}
    # Asked directly: a proxy that the environment names has no business with the loopback.
    connection = http.client.HTTPConnection(LOOPBACK, port, timeout=_WAIT_SECONDS)
    try:
        connection.request("POST", f"{API}/sign-in-links", headers=headers)
        answer = connection.getresponse()
        body = answer.read()
        if answer.status != http.client.OK:
            message = f"What answers at {address} gives no link: HTTP status {answer.status}"
            raise ServiceUnavailable(message, remedy="Is it the service of these records? Name its port with --port.")
        return f"{address}{json.loads(body)['path']}"
    except (OSError, http.client.HTTPException, ValueError, KeyError) as error:
        message = f"No service answers at {address}"
        remedy = "Start it with 'mediaprep serve', or name its port with --port."
        raise ServiceUnavailable(message, remedy=remedy) from error
    finally:
        connection.close()

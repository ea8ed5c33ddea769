"""Links that let a browser in."""

from __future__ import annotations

from werkzeug.exceptions import Forbidden

from service.api import Routes
from service.schemas import SignInLink
from service.security import START, session_here
from service.sessions import LINK_SECONDS
from service.state import here

routes = Routes("sign-in", "Links that let a browser in")


@routes.post("/sign-in-links", SignInLink, refusals=(403,))
def make_link() -> object:
    """Make a link that opens the pages in a browser: it works once, for so many `seconds`.

    It takes the token: a session cannot make others.
    """
    if session_here() is not None:
        message = "A link is made by a program that holds the token, not by a page"
        raise Forbidden(message)
    return {"path": f"{START}{here().sessions.new_code()}", "seconds": LINK_SECONDS}

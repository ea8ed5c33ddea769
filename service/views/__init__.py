"""The routes, one file for each subject. Views are thin: they read a request, call the library, and answer."""

from collections.abc import Sequence

from service.api import Routes
from service.views import bundles, cards, cycles, events, health, jobs, loads, panel, problems, readers, signin

ROUTES: Sequence[Routes] = (
    health.routes,
    panel.routes,
    bundles.routes,
    cards.routes,
    loads.routes,
    cycles.routes,
    jobs.routes,
    readers.routes,
    events.routes,
    signin.routes,
    problems.routes,
)

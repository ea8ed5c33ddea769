"""What every test shares: how hypothesis works here."""

import os

from hypothesis import settings

from tests.keyring import keyring
from tests.postgres import postgres
from tests.stores import store

__all__ = ["keyring", "postgres", "store"]

# No deadlines: they measure the machine, not the code. On CI the examples are the same every time.
settings.register_profile("mediaprep", deadline=None, derandomize=bool(os.environ.get("CI")))
settings.load_profile("mediaprep")

"""bagit.py as a second reader of bags.

Version 1.8.1, the last that comes as a wheel, asks `pkg_resources` for its own version number while it is imported.
Setuptools has not had that module since its version 82, so it is given a stand-in for that moment.
"""

from __future__ import annotations

import importlib
import importlib.metadata
import sys
import types
from typing import Any
from unittest import mock

_stand_in: Any = types.ModuleType("pkg_resources")
_stand_in.DistributionNotFound = importlib.metadata.PackageNotFoundError
_stand_in.get_distribution = importlib.metadata.distribution

with mock.patch.dict(sys.modules, {"pkg_resources": _stand_in}):
    bagit: Any = importlib.import_module("bagit")

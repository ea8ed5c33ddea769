"""Where the records are, and who is at work: from the environment, else from the computer itself."""

from __future__ import annotations

import getpass
import os
import platform
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Settings:
    """What a run of mediaprep needs to know before it opens its records. Making it touches no disk.

    `data_dir` holds the records of this computer. `database_url` names a database elsewhere, None for a file in
    `data_dir`; it may hold a password, so it is kept out of what is printed. `station` names this computer among
    those that share the records, `operator` the person at the bench.
    """

    data_dir: Path
    database_url: str | None = field(default=None, repr=False)
    station: str = "station"
    operator: str = "operator"

    @property
    def places(self) -> tuple[tuple[str, str], ...]:
        """The host's folders that jobs use, as (role, path)."""
        return (
            ("records", str(self.data_dir)),
            ("staging", str(self.data_dir / "staging")),
            ("temp", tempfile.gettempdir()),
        )

    @classmethod
    def from_environment(cls, environ: Mapping[str, str] | None = None) -> Settings:
        """Return the settings that hold here. A variable that is empty counts as not set.

        Read are `MEDIAPREP_DATA_DIR`, `MEDIAPREP_DATABASE_URL`, `MEDIAPREP_STATION` and `MEDIAPREP_OPERATOR`; else
        the platform's folder for a user's data, the computer's name and the user's name.
        """
        given = os.environ if environ is None else environ
        folder = given.get("MEDIAPREP_DATA_DIR")
        return cls(
            data_dir=Path(folder).expanduser().absolute() if folder else _user_data_dir(),
            database_url=given.get("MEDIAPREP_DATABASE_URL") or None,
            station=given.get("MEDIAPREP_STATION") or platform.node() or "unnamed station",
            operator=given.get("MEDIAPREP_OPERATOR") or _user_name(),
        )


def _user_data_dir() -> Path:
    from platformdirs import user_data_path

    return user_data_path("mediaprep", appauthor=False)


def _user_name() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):  # no entry for the user id, or no such module, as in some containers
        return "unnamed operator"

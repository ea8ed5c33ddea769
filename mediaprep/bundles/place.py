"""Where a bundle lies, as an owner writes it and as the records keep it: a path of this computer, or a store's URL."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from mediaprep.errors import Usage
from mediaprep.manifest import safe_path_problem

# What is opened at all. The library behind it knows dozens of schemes, most of which nobody here has tried.
SCHEMES = ("s3",)

_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]*)://(.*)", re.DOTALL)
_WRITE_IT = "Name a path, or a prefix of an S3-compatible store as s3://BUCKET/PREFIX."


@dataclass(frozen=True, slots=True)
class StoreUrl:
    """A prefix of a store, which plays a folder. `path` is the bucket and the prefix, without a slash at its ends."""

    scheme: str
    path: str

    def __str__(self) -> str:
        return f"{self.scheme}://{self.path}"

    @property
    def name(self) -> str:
        """The last part: what a folder would be called."""
        return self.path.rpartition("/")[2]


def is_url(text: str) -> bool:
    """Say whether a place is written as a URL and not as a path."""
    return _SCHEME.match(text) is not None


def find_place(text: str) -> Path | StoreUrl:
    """Return the place that a text names: a path, absolute and with `~` resolved, or a store's URL. Opens nothing.

    Raise Usage for a URL that is none of SCHEMES, or that holds more than a bucket and a prefix. The message does not
    repeat it then: there may be a secret in it.
    """
    match = _SCHEME.match(text)
    if match is None:
        return Path(text).expanduser().absolute()
    scheme, rest = match[1].lower(), match[2].rstrip("/")
    if scheme not in SCHEMES:
        message = f"Bundles cannot be read from a URL that starts with {scheme}://, only with {_allowed()}"
        raise Usage(message, remedy=_WRITE_IT)
    bucket = rest.partition("/")[0]
    if "@" in bucket or ":" in bucket:
        message = f"The {scheme}:// URL holds more than a bucket's name before its first slash, such as a password"
        remedy = (
            "Leave it out, and change the password if it was one: others can see a command. Keep credentials where "
            "programs for S3 look for them: the environment, or the profile in ~/.aws."
        )
        raise Usage(message, remedy=remedy)
    if "?" in rest or "#" in rest:
        message = f"The {scheme}:// URL has a ? or # in it, and only a bucket and a prefix can be named"
        raise Usage(message, remedy=_WRITE_IT)
    problem = safe_path_problem(rest)
    if problem is not None:
        message = f"The bucket and prefix in the {scheme}:// URL cannot be used: what is named there {problem}"
        raise Usage(message, remedy=_WRITE_IT)
    return StoreUrl(scheme, rest)


def _allowed() -> str:
    return " or ".join(f"{scheme}://" for scheme in SCHEMES)

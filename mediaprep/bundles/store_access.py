"""The door to the libraries behind stores, and their errors in our words.

Credentials are the library's business: it finds them in the environment or in the profile of whoever runs this. They
are never asked for, passed on or kept here, and no text of the library or the store gets into an error, as one may
repeat a key or an address with a password. Only the store's code for what went wrong does.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from mediaprep.bundles.place import StoreUrl
from mediaprep.errors import BundleUnreadable, SourceChanged
from mediaprep.names import printable

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem

# A store that does not answer is given up after the tries of both layers, each as long as this at most: 90 seconds.
CONNECT_SECONDS = 10
READ_SECONDS = 15
_REQUEST_TRIES = 3
_READ_TRIES = 2

_CODE_SHOWN_MAX = 60
_RIGHTS = (
    "See that the credentials on this station (environment, or profile in ~/.aws) may list the bucket and read its "
    "objects."
)
_NO_RIGHTS = (
    "Give this station credentials where programs for S3 look for them: AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, "
    "or a profile in ~/.aws named by AWS_PROFILE."
)
_NOT_THERE = "See that bucket and prefix are right, and that AWS_ENDPOINT_URL names the store that has them."
_NETWORK = "See that the network and the store are up and that AWS_ENDPOINT_URL is right, then give the command again."


def connect(url: StoreUrl) -> tuple[AbstractFileSystem, str]:
    """Return a store, for reading, and the path of a URL in it. Nothing is sent yet.

    Raise BundleUnreadable where the libraries are not installed.
    """
    try:
        from fsspec.core import url_to_fs

        if url.scheme == "s3":
            import s3fs  # noqa: F401 - asked for by its name
    except ImportError as error:
        message = f"{url} cannot be read: what reads bundles from a store is not installed"
        raise BundleUnreadable(message, remedy="Run: pip install 'mediaprep[stations]'") from error
    # Nothing remembered: neither a listing, which may be stale, nor a session with the credentials of an hour ago.
    options: dict[str, Any] = {"use_listings_cache": False, "skip_instance_cache": True}
    if url.scheme == "s3":
        options["config_kwargs"] = {
            "connect_timeout": CONNECT_SECONDS,
            "read_timeout": READ_SECONDS,
            "retries": {"total_max_attempts": _REQUEST_TRIES, "mode": "standard"},
        }
    with telling(f"The store of {url}"):
        files, root = url_to_fs(str(url), **options)
    if url.scheme == "s3":
        files.retries = _READ_TRIES
    return files, root


@contextmanager
def telling(what: str) -> Iterator[None]:
    """Turn what the libraries raise into BundleUnreadable, or SourceChanged where an object was replaced meanwhile.

    `what` starts the sentence: the object and the store.
    """
    from aiohttp import ClientError as HttpError
    from botocore.exceptions import (
        BotoCoreError,
        ClientError,
        NoCredentialsError,
        PartialCredentialsError,
        ProfileNotFound,
    )
    from s3fs.utils import FileExpired

    try:
        yield
    except FileExpired as error:
        message = f"{what} was replaced while it was being read"
        raise SourceChanged(message) from error
    except (NoCredentialsError, PartialCredentialsError, ProfileNotFound) as error:
        message = f"{what} cannot be read: no usable credentials were found"
        raise BundleUnreadable(message, remedy=_NO_RIGHTS) from error
    except (OSError, BotoCoreError, ClientError, HttpError, ValueError) as error:
        reason, remedy = _reason(error)
        raise BundleUnreadable(f"{what} cannot be read: {reason}", remedy=remedy) from error


def _reason(error: Exception) -> tuple[str, str]:
    code = _code(error)
    shown = f" ({code})" if code else ""
    if code == "NoSuchBucket":
        return f"there is no such bucket{shown}", _NOT_THERE
    if isinstance(error, PermissionError):
        return f"the store denied access{shown}", _RIGHTS
    if isinstance(error, FileNotFoundError):
        return f"it is not there{shown}", _NOT_THERE
    if code:
        return f"the store answered with an error{shown}", _NETWORK
    return f"the store cannot be reached, or stopped answering ({type(error).__name__})", _NETWORK


def _code(error: Exception) -> str:
    """Return the store's own short code for an error, fit to be shown; empty where the store did not answer."""
    for one in (error, error.__cause__):
        response = getattr(one, "response", None)
        if isinstance(response, dict):
            return printable(str(response.get("Error", {}).get("Code", "")))[:_CODE_SHOWN_MAX]
    return ""

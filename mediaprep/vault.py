"""The platform's keyring, where the package `keyring` is installed: for addresses that are not to lie in the records.

It is the keyring of one user on one computer. Another station cannot read what lies in it.
"""

from __future__ import annotations

import importlib
from types import ModuleType

from mediaprep.errors import Usage

SERVICE = "mediaprep reminder target"


def keep(name: str, secret: str) -> None:
    """Put a secret into the keyring under a name. Raise Usage where there is no keyring to be had."""
    keyring = _keyring()
    if keyring is None:
        message = "The Python package keyring is not installed, so there is no keyring to put the address into"
        raise Usage(message, remedy="Install it (pip install keyring), or leave out --keyring.")
    try:
        keyring.set_password(SERVICE, name, secret)
    except Exception as error:  # noqa: BLE001 - each backend has errors of its own, and one might hold the secret
        message = f"The keyring did not take the address ({type(error).__name__})"
        raise Usage(message, remedy="Unlock the keyring, or leave out --keyring.") from None


def fetch(name: str) -> str | None:
    """Return the secret under a name, None where this computer's keyring does not have it or cannot be read."""
    keyring = _keyring()
    if keyring is None:
        return None
    try:
        found = keyring.get_password(SERVICE, name)
    except Exception:  # noqa: BLE001 - as above: locked, absent or broken, it is all the same to the reader
        return None
    return None if found is None else str(found)


def forget(name: str) -> None:
    """Take the secret under a name out of the keyring, where it is there."""
    keyring = _keyring()
    if keyring is not None:
        try:
            keyring.delete_password(SERVICE, name)
        except Exception:  # noqa: BLE001 - it was not there, or is out of reach: the target is gone either way
            return


def _keyring() -> ModuleType | None:
    try:
        return importlib.import_module("keyring")
    except ImportError:
        return None

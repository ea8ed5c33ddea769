"""Signatures by an outside program: Debian's gpg, with keys that live as long as the tests."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.tools import need, run

# An instant long ago, as gpg takes it.
OLD = "20240102T000000"


@dataclass(frozen=True)
class Keyring:
    """gpg with a home of its own. Its agent ends with the home."""

    home: Path

    def gpg(self, *arguments: object) -> str:
        quiet = ("--batch", "--quiet", "--no-tty", "--passphrase", "", "--pinentry-mode", "loopback")
        return run("gpg", *quiet, *arguments, env={"GNUPGHOME": str(self.home)})

    def make(self, who: str, algorithm: str = "ed25519", expires: str = "never", *more: str) -> str:
        """Make a key and return its fingerprint in lower case."""
        self.gpg(*more, "--quick-gen-key", f"{who}@example.org", algorithm, "sign", expires)
        return self.fingerprints(who)[0]

    def fingerprints(self, who: str) -> list[str]:
        """Return the fingerprints of a key and of its subkeys."""
        lines = self.gpg("--with-colons", "--list-keys", f"{who}@example.org").splitlines()
        return [line.split(":")[9].lower() for line in lines if line.startswith("fpr:")]

    def key(self, *who: str, armored: bool = False) -> Path:
        to = self.home.parent / f"{'-'.join(who)}.{'asc' if armored else 'gpg'}"
        to.unlink(missing_ok=True)
        armor = ["--armor"] if armored else []
        self.gpg(*armor, "--output", to, "--export", *(f"{one}@example.org" for one in who))
        return to

    def sign(self, signed: Path, *who: str, armored: bool = False, more: tuple[str, ...] = ()) -> Path:
        to = signed.with_name(f"{signed.name}.{'asc' if armored else 'sig'}")
        to.unlink(missing_ok=True)
        users = [part for one in who for part in ("--local-user", f"{one}@example.org")]
        how = ["--armor"] if armored else []
        self.gpg(*how, *more, *users, "--output", to, "--detach-sign", signed)
        return to


@pytest.fixture(scope="session")
def keyring(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Keyring]:
    need("gpg", "gpg-agent", "gpgconf")
    # Short, as the agent's socket has its path in it.
    home = tmp_path_factory.mktemp("k") / "h"
    home.mkdir(mode=0o700)
    made = Keyring(home)
    made.make("ed")
    made.make("rsa", "rsa3072")
    made.make("other")
    yield made
    run("gpgconf", "--kill", "all", env={"GNUPGHOME": str(home)})

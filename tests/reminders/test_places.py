"""Where hosts lead, and the keyring that may be there or not."""

from __future__ import annotations

import sys
from types import ModuleType

import pytest

from mediaprep import vault
from mediaprep.errors import Usage
from mediaprep.locality import local_host


@pytest.mark.parametrize(
    ("addresses", "local"),
    [
        (["192.0.2.1"], False),
        (["192.0.2.1", "127.0.0.1"], True),
        (["127.0.1.1"], True),
        (["::"], True),
        (["fe80::1%eth0"], True),
        (["::ffff:169.254.169.254"], True),
        (["::ffff:192.0.2.1"], False),
        (["10.0.0.7"], False),
        ([], False),
    ],
)
def test_a_name_is_local_when_any_of_its_addresses_is(addresses: list[str], local: bool) -> None:
    assert (local_host(["hangar"], lambda _: addresses) == "hangar") is local


def test_the_first_local_host_is_named_and_brackets_do_not_matter() -> None:
    assert local_host(["192.0.2.1", "127.1", "[::1]"]) == "127.1"
    assert local_host(["[::1]"]) == "[::1]"
    assert local_host(["x" * 70 + ".invalid", "a..b"]) is None
    assert local_host([]) is None


class FakeKeyring(ModuleType):
    """Stands for the package `keyring`: the same three calls."""

    def __init__(self) -> None:
        super().__init__("keyring")
        self.held: dict[tuple[str, str], str] = {}
        self.locked = False

    def set_password(self, service: str, name: str, secret: str) -> None:
        self._open()
        self.held[service, name] = secret

    def get_password(self, service: str, name: str) -> str | None:
        self._open()
        return self.held.get((service, name))

    def delete_password(self, service: str, name: str) -> None:
        self._open()
        del self.held[service, name]

    def _open(self) -> None:
        if self.locked:
            message = "locked, with path-secret"
            raise RuntimeError(message)


def test_a_secret_goes_into_the_keyring_and_out(monkeypatch: pytest.MonkeyPatch) -> None:
    keyring = FakeKeyring()
    monkeypatch.setitem(sys.modules, "keyring", keyring)
    vault.keep("entry", "hook://secret")
    assert keyring.held == {(vault.SERVICE, "entry"): "hook://secret"}
    assert vault.fetch("entry") == "hook://secret"
    vault.forget("entry")
    assert vault.fetch("entry") is None
    vault.forget("entry")


def test_a_locked_keyring_is_told_without_what_it_said(monkeypatch: pytest.MonkeyPatch) -> None:
    keyring = FakeKeyring()
    keyring.locked = True
    monkeypatch.setitem(sys.modules, "keyring", keyring)
    with pytest.raises(Usage, match=r"did not take the address \(RuntimeError\)") as caught:
        vault.keep("entry", "hook://path-secret")
    assert caught.value.__suppress_context__
    assert vault.fetch("entry") is None
    vault.forget("entry")


def test_without_the_package_nothing_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "keyring", None)
    with pytest.raises(Usage, match="keyring is not installed"):
        vault.keep("entry", "hook://secret")
    assert vault.fetch("entry") is None
    vault.forget("entry")

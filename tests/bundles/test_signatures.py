"""Detached signatures, made by an outside program, and every way in which one may not hold.

The program is Debian's gpg, with keys that live as long as the test.
"""

from __future__ import annotations

import contextlib
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.bundles import open_bundle
from mediaprep.errors import BundleUnreadable, SignatureInvalid
from mediaprep.intake import take_in
from mediaprep.model import BundleSignature
from mediaprep.signatures import KEY_BYTES_MAX, SIGNATURE_BYTES_MAX, Claim, verify
from tests.keyring import OLD, Keyring

LIST = b"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad  a.bin\n"  # SHA-256 of "abc": FIPS 180-4


@pytest.fixture
def sums(tmp_path: Path) -> Path:
    made = tmp_path / "SHA256SUMS"
    made.write_bytes(LIST)
    return made


def now() -> datetime:
    return datetime.now(UTC)


def told(claim: Claim) -> SignatureInvalid:
    with pytest.raises(SignatureInvalid) as caught:
        verify(claim)
    return caught.value


# --- good ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("who", ["ed", "rsa"])
@pytest.mark.parametrize("armored", [False, True])
def test_a_signature_of_either_form_is_good_and_the_key_is_told(
    keyring: Keyring, sums: Path, who: str, armored: bool
) -> None:
    signature = keyring.sign(sums, who, armored=armored)
    assert signature.read_bytes().startswith(b"-----BEGIN PGP SIGNATURE-----") is armored
    for key in (keyring.key(who), keyring.key(who, armored=True)):
        claim = Claim(sums, signature, key, now())
        proven = BundleSignature("SHA256SUMS", keyring.fingerprints(who)[0])
        assert verify(claim) == proven
        assert verify(claim, content=LIST) == proven


def test_a_subkey_signs_for_its_certificate(keyring: Keyring, sums: Path) -> None:
    primary = keyring.make("sub")
    keyring.gpg("--quick-add-key", primary.upper(), "ed25519", "sign", "never")
    fingerprints = keyring.fingerprints("sub")
    assert len(fingerprints) == 2
    signature = keyring.sign(sums, "sub")
    assert fingerprints[1].upper() in keyring.gpg("--list-packets", signature).upper(), "the subkey made it"
    assert verify(Claim(sums, signature, keyring.key("sub"), now())).key_fingerprint == primary


@pytest.mark.parametrize("who", ["ed", "rsa"])
@pytest.mark.parametrize("armored", [False, True])
def test_of_several_signatures_one_by_the_owners_key_is_enough(
    keyring: Keyring, sums: Path, who: str, armored: bool
) -> None:
    signature = keyring.sign(sums, "ed", "rsa", armored=armored)
    proven = verify(Claim(sums, signature, keyring.key(who), now()))
    assert proven.key_fingerprint == keyring.fingerprints(who)[0]


def test_of_several_keys_in_a_file_the_one_that_signed_is_told(keyring: Keyring, sums: Path) -> None:
    signature = keyring.sign(sums, "rsa")
    proven = verify(Claim(sums, signature, keyring.key("other", "rsa", "ed"), now()))
    assert proven.key_fingerprint == keyring.fingerprints("rsa")[0]


# --- bad -------------------------------------------------------------------------------------------------------------


def test_a_file_that_was_altered_is_refused(keyring: Keyring, sums: Path) -> None:
    claim = Claim(sums, keyring.sign(sums, "ed"), keyring.key("ed"), now())
    for place in range(len(LIST)):
        altered = LIST[:place] + bytes([LIST[place] ^ 1]) + LIST[place + 1 :]
        with pytest.raises(SignatureInvalid):
            verify(claim, content=altered)
    for altered in (b"", LIST[:-1], LIST + b"\n", LIST.replace(b"\n", b"\r\n")):
        sums.write_bytes(altered)
        assert f"no good signature of {sums}" in str(told(claim))


def test_a_key_that_did_not_make_it_is_refused_and_both_are_named(keyring: Keyring, sums: Path) -> None:
    error = told(Claim(sums, keyring.sign(sums, "ed"), keyring.key("other", "rsa"), now()))
    for who in ("ed", "other", "rsa"):
        assert keyring.fingerprints(who)[0].upper() in str(error)
    assert "another place" in error.remedy


def test_an_expired_key_is_refused_even_for_what_it_signed_before(keyring: Keyring, sums: Path) -> None:
    """gpg only warns here. A date in a signature is what its maker says, and whoever has found an old key may lie."""
    keyring.make("old", "ed25519", "2024-06-01", "--faked-system-time", OLD)
    claim = Claim(sums, keyring.sign(sums, "old", more=("--faked-system-time", OLD)), keyring.key("old"), now())
    error = told(claim)
    assert "expired on 2024-06-01" in str(error)
    assert "as it is now" in error.remedy
    before = Claim(sums, claim.signature, claim.key, datetime(2024, 5, 31, tzinfo=UTC))
    assert verify(before).key_fingerprint == keyring.fingerprints("old")[0]


def test_a_key_that_expires_later_is_good_until_then(keyring: Keyring, sums: Path) -> None:
    keyring.make("later", "ed25519", "10d")
    signature, key = keyring.sign(sums, "later"), keyring.key("later")
    verify(Claim(sums, signature, key, now() + timedelta(days=9)))
    assert "expired on" in str(told(Claim(sums, signature, key, now() + timedelta(days=11))))


def test_a_revoked_key_is_refused(keyring: Keyring, sums: Path) -> None:
    fingerprint = keyring.make("gone")
    signature = keyring.sign(sums, "gone")
    verify(Claim(sums, signature, keyring.key("gone"), now()))
    # gpg makes the revocation with the key, and puts a colon before it so that none is taken in by mistake.
    made = keyring.home / "openpgp-revocs.d" / f"{fingerprint.upper()}.rev"
    revocation = keyring.home / "revocation.asc"
    revocation.write_text(made.read_text().replace(":-----BEGIN", "-----BEGIN"))
    keyring.gpg("--import", revocation)
    error = told(Claim(sums, signature, keyring.key("gone"), now()))
    assert f"{fingerprint.upper()} in {keyring.key('gone')} was revoked" in str(error)


@pytest.mark.parametrize(
    "more",
    [
        ("--digest-algo", "SHA1", "--allow-weak-digest-algos"),
        ("--faked-system-time", "20990101T000000"),
    ],
    ids=["made with SHA-1", "from the future"],
)
def test_a_signature_that_the_librarys_policy_does_not_let_pass_is_refused(
    keyring: Keyring, sums: Path, more: tuple[str, ...]
) -> None:
    signature = keyring.sign(sums, "rsa", more=more)
    assert "no good signature" in str(told(Claim(sums, signature, keyring.key("rsa"), now())))


# --- what is none ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("how", ["--clearsign", "--sign", "--textmode --detach-sign", "--export"])
def test_what_is_no_detached_signature_over_bytes_is_refused(keyring: Keyring, sums: Path, how: str) -> None:
    """One over text says nothing of how lines end: bytes of an archive could be altered under it."""
    other = sums.with_name("other.asc")
    keyring.gpg("--local-user", "ed@example.org", "--output", other, *how.split(), *([sums] if "sign" in how else []))
    assert f"{other} is no detached OpenPGP signature" in str(told(Claim(sums, other, keyring.key("ed"), now())))


@pytest.mark.parametrize("content", [b"", b"no signature\n", bytes(1000), b"-----BEGIN PGP SIGNATURE-----\n\nAAAA\n"])
def test_files_that_are_neither_signature_nor_key_are_named(keyring: Keyring, sums: Path, content: bytes) -> None:
    signature, key = keyring.sign(sums, "ed"), keyring.key("ed")
    junk = sums.with_name("junk")
    junk.write_bytes(content)
    assert f"{junk} is no detached OpenPGP signature" in str(told(Claim(sums, junk, key, now())))
    assert f"{junk} holds no OpenPGP key" in str(told(Claim(sums, signature, junk, now())))
    assert f"{signature} holds no OpenPGP key" in str(told(Claim(sums, signature, signature, now())))


def test_files_that_are_not_there_or_far_too_large_are_named(keyring: Keyring, sums: Path) -> None:
    signature, key, none = keyring.sign(sums, "ed"), keyring.key("ed"), sums.with_name("none")
    assert f"The signature {none} cannot be read" in str(told(Claim(sums, none, key, now())))
    assert f"The key {none} cannot be read" in str(told(Claim(sums, signature, none, now())))
    with pytest.raises(BundleUnreadable, match="The signed file"):
        verify(Claim(none, signature, key, now()))
    large = sums.with_name("large")
    for bytes_max, claim in (
        (SIGNATURE_BYTES_MAX, Claim(sums, large, key, now())),
        (KEY_BYTES_MAX, Claim(sums, signature, large, now())),
    ):
        with large.open("wb") as file:
            file.truncate(bytes_max + 1)
        assert f"{large} has more than {bytes_max} bytes" in str(told(claim))


@given(place=st.integers(0, 10_000), flip=st.integers(1, 255), cut=st.booleans())
def test_whatever_is_damaged_there_is_an_answer_in_our_words(
    keyring: Keyring, tmp_path_factory: pytest.TempPathFactory, place: int, flip: int, cut: bool
) -> None:
    """A damaged signature or key is refused, or still says what it said: not every byte of either is signed."""
    folder = tmp_path_factory.mktemp("damaged")
    sums = folder / "SUMS"
    sums.write_bytes(LIST)
    signature, key = keyring.sign(sums, "ed"), keyring.key("ed")
    for good in (signature, key):
        content = good.read_bytes()
        at = place % len(content)
        bad = folder / "bad"
        bad.write_bytes(content[:at] + (b"" if cut else bytes([content[at] ^ flip]) + content[at + 1 :]))
        claim = Claim(sums, bad if good == signature else signature, bad if good == key else key, now())
        with contextlib.suppress(SignatureInvalid):
            assert verify(claim) == BundleSignature("SUMS", keyring.fingerprints("ed")[0])


# --- taking in -------------------------------------------------------------------------------------------------------


def test_a_signed_list_speaks_for_the_files_and_is_looked_to_first(keyring: Keyring, sums: Path) -> None:
    folder = sums.with_name("set")
    folder.mkdir()
    (folder / "a.bin").write_bytes(b"abc")
    claim = Claim(sums, keyring.sign(sums, "ed"), keyring.key("ed"), now())

    def taken() -> BundleSignature | None:
        source = open_bundle(folder)
        return take_in(
            source, [sums], unlisted_too=False, claim=claim, progress=lambda _: None, cancelled=lambda: False
        ).signature

    assert taken() == BundleSignature("SHA256SUMS", keyring.fingerprints("ed")[0])
    # Not a list at all any more, and the file differs too: what is told is that it is not the publisher's.
    sums.write_bytes(b"?\n")
    (folder / "a.bin").write_bytes(b"abd")
    with pytest.raises(SignatureInvalid, match="no good signature"):
        taken()


def test_an_archive_may_be_signed_itself(keyring: Keyring, tmp_path: Path) -> None:
    archive = tmp_path / "set.zip"
    with zipfile.ZipFile(archive, "w") as made:
        made.writestr("a.bin", b"abc")
    claim = Claim(archive, keyring.sign(archive, "rsa"), keyring.key("rsa"), now())

    def taken() -> BundleSignature | None:
        source = open_bundle(archive)
        return take_in(
            source, [], unlisted_too=False, claim=claim, progress=lambda _: None, cancelled=lambda: False
        ).signature

    assert taken() == BundleSignature("set.zip", keyring.fingerprints("rsa")[0])
    # Still a good archive with the same file in it: only its comment is another.
    with zipfile.ZipFile(archive, "a") as made:
        made.comment = b"changed"
    with pytest.raises(SignatureInvalid, match="no good signature"):
        taken()

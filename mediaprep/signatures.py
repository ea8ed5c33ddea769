"""Detached OpenPGP signatures over one file, checked with a key that the owner names. No key is fetched or kept."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from mediaprep.errors import BundleUnreadable, SignatureInvalid
from mediaprep.model import BundleSignature

if TYPE_CHECKING:
    from pysequoia import Cert, Sig

# A signature has a few hundred bytes, and a key with many certifications some hundred thousand.
SIGNATURE_BYTES_MAX = 2**20
KEY_BYTES_MAX = 2**24


@dataclass(frozen=True, slots=True)
class Claim:
    """That `signature`, a detached one, was made over the bytes of `signed` by a key in `key`.

    `at`: when the key must still hold, which is now.
    """

    signed: Path
    signature: Path
    key: Path
    at: datetime


@dataclass(frozen=True, slots=True)
class _Key:
    """A certificate with the fingerprints and identifiers of all its keys, subkeys too."""

    cert: Cert
    names: frozenset[str]


def verify(claim: Claim, *, content: bytes | None = None) -> BundleSignature:
    """Return what a claim proves, or raise SignatureInvalid; BundleUnreadable where the signed file cannot be read.

    `content`: the bytes of the signed file where the caller has them, so that what is proven is what it goes by. What
    makes a signature good is the library's policy (no broken hashes, made while the key was valid). In addition the key
    must be neither expired nor revoked at the time of the claim: who finds an old key can date a signature back.
    """
    keys = _keys(claim)
    signatures = _signatures(claim)
    fitting = [(one, key) for one in signatures for key in keys if _names(one) & key.names]
    if not fitting:
        raise _made_by_another(claim, signatures, keys)
    good = [(one, key) for one, key in fitting if _why_unfit(key.cert, claim.at) is None]
    if not good:
        cert = fitting[0][1].cert
        message = f"The key {cert.fingerprint.upper()} in {claim.key} {_why_unfit(cert, claim.at)}"
        remedy = "Ask the publisher for the key as it is now, or for a signature by a new one."
        raise SignatureInvalid(message, remedy=remedy)
    for signature, key in good:
        if _is_good(claim, signature, key.cert, content):
            return BundleSignature(claim.signed.name, key.cert.fingerprint)
    message = (
        f"{claim.signature} is no good signature of {claim.signed}: the file is not as it was signed, or the signature "
        "has lapsed or was made in a way that is not safe any more"
    )
    raise SignatureInvalid(message)


def _is_good(claim: Claim, signature: Sig, cert: Cert, content: bytes | None) -> bool:
    import pysequoia

    try:
        with claim.signed.open("rb"):
            pass
    except OSError as error:
        message = f"The signed file {claim.signed} cannot be read: {error.strerror}"
        raise BundleUnreadable(message) from error
    try:
        if content is None:
            pysequoia.verify(file=claim.signed, store=lambda _: [cert], signature=signature)
        else:
            pysequoia.verify(bytes=content, store=lambda _: [cert], signature=signature)
    except RuntimeError:
        return False
    return True


def _why_unfit(cert: Cert, at: datetime) -> str | None:
    """Return why a key counts no longer at an instant, as the end of a sentence; None where it does."""
    try:
        expires_at, is_revoked = cert.expiration, cert.is_revoked
    except RuntimeError:
        return "is bound in a way that is not safe any more"
    if is_revoked:
        return "was revoked by its owner"
    if expires_at is not None and expires_at <= at:
        return f"expired on {expires_at:%Y-%m-%d}"
    return None


# --- reading ---------------------------------------------------------------------------------------------------------


def _keys(claim: Claim) -> tuple[_Key, ...]:
    from pysequoia import Cert

    content = _bytes_of(claim.key, KEY_BYTES_MAX, "key")
    try:
        found = tuple(_Key(cert, frozenset(_names_in(cert))) for cert in Cert.split_bytes(content))
    except RuntimeError as error:
        raise _no_key(claim) from error
    if not found:
        raise _no_key(claim)
    return found


def _names_in(cert: Cert) -> Iterator[str]:
    from pysequoia.packet import PacketPile

    for packet in PacketPile.from_bytes(bytes(cert)):
        # Of the packets in a certificate, its keys alone have these.
        yield from filter(None, (packet.fingerprint, packet.key_id))


def _signatures(claim: Claim) -> tuple[Sig, ...]:
    """Return the signatures in a file: several where several keys have signed.

    Those over text are passed over: they say nothing of how lines end, so a file could be altered under them.
    """
    from pysequoia import Sig
    from pysequoia.packet import PacketPile, SignatureType, Tag

    content = _bytes_of(claim.signature, SIGNATURE_BYTES_MAX, "signature")
    try:
        packets = list(PacketPile.from_bytes(content))
        is_detached = all(packet.tag == Tag.Signature for packet in packets)
        found = [Sig.from_bytes(bytes(packet)) for packet in packets] if is_detached else []
    except RuntimeError as error:
        raise _no_signature(claim) from error
    over_bytes = tuple(one for one in found if one.signature_type == SignatureType.Binary)
    if not over_bytes:
        raise _no_signature(claim)
    return over_bytes


def _names(signature: Sig) -> frozenset[str]:
    return frozenset(filter(None, (signature.issuer_fingerprint, signature.issuer_key_id)))


def _bytes_of(path: Path, bytes_max: int, what: str) -> bytes:
    try:
        with path.open("rb") as file:
            content = file.read(bytes_max + 1)
    except OSError as error:
        message = f"The {what} {path} cannot be read: {error.strerror}"
        raise SignatureInvalid(message, remedy=f"Make the {what} readable, then try again.") from error
    if len(content) > bytes_max:
        message = f"{path} has more than {bytes_max} bytes: that is no {what}"
        raise SignatureInvalid(message, remedy=f"Name the file that holds the {what}.")
    return content


# --- refusals --------------------------------------------------------------------------------------------------------


def _no_key(claim: Claim) -> SignatureInvalid:
    message = f"{claim.key} holds no OpenPGP key that can be read"
    return SignatureInvalid(message, remedy="Name the file with the publisher's public key: --key FILE.")


def _no_signature(claim: Claim) -> SignatureInvalid:
    message = f"{claim.signature} is no detached OpenPGP signature over the bytes of a file"
    return SignatureInvalid(message, remedy="Name the file that the publisher has beside the signed one: .sig or .asc.")


def _made_by_another(claim: Claim, signatures: Sequence[Sig], keys: Sequence[_Key]) -> SignatureInvalid:
    made_by = sorted({(one.issuer_fingerprint or one.issuer_key_id or "one not named").upper() for one in signatures})
    held = sorted(key.cert.fingerprint.upper() for key in keys)
    message = (
        f"{claim.signature} was not made by a key in {claim.key}: it was made by {_few(made_by)}, "
        f"and the file holds {_few(held)}"
    )
    remedy = (
        "Get the publisher's key again, from another place than the files. If it is the same key, do not use the files."
    )
    return SignatureInvalid(message, remedy=remedy)


def _few(names: Sequence[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")

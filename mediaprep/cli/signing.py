"""What `--signature`, `--key` and `--signs` say together: which file a publisher's signature is to be good for."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from mediaprep.cli.desk import existing_path
from mediaprep.errors import SignatureInvalid, Usage

if TYPE_CHECKING:
    from mediaprep.signatures import Claim


def claim_of(
    checksum_files: Sequence[Path],
    *,
    archive: Path | None,
    signature: str | None,
    key: str | None,
    signs: str | None,
    at: datetime,
) -> Claim | None:
    """Return what a signature claims, None where none is given.

    It is over the only checksum file, else over the archive that is taken in, if it is one; `signs` says otherwise.
    Raise SignatureInvalid where a signature comes without a key, Usage where it could be over nothing or several files.
    """
    if signature is None:
        if key is not None or signs is not None:
            message = f"{'--key' if key is not None else '--signs'} is given without a signature"
            raise Usage(message, remedy="Give the publisher's signature with --signature FILE, or leave the other out.")
        return None
    if key is None:
        message = f"The signature {signature} cannot be checked without the key of whoever made it"
        raise SignatureInvalid(
            message,
            remedy="Name the publisher's public key with --key FILE. Without a key, leave --signature out.",
        )
    from mediaprep.signatures import Claim

    return Claim(
        signed=_signed(checksum_files, archive, signature, signs),
        signature=existing_path(signature),
        key=existing_path(key),
        at=at,
    )


def _signed(checksum_files: Sequence[Path], archive: Path | None, signature: str, signs: str | None) -> Path:
    could_be = [*checksum_files, *([archive] if archive is not None else [])]
    if signs is not None:
        named = existing_path(signs)
        for path in could_be:
            if path.resolve() == named.resolve():
                return path
        message = f"{named} is neither a checksum file given with --checksums nor the archive that is taken in"
        remedy = "A signature counts here only over a file that says what the bundle holds: one of these two."
        raise Usage(message, remedy=remedy)
    if not could_be:
        message = f"The signature {signature} can be over one file alone, and none is given that it could be over"
        raise Usage(message, remedy="Give the checksum file that it signs: --checksums FILE.")
    if len(checksum_files) > 1:
        message = f"Several checksum files are given, and the signature {signature} is over one file"
        raise Usage(message, remedy="Say over which: --signs FILE.")
    return could_be[0]

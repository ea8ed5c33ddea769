"""A receipt as files that anyone can check without mediaprep: lines for `sha256sum -c`, and a small JSON. Pure."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping

from mediaprep.manifest import to_text
from mediaprep.model import Manifest, Receipt
from mediaprep.wire import object_to_wire

_UNFIT_FOR_A_NAME = re.compile(r"[^A-Za-z0-9._-]")


def receipt_files(receipt: Receipt, manifests: Mapping[str, Manifest]) -> dict[str, bytes]:
    """Return the files of a receipt by name. `manifests` holds that of each of its bundles.

    For each bundle there is one file of checksum lines, whose own SHA-256 is the bundle's `manifest_sha256` in the
    JSON and in the logbook: from the logbook to each byte on the card, every step can be checked by hand.
    """
    files: dict[str, bytes] = {}
    listed = []
    for bundle in receipt.bundles:
        name = f"{receipt.number}.{_UNFIT_FOR_A_NAME.sub('_', bundle.name)}.sha256"
        files[name] = to_text(manifests[bundle.name]).encode("utf-8", "surrogateescape")
        listed.append({"file": name, "bundle": bundle.name, "sha256": bundle.manifest_sha256})
    told = {
        "about": "What mediaprep proved about a card. To check it: in the folder where the card is mounted, run "
        "sha256sum --strict -c FILE for each checksum file, and sha256sum FILE for the digest given here.",
        "checksum_files": listed,
        "receipt": object_to_wire(receipt),
    }
    files[f"{receipt.number}.json"] = (json.dumps(told, ensure_ascii=False, indent=2) + "\n").encode()
    return files

"""What a readback found, and the receipt it earns."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class DataEvidence(StrEnum):
    """How it is known that the bytes came off the medium, weakest first."""

    CACHED = "cached"
    EVICTED = "evicted"
    DIRECT = "direct"

    @property
    def rank(self) -> int:
        """0 for the weakest."""
        return list(DataEvidence).index(self)


class StructureEvidence(StrEnum):
    """How it is known that folders and allocation table are on the medium, weakest first."""

    ASSUMED = "assumed"
    READ_RAW = "read raw"
    REMOUNTED = "remounted"
    REINSERTED = "reinserted"

    @property
    def rank(self) -> int:
        """0 for the weakest."""
        return list(StructureEvidence).index(self)


class Verdict(StrEnum):
    """What a receipt proves.

    VERIFIED needs both proofs, DATA_READ_BACK lacks that of the structure, UNPROVEN that of the data.
    """

    VERIFIED = "verified"
    DATA_READ_BACK = "data read back"
    UNPROVEN = "unproven"


@dataclass(frozen=True, slots=True)
class Mismatch:
    """A file on the card that differs from the bundle. `found_sha256` is None when it is missing or of another size."""

    path: str
    expected_sha256: str
    found_sha256: str | None
    detail: str


@dataclass(frozen=True, slots=True)
class ReadbackReport:
    """What a re-reading of a whole bundle from a card found.

    `medium_bytes` is what the device's own counter says was read from it meanwhile, None where there is no counter.
    """

    files: int
    bytes: int
    data_evidence: DataEvidence
    structure_evidence: StructureEvidence
    medium_bytes: int | None
    mismatches: tuple[Mismatch, ...]
    started_at: datetime
    finished_at: datetime

    @property
    def verdict(self) -> Verdict:
        """What the report proves, mismatches aside."""
        if self.data_evidence is DataEvidence.CACHED:
            return Verdict.UNPROVEN
        if self.structure_evidence is StructureEvidence.ASSUMED:
            return Verdict.DATA_READ_BACK
        return Verdict.VERIFIED


@dataclass(frozen=True, slots=True)
class ProvenBundle:
    """One bundle that a readback found whole on a card."""

    name: str
    kind: str
    manifest_sha256: str
    file_count: int
    total_bytes: int


@dataclass(frozen=True, slots=True)
class Receipt:
    """What a write and its readback proved, for good. It cannot be made from a readback that found a mismatch.

    `bundles` are all that mediaprep put on the card, each proven whole. `written_bytes` is 0 for a mere verify.
    `rewritten` are kept files that differed and were written again; `accepted` the unknown findings that the owner
    accepted by name.
    """

    number: str
    card: str
    card_identity: str
    simulated: bool
    bundles: tuple[ProvenBundle, ...]
    station: str
    tool_version: str
    written_bytes: int
    rewritten: tuple[str, ...]
    readback: ReadbackReport
    accepted: tuple[str, ...]
    issued_at: datetime

    def __post_init__(self) -> None:
        if self.readback.mismatches:
            message = f"No receipt for card {self.card}: its readback found {len(self.readback.mismatches)} mismatches"
            raise ValueError(message)

"""Invented things to put into the records, whole by default."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from mediaprep.config import Settings
from mediaprep.model import (
    Aircraft,
    Bundle,
    Card,
    CycleRule,
    CycleScheme,
    DataEvidence,
    DataKind,
    Job,
    JobKind,
    Load,
    Manifest,
    ManifestEntry,
    MediaRule,
    ProvenBundle,
    ReadbackReport,
    Receipt,
    RecordedFile,
    StructureEvidence,
    Unit,
    Validity,
)
from mediaprep.records import Store

NOON = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
NAVIGATION = DataKind("navigation", "Navigation (example)", CycleRule(CycleScheme.AIRAC_28))
OBSTACLE = DataKind("obstacle", "Obstacles (example)", CycleRule(CycleScheme.GRID_56))
CYCLE = Validity("2607", datetime(2026, 7, 9, tzinfo=UTC), datetime(2026, 8, 6, tzinfo=UTC))


# Where a fixture notes the URL of a test's database, so that the programs which a test starts find it too.
URL_NOTE = "database-url"


def settings(folder: Path, *, station: str = "bench-1") -> Settings:
    """Return a station's settings: for the database noted in a test's folder, else for a SQLite file in there."""
    note = folder / URL_NOTE
    url = note.read_text() if note.exists() else None
    return Settings(data_dir=folder / "data", database_url=url, station=station, operator="Robin")


def database_file(folder: Path) -> Path:
    return folder / "data" / "records.sqlite"


def manifest(files: int = 3) -> Manifest:
    return Manifest(tuple(entry(f"data/{number:05d}.bin") for number in range(files)))


def entry(path: str, size_bytes: int = 1000) -> ManifestEntry:
    return ManifestEntry(path, size_bytes, hashlib.sha256(path.encode()).hexdigest(), 1_750_000_000_123_456_700)


def bundle(name: str = "nav-2607", files: int = 3, *, kind: DataKind = NAVIGATION, **changes: object) -> Bundle:
    made = Bundle(
        name=name,
        kind=kind,
        validity=CYCLE,
        source="/bundles/" + name,
        source_form="folder",
        manifest_sha256=hashlib.sha256(name.encode()).hexdigest(),
        file_count=files,
        total_bytes=1000 * files,
        taken_in_at=NOON,
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def unit(name: str = "NAV-1", aircraft: str = "D-TEST", **changes: object) -> Unit:
    made = Unit(
        name=name,
        aircraft=aircraft,
        title="Navigator",
        slots=("left", "right"),
        kinds=("navigation", "obstacle"),
        rule=MediaRule("example-any-card"),
    )
    return replace(made, **changes)  # type: ignore[arg-type]


def panel(store: Store, *units: Unit) -> tuple[Unit, ...]:
    """Put one aircraft with these units into the records, and return them as they stand there."""
    store.add_aircraft(Aircraft("D-TEST", "Our test aircraft"))
    return tuple(store.add_unit(each) for each in units or (unit(),))


def card(store: Store, name: str | None = None, identity: str = "sd:0001") -> Card:
    return store.register_card(name, identity=identity, simulated=True, capacity_bytes=8_000_000_000, at=NOON)


def owned(of: Bundle, files: Manifest, *, flushed: bool = False) -> list[RecordedFile]:
    return [
        RecordedFile(each.path, each.size_bytes, each.sha256, of.name, of.kind.name, flushed) for each in files.entries
    ]


def report(
    data: DataEvidence = DataEvidence.DIRECT, structure: StructureEvidence = StructureEvidence.REMOUNTED
) -> ReadbackReport:
    return ReadbackReport(
        files=3,
        bytes=3000,
        data_evidence=data,
        structure_evidence=structure,
        medium_bytes=4096,
        mismatches=(),
        started_at=NOON + timedelta(minutes=1),
        finished_at=NOON + timedelta(minutes=2, microseconds=5),
    )


def receipt(store: Store, on: Card, *bundles: Bundle, readback: ReadbackReport | None = None) -> Receipt:
    return Receipt(
        number=store.next_receipt_number(),
        card=on.name,
        card_identity=on.identity,
        simulated=on.simulated,
        bundles=tuple(
            ProvenBundle(each.name, each.kind.name, each.manifest_sha256, each.file_count, each.total_bytes)
            for each in bundles
        ),
        station=store.station,
        tool_version="0.1.0",
        written_bytes=3000,
        rewritten=("data/00001.bin",),
        readback=readback or report(),
        accepted=("host.battery",),
        issued_at=NOON + timedelta(minutes=3),
    )


def touched(store: Store, on: Card, what: Bundle, for_unit: Unit | None = None) -> Job:
    """Begin a write and touch the card."""
    job = store.begin_job(JobKind.WRITE, on, what, for_unit, at=NOON)
    store.begin_touching(job.number, owned(what, store.manifest(what.name)), "insertion-1", ())
    return job


def written(
    store: Store, on: Card, what: Bundle, for_unit: Unit | None = None, *, readback: ReadbackReport | None = None
) -> tuple[Receipt, tuple[Load, ...]]:
    """Write a bundle to a card and prove it."""
    job = touched(store, on, what, for_unit)
    store.files_flushed(job.number, owned(what, store.manifest(what.name)), ())
    proof = receipt(store, on, what, readback=readback)
    return proof, store.end_job_proven(job.number, proof, for_unit)


def taken_in(store: Store, what: Bundle | None = None) -> Bundle:
    """Put a bundle into the records."""
    made = what or bundle()
    store.add_bundle(made, manifest(made.file_count))
    return made

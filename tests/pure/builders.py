"""Invented facts, whole and in order by default: a test changes only what it is about."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from mediaprep.checks import preflight
from mediaprep.model import (
    Action,
    Bundle,
    CardEntry,
    CardFacts,
    CycleRule,
    CycleScheme,
    DataKind,
    Family,
    FileSystem,
    Finding,
    HostFacts,
    HostVolume,
    Known,
    Load,
    LoadEvent,
    LoadState,
    Manifest,
    ManifestEntry,
    MediaRule,
    PartitionTable,
    Plan,
    PlannedFile,
    PreflightFacts,
    RecordedFile,
    Unit,
    Unknown,
    Validity,
    VolumeState,
)

NOW = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
DAY = timedelta(days=1)
NAVIGATION = DataKind("navigation", "Navigation", CycleRule(CycleScheme.AIRAC_28))
OBSTACLE = DataKind("obstacle", "Obstacles", CycleRule(CycleScheme.GRID_56))
SOFTWARE = DataKind("software", "Unit software", CycleRule(CycleScheme.NONE), is_software=True)
UNKNOWN = Unknown("the reader hides it", "Use the computer's own slot.")
CLUSTER_BYTES = 32 * 2**10


# --- files -----------------------------------------------------------------------------------------------------------


def sha256_of(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def wanted(path: str, size_bytes: int = 1000, content: str | None = None) -> ManifestEntry:
    """One file of a bundle; files of equal `content` and size are equal."""
    return ManifestEntry(path, size_bytes, sha256_of(path if content is None else content))


def on_card(path: str, size_bytes: int = 1000) -> CardEntry:
    return CardEntry(path, size_bytes, is_folder=False)


def folder(path: str) -> CardEntry:
    return CardEntry(path, 0, is_folder=True)


def owned(
    path: str,
    size_bytes: int = 1000,
    content: str | None = None,
    *,
    bundle: str = "OLD",
    kind: str = "navigation",
    flushed: bool = True,
) -> RecordedFile:
    return RecordedFile(path, size_bytes, sha256_of(path if content is None else content), bundle, kind, flushed)


def listing(paths: Iterable[str], size_bytes: int = 1000) -> list[CardEntry]:
    """Files of these paths with the folders that hold them, folders first."""
    files = [on_card(path, size_bytes) for path in paths]
    folders = {"/".join(item.path.split("/")[:depth]) for item in files for depth in range(1, item.path.count("/") + 1)}
    return [*(folder(path) for path in sorted(folders)), *files]


# --- what the owner keeps --------------------------------------------------------------------------------------------


def make_bundle(name: str = "NEW", kind: DataKind = NAVIGATION, **changes: object) -> Bundle:
    bundle = Bundle(
        name=name,
        kind=kind,
        validity=Validity("2606", NOW - 20 * DAY, NOW + 8 * DAY),
        source="/bundles/new",
        source_form="folder",
        manifest_sha256=sha256_of(name),
        file_count=1,
        total_bytes=1000,
        taken_in_at=NOW - DAY,
    )
    return replace(bundle, **changes)  # type: ignore[arg-type]


def make_unit(rule: MediaRule | None = None, **changes: object) -> Unit:
    unit = Unit(
        name="GPS-1",
        aircraft="OX-ABC",
        title="Navigator",
        slots=("left",),
        kinds=("navigation", "obstacle", "software"),
        rule=rule or MediaRule("plain-cards", "installation manual, 4.2"),
    )
    return replace(unit, **changes)  # type: ignore[arg-type]


def make_load(number: int, validity: Validity, *states: LoadState, kind: str = "navigation") -> Load:
    events = tuple(LoadEvent(state, NOW - DAY) for state in (LoadState.PREPARED, *states))
    return Load(number, "OX-ABC", "GPS-1", None, "C-007", f"B-{number}", kind, validity, "R-1", False, events)


# --- facts -----------------------------------------------------------------------------------------------------------


def make_card(**changes: object) -> CardFacts:
    """A card in order: 7.95 GB, SDHC, FAT32 with 32 KiB clusters on an MBR, nearly empty."""
    card = CardFacts(
        target="/media/card",
        simulated=False,
        identity=Known("card-1", "test"),
        insertion=Known("1", "test"),
        device=Known("sdz", "test"),
        reader=Known("reader", "test"),
        removable=Known(True, "test"),
        system_use=Known((), "test"),
        capacity_bytes=Known(7_948_206_080, "test"),
        family=Known(Family.SDHC, "test"),
        partition_table=Known(PartitionTable.MBR, "test"),
        file_system=Known(FileSystem.FAT32, "test"),
        file_system_name=Known("vfat", "test"),
        cluster_bytes=Known(CLUSTER_BYTES, "test"),
        volume_bytes=Known(7_946_000_000, "test"),
        free_bytes=Known(7_900_000_000, "test"),
        root_entries=Known(None, "test"),
        read_only=Known(False, "test"),
        write_protection=Known((), "test"),
        mount_options=Known((), "test"),
        label=Known("", "test"),
        volume_serial=Known("1234-5678", "test"),
        volume_state=Known(VolumeState.CLEAN, "test"),
    )
    return replace(card, **changes)  # type: ignore[arg-type]


def make_volume(**changes: object) -> HostVolume:
    volume = HostVolume("/home", ("records",), 10**6, Known(10**10, "test"), Known(10**6, "test"))
    return replace(volume, **changes)  # type: ignore[arg-type]


def make_host(*volumes: HostVolume, **changes: object) -> HostFacts:
    host = HostFacts(
        station="bench",
        volumes=volumes or (make_volume(),),
        memory_available_bytes=Known(4 * 10**9, "test"),
        on_mains=Known(True, "test"),
        battery_percent=Known(None, "test"),
    )
    return replace(host, **changes)  # type: ignore[arg-type]


def planned(entries: Sequence[ManifestEntry], action: Action = Action.WRITE, bundle: str = "NEW") -> Plan:
    """A plan that does the same with every file of a bundle."""
    return Plan(tuple(PlannedFile(entry, action, bundle, "navigation") for entry in entries))


def make_facts(**changes: object) -> PreflightFacts:
    """A preflight in which every check passes: one small file onto an empty card."""
    facts = PreflightFacts(
        now=NOW,
        host=make_host(),
        card=make_card(),
        card_name="C-014",
        entries=(),
        plan=planned([wanted("nav/airways.bin")]),
        bundle=make_bundle(),
        on_card=(),
        unit=make_unit(),
        unit_loads=(),
        changed_paths=(),
    )
    return replace(facts, **changes)  # type: ignore[arg-type]


def found(check: str, facts: PreflightFacts) -> Finding:
    """Return the one finding of this name."""
    (finding,) = [finding for finding in preflight(facts) if finding.check == check]
    return finding


def manifest_of(*entries: ManifestEntry) -> Manifest:
    return Manifest(tuple(sorted(entries, key=lambda entry: entry.path)))


def known(value: object) -> Known[object]:
    return Known(value, "test")

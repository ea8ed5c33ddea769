"""The values that everything else passes around: frozen, typed, free of any effect.

Sizes are whole bytes and say so in their names; times are aware UTC; digests are lower-case SHA-256 hex in fields
named `sha256`. Paths of files in bundles and on cards are relative, with `/` between their parts, on every system.
"""

from mediaprep.model.currency import Currency, Doing, KindStatus, NextStep, PanelStatus, Trip
from mediaprep.model.facts import (
    CardEntry,
    CardFacts,
    Fact,
    Family,
    FileSystem,
    HostFacts,
    HostVolume,
    Known,
    PartitionTable,
    T,
    Unknown,
    VolumeState,
    WriteProtection,
    value_or_none,
)
from mediaprep.model.findings import Finding, PreflightFacts, Result
from mediaprep.model.library import Algorithm, PublisherCheck, Whereabouts
from mediaprep.model.loads import Fitness, Job, JobKind, JobState, Load, LoadEvent, LoadState, LogEntry
from mediaprep.model.panel import (
    Aircraft,
    Bundle,
    Card,
    CycleRule,
    CycleScheme,
    DataKind,
    Manifest,
    ManifestEntry,
    MediaRule,
    Unit,
    Validity,
)
from mediaprep.model.plan import Action, Plan, PlannedFile, RecordedFile
from mediaprep.model.proof import (
    DataEvidence,
    Mismatch,
    ProvenBundle,
    ReadbackReport,
    Receipt,
    StructureEvidence,
    Verdict,
)

from mediaprep.model.visits import LoadWindow, Visit, VisitPlan

__all__ = [
    "Action",
    "Aircraft",
    "Algorithm",
    "Bundle",
    "Card",
    "CardEntry",
    "CardFacts",
    "Currency",
    "CycleRule",
    "CycleScheme",
    "DataEvidence",
    "DataKind",
    "Doing",
    "Fact",
    "Family",
    "FileSystem",
    "Finding",
    "Fitness",
    "HostFacts",
    "HostVolume",
    "Job",
    "JobKind",
    "JobState",
    "KindStatus",
    "Known",
    "Load",
    "LoadEvent",
    "LoadState",
    "LoadWindow",
    "LogEntry",
    "Manifest",
    "ManifestEntry",
    "MediaRule",
    "Mismatch",
    "NextStep",
    "PanelStatus",
    "PartitionTable",
    "Plan",
    "PlannedFile",
    "PreflightFacts",
    "ProvenBundle",
    "PublisherCheck",
    "ReadbackReport",
    "Receipt",
    "RecordedFile",
    "Result",
    "StructureEvidence",
    "T",
    "Trip",
    "Unit",
    "Unknown",
    "Validity",
    "Verdict",
    "Visit",
    "VisitPlan",
    "VolumeState",
    "WriteProtection",
    "Whereabouts",
    "value_or_none",
]

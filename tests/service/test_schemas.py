"""What the OpenAPI document says of an answer is what the wire writes: member for member, for every model class."""

from __future__ import annotations

from dataclasses import is_dataclass
from datetime import UTC, date, datetime, time
from typing import Any

import pytest
from marshmallow import Schema
from marshmallow.fields import Nested

from mediaprep import model
from mediaprep.model import (
    Aircraft,
    Algorithm,
    Bundle,
    BundleSignature,
    Card,
    Currency,
    CycleRule,
    CycleScheme,
    DataEvidence,
    DataKind,
    Doing,
    Family,
    FileSystem,
    Finding,
    Job,
    JobKind,
    JobState,
    KindStatus,
    Load,
    LoadEvent,
    LoadState,
    LoadWindow,
    LogEntry,
    ManifestEntry,
    MediaRule,
    Mismatch,
    NextStep,
    PanelStatus,
    PartitionTable,
    ProvenBundle,
    PublisherCheck,
    ReadbackReport,
    Receipt,
    Result,
    StructureEvidence,
    Unit,
    Validity,
    Visit,
    VisitPlan,
)
from mediaprep.progress import Phase, Progress
from mediaprep.wire import object_to_wire
from service import schemas
from service.schemas import field_of, schema_of

AT = datetime(2026, 7, 9, 9, 1, tzinfo=UTC)
VALIDITY = Validity("2607", AT, None)
KIND = DataKind("navigation", "Navigation", CycleRule(CycleScheme.EVERY_DAYS, time(9, 1), 28))
RULE = MediaRule("any", "", 1, None, (Family.SDHC,), (FileSystem.FAT32,), (32768,), (PartitionTable.MBR,))
CHECK = PublisherCheck("SHA256SUMS", Algorithm.SHA256, 3, weak=False)
SIGNATURE = BundleSignature("SHA256SUMS", "ab" * 20)
REPORT = ReadbackReport(3, 9, DataEvidence.DIRECT, StructureEvidence.REMOUNTED, None, (), AT, AT)
RECEIPT = Receipt(
    "R-000001", "C-001", "sd 1", True, (ProvenBundle("nav", "navigation", "ab", 3, 9),), "bench", "0.1.0", 9, ("a",),
    REPORT, (), AT,
)  # fmt: skip
LOAD = Load(
    1, "TEST-1", "DISPLAY", None, "C-001", "nav", "navigation", VALIDITY, "R-000001", True,
    (LoadEvent(LoadState.PREPARED, AT),),
)  # fmt: skip
WINDOW = LoadWindow("DISPLAY", "navigation", None, date(2026, 6, 11), date(2026, 7, 8))
VISIT = Visit(WINDOW.first_day, WINDOW.last_day, (WINDOW,))
STATUS = KindStatus("DISPLAY", "navigation", Currency.CURRENT, LOAD, None, None)

EXAMPLES = [
    Aircraft("TEST-1"),
    KIND,
    KIND.cycle_rule,
    VALIDITY,
    RULE,
    Unit("DISPLAY", "TEST-1", "", ("front",), ("navigation",), RULE),
    ManifestEntry("a.bin", 3, "ab"),
    Bundle(
        "nav",
        KIND,
        VALIDITY,
        "/nav",
        "folder",
        "ab",
        3,
        9,
        AT,
        (("TEST-1", "DISPLAY"),),
        checks=(CHECK,),
        signature=SIGNATURE,
        removed_at=AT,
    ),
    CHECK,
    SIGNATURE,
    Card("C-001", "sd 1", True, None, AT),
    Finding("card.capacity", Result.PASS, "card C-001", "8 GB"),
    Progress(Phase.COPY, 1, 3, 3, 9, "a.bin"),
    Mismatch("a.bin", "ab", None, "missing"),
    REPORT,
    RECEIPT.bundles[0],
    RECEIPT,
    Job(1, JobKind.WRITE, JobState.RUNNING, "C-001", "nav", ("T", "D"), "bench", AT, None, True, None, None, None),
    LOAD.events[0],
    LOAD,
    LogEntry("TEST-1", 1, AT, "{}", "ab", "cd"),
    STATUS,
    WINDOW,
    VISIT,
    VisitPlan("TEST-1", AT, 28, date(2027, 7, 9), (VISIT,)),
    NextStep("DISPLAY", "navigation", Doing.LOAD, LOAD, date(2026, 7, 8)),
    PanelStatus("TEST-1", AT, (STATUS,), (("navigation", (("DISPLAY", "2607"), ("OTHER", "2606"))),)),
]


@pytest.mark.parametrize("value", EXAMPLES, ids=lambda value: type(value).__name__)
def test_a_schema_names_what_the_wire_writes_and_takes_its_values(value: Any) -> None:
    schema = schema_of(type(value))()
    wire = object_to_wire(value)
    assert set(schema.fields) == set(wire)
    assert schema.validate(wire) == {}


@pytest.mark.parametrize("value", EXAMPLES, ids=lambda value: type(value).__name__)
def test_a_schema_refuses_a_missing_member(value: Any) -> None:
    wire = object_to_wire(value)
    for name in wire:
        assert name in schema_of(type(value))().validate({key: wire[key] for key in wire if key != name})


def test_every_model_class_in_an_answer_has_an_example() -> None:
    models = {name for name, kind in vars(model).items() if is_dataclass(kind)} | {"Progress"}
    served: set[str] = set()
    for one in vars(schemas).values():
        if isinstance(one, type) and issubclass(one, Schema):
            served |= schemas_in(one)
    assert served & models == {type(value).__name__ for value in EXAMPLES}


def test_a_type_the_wire_does_not_have_is_a_fault() -> None:
    with pytest.raises(TypeError, match="has no schema"):
        field_of(bytes)


def schemas_in(schema: type[Schema]) -> set[str]:
    """Return the names of a schema and of all schemas inside it."""
    found = {schema.__name__}
    for field in schema().fields.values():
        inner = getattr(field, "inner", field)
        if isinstance(inner, Nested):
            found |= schemas_in(type(inner.schema))
    return found

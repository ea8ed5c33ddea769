"""What the service answers with, described for its OpenAPI document.

Bodies are made by `mediaprep.wire`, which goes by the model's fields. So do these schemas: they are derived from the
same classes' annotations, and a test holds every one against what the wire really says.
"""

from __future__ import annotations

import types
from collections.abc import Callable
from dataclasses import fields as fields_of
from dataclasses import is_dataclass
from datetime import date, datetime, time
from enum import Enum
from functools import cache
from typing import Any, Union, get_args, get_origin, get_type_hints

from marshmallow import Schema, fields, validate

from mediaprep import model
from mediaprep.progress import Progress as ProgressModel
from mediaprep.wire import DERIVED
from service.pairs import Pair
from service.readers import Reader

# What the wire puts in the place of a class's own field.
_DIFFERENT: dict[type, dict[str, Any]] = {model.Bundle: {"kind": str}}
_PLAIN: dict[type, Callable[..., fields.Field[Any]]] = {
    bool: fields.Boolean,
    int: fields.Integer,
    float: fields.Float,
    str: fields.String,
    datetime: fields.AwareDateTime,
    date: fields.Date,
    time: fields.Time,
}


@cache
def schema_of(kind: type) -> type[Schema]:
    """Return the schema of one of the model's dataclasses, under its own name."""
    hints = get_type_hints(kind)
    derived = {name: get_type_hints(getattr(kind, name).fget)["return"] for name in DERIVED.get(kind, ())}
    found = {field.name: hints[field.name] for field in fields_of(kind)} | derived | _DIFFERENT.get(kind, {})
    return Schema.from_dict({name: field_of(hint) for name, hint in found.items()}, name=kind.__name__)


def field_of(hint: Any, **options: Any) -> fields.Field[Any]:
    """Return the field that describes values of a type as the wire writes them. Raise TypeError for one it has not."""
    options = {"required": True, **options}
    arguments = get_args(hint)
    if get_origin(hint) in {Union, types.UnionType}:
        (inner,) = (one for one in arguments if one is not types.NoneType)
        return field_of(inner, **options, allow_none=True)
    if get_origin(hint) is tuple:
        if arguments[-1] is Ellipsis:
            return fields.List(field_of(arguments[0]), **options)
        # A tuple of fixed length. OpenAPI 3.0 cannot tell its places apart, so their kind is given where all are alike.
        place = field_of(arguments[0]) if len(set(arguments)) == 1 else fields.Raw()
        return fields.List(place, validate=validate.Length(equal=len(arguments)), **options)
    if hint in _PLAIN:
        return _PLAIN[hint](**options)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return fields.Enum(hint, by_value=fields.String, **options)
    if is_dataclass(hint) and isinstance(hint, type):
        return fields.Nested(schema_of(hint), **options)
    message = f"{hint} has no schema"
    raise TypeError(message)


def _body(name: str, **members: Any) -> type[Schema]:
    """Return the schema of an answer that is an object with these members."""
    return Schema.from_dict({key: field_of(hint) for key, hint in members.items()}, name=name)


def _described(hint: Any, text: str, **options: Any) -> fields.Field[Any]:
    return field_of(hint, metadata={"description": text}, **options)


Aircraft = schema_of(model.Aircraft)
Unit = schema_of(model.Unit)
MediaRule = schema_of(model.MediaRule)
DataKind = schema_of(model.DataKind)
Bundle = schema_of(model.Bundle)
Receipt = schema_of(model.Receipt)
Load = schema_of(model.Load)
Panel = schema_of(model.PanelStatus)
VisitPlan = schema_of(model.VisitPlan)
Finding = schema_of(model.Finding)
Progress = schema_of(ProgressModel)

AircraftList = _body("AircraftList", aircraft=tuple[model.Aircraft, ...])
UnitList = _body("UnitList", units=tuple[model.Unit, ...])
RuleList = _body("RuleList", rules=tuple[model.MediaRule, ...])
KindList = _body("KindList", kinds=tuple[model.DataKind, ...])
BundleList = _body("BundleList", bundles=tuple[model.Bundle, ...])
FileList = _body("FileList", bundle=str, files=tuple[model.ManifestEntry, ...], offset=int, total=int)
LoadList = _body("LoadList", loads=tuple[model.Load, ...])
ReceiptList = _body("ReceiptList", receipts=tuple[model.Receipt, ...])
LogbookPage = _body("LogbookPage", aircraft=str, entries=tuple[model.LogEntry, ...])
CycleList = _body("CycleList", cycles=tuple[model.Validity, ...])
JobList = _body("JobList", jobs=tuple[model.Job, ...])
CardState = _body("CardState", card=model.Card, fitness=model.Fitness, bundles=tuple[str, ...])
ReaderList = _body("ReaderList", readers=tuple[Reader, ...])
PairList = _body("PairList", pairs=tuple[Pair, ...])
SignInLink = _body("SignInLink", path=str, seconds=int)
CheckAnswer = _body("CheckAnswer", verdict=model.Result, findings=tuple[model.Finding, ...])


class CardList(Schema):
    """All cards the records know."""

    cards = fields.List(fields.Nested(CardState), required=True)


class Failure(Schema):
    """What ended a job: the same object as the command line's result."""

    code = _described(str, "Stable; the same as in problem documents")
    exit_code = _described(int, "What the command line would have ended with")
    message = _described(str, "A sentence that names the card, file or unit")
    remedy = _described(str, "The way out")
    paths = _described(tuple[str, ...], "The files concerned", required=False)


class JobView(schema_of(model.Job)):  # type: ignore[misc]  # its base is made from the model
    """One job: its record, and what is known of it beside."""

    progress = fields.Nested(
        Progress,
        required=True,
        allow_none=True,
        metadata={"description": "The latest; null where it was not run by this service since it started"},
    )
    findings = fields.List(fields.Nested(Finding), required=True, metadata={"description": "What the preflight said"})
    error = fields.Nested(
        Failure,
        required=True,
        allow_none=True,
        metadata={"description": "What ended it, or what is still missing of the proof; null when all is well"},
    )


class Health(Schema):
    """Whether the service is fit for work."""

    status = _described(str, "'ok'; otherwise the answer is a problem document")
    version = _described(str, "The version of mediaprep")
    database = _described(str, "'ok' when the records answered")
    schema = _described(str, "The form of the records")


class ProblemKind(Schema):
    """One kind of problem document."""

    code = _described(str, "Stable")
    title = _described(str, "Its name for people")
    status = _described(int, "The HTTP status it comes with")
    exit_code = _described(int, "What the command line ends with for the same cause")
    remedy = _described(str, "The way out, in general")


class ProblemDocument(Schema):
    """An error, as RFC 9457 has it, with members of ours."""

    type = _described(str, "An address of this service that describes this kind of problem")
    title = _described(str, "The kind of problem, in words")
    status = _described(int, "The HTTP status")
    detail = _described(str, "What went wrong this time")
    instance = _described(str, "The path that was asked for")
    code = _described(str, "Stable; the same as on the command line")
    exit_code = _described(int, "What the command line ends with for the same cause")
    remedy = _described(str, "The way out")
    errors = fields.Dict(
        keys=fields.String(), metadata={"description": "By place (json, query) and field: what does not fit"}
    )
    paths = _described(tuple[str, ...], "The files concerned", required=False)

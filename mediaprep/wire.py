"""The model as JSON: the same objects on the command line and in the service. One rule, no schema by hand.

Dataclasses become objects with their fields' names, enums their values, times RFC 3339 in UTC, sizes whole numbers. A
fact becomes `{"value": ..., "source": ...}`, an unknown one `{"value": null, "unknown": ..., "remedy": ...}`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime, time
from enum import Enum
from typing import Any, TypeAlias

from mediaprep.errors import MediaPrepError
from mediaprep.model import Bundle, ClockOffset, Known, Load, ReadbackReport, Station, Unknown
from mediaprep.quantities import format_utc

Json: TypeAlias = dict[str, "Json"] | list["Json"] | str | int | float | bool | None

# What a reader wants at hand and the model derives: property names by class.
DERIVED: Mapping[type, tuple[str, ...]] = {
    Load: ("state",),
    ReadbackReport: ("verdict",),
    Station: ("lost",),
    ClockOffset: ("off",),
}


def to_wire(value: object) -> Json:
    """Return a value of the model as JSON. Raise TypeError for anything else."""
    if isinstance(value, Enum):
        return to_wire(value.value)
    if value is None or isinstance(value, str | int | float):
        return value
    if isinstance(value, datetime):
        return format_utc(value)
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, Unknown):
        return {"value": None, "unknown": value.reason, "remedy": value.remedy}
    if isinstance(value, Known):
        return {"value": to_wire(value.value), "source": value.source}
    if isinstance(value, Mapping):
        return {str(key): to_wire(item) for key, item in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [to_wire(item) for item in value]
    if is_dataclass(value):
        return object_to_wire(value)
    message = f"{type(value).__name__} has no JSON form"
    raise TypeError(message)


def error_to_wire(error: MediaPrepError) -> dict[str, Json]:
    """Return what the machine contract says of an error: code, exit code, message, remedy and the paths concerned."""
    body: dict[str, Json] = {
        "code": error.code,
        "exit_code": error.exit_code,
        "message": str(error),
        "remedy": error.remedy,
    }
    paths = getattr(error, "paths", None)
    if paths is not None:
        body["paths"] = to_wire(paths)
    return body


def object_to_wire(value: Any) -> dict[str, Json]:
    """Return one of the model's dataclasses as a JSON object."""
    body = {field.name: to_wire(getattr(value, field.name)) for field in fields(value)}
    for name in DERIVED.get(type(value), ()):
        body[name] = to_wire(getattr(value, name))
    if isinstance(value, Bundle):
        # The kind's own rules are listed with the kinds; here its name is enough.
        body["kind"] = value.kind.name
    return body

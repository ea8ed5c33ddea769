"""What the service is asked: queries and bodies, read and validated field by field."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from marshmallow import RAISE, Schema, ValidationError, fields, validate, validates_schema

from mediaprep.checks import CHECKS
from mediaprep.errors import Usage
from mediaprep.model import CycleScheme, JobKind, LoadState
from mediaprep.quantities import parse_utc

MOST_ENTRIES = 1000
MOST_CYCLES = 400
LONGEST_NAME = 200
LONGEST_REASON = 2000
CARRIED = (LoadState.INSTALLED, LoadState.ACCEPTED, LoadState.REJECTED)
# Far beyond any number given out, and within what every database takes for a number of a row.
_LARGEST = 2**31 - 1


def is_name(text: str) -> bool:
    """Say whether a text may be the name of something in the records: printable, no slash, no space at either end."""
    return 0 < len(text) <= LONGEST_NAME and text.isprintable() and "/" not in text and text == text.strip()


def is_target(text: str) -> bool:
    """Say whether a text is an absolute path with no step upwards in it and nothing that cannot be shown."""
    path = Path(text)
    return text.isprintable() and path.is_absolute() and ".." not in path.parts


def _check_name(text: str) -> None:
    if not is_name(text):
        message = "Not a name: printable characters, without a slash, and without a space at either end."
        raise ValidationError(message)


def _check_unit(text: str) -> None:
    if not all(is_name(part) for part in text.split("/")) or text.count("/") > 1:
        message = "Not a unit: write AIRCRAFT/UNIT, or UNIT where only one aircraft has such a unit."
        raise ValidationError(message)


def _check_target(text: str) -> None:
    if not is_target(text):
        message = "Not an absolute path on this computer without '..' in it."
        raise ValidationError(message)


class Instant(fields.String):
    """A date, or a time with its zone, as RFC 3339 has them; read as an aware time in UTC."""

    def _deserialize(self, value: Any, attr: str | None, data: Mapping[str, Any] | None, **kwargs: Any) -> Any:
        text = super()._deserialize(value, attr, data, **kwargs)
        try:
            return parse_utc(text)
        except Usage as error:
            message = f"{error}. {error.remedy}"
            raise ValidationError(message) from error


def _name(text: str, *, required: bool = False) -> fields.String:
    return fields.String(
        required=required,
        validate=(validate.Length(1, LONGEST_NAME), _check_name),
        metadata={"description": text},
    )


def _number(text: str, default: int, least: int, most: int = _LARGEST) -> fields.Integer:
    return fields.Integer(load_default=default, validate=validate.Range(least, most), metadata={"description": text})


class AircraftQuery(Schema):
    """Of which aircraft."""

    aircraft = _name("May be left out where the records hold only one")


class LoadQuery(AircraftQuery):
    """Which loads."""

    unit = _name("Only those of this unit of the aircraft")


class StatusQuery(AircraftQuery):
    """Of which panel, and when."""

    at = Instant(metadata={"description": "A date or time (UTC), past or to come; left out: now"})


class PlanQuery(AircraftQuery):
    """Which plan of visits."""

    lead = _number("How many days before it takes effect a set can be had", 28, 0, 366)
    months = _number("How far to look ahead", 12, 1, 60)


class LogbookQuery(AircraftQuery):
    """Which part of a logbook."""

    after = _number("Entries past this sequence number", 0, 0)
    limit = _number("At most so many entries", 100, 1, MOST_ENTRIES)


class PageQuery(Schema):
    """Which part of a list."""

    offset = _number("How many to pass over", 0, 0)
    limit = _number("At most so many", 100, 1, MOST_ENTRIES)


class CardQuery(Schema):
    """Of which card."""

    card = _name("Only those of this card")
    limit = _number("At most so many", 100, 1, MOST_ENTRIES)


class ReceiptQuery(Schema):
    """Of which card."""

    card = _name("The card whose receipts are meant", required=True)


class CycleQuery(Schema):
    """Which cycles of which grid."""

    scheme = fields.String(
        load_default=CycleScheme.AIRAC_28.value,
        validate=validate.OneOf([CycleScheme.AIRAC_28.value, CycleScheme.GRID_56.value]),
        metadata={"description": "The grid"},
    )
    cycle = fields.String(
        validate=validate.Regexp(r"\d{4}\Z"), metadata={"description": "Only the one with this identifier, as 2613"}
    )
    start = Instant(data_key="from", metadata={"description": "From this date on; left out: today"})
    count = _number("How many", 6, 1, MOST_CYCLES)


class CheckRequest(Schema):
    """What to check: a bundle that was taken in, the card it is to go to, and the unit it is for."""

    class Meta:
        """How bodies are read."""

        unknown = RAISE

    bundle = _name("A bundle that was taken in", required=True)
    target = fields.String(
        required=True,
        validate=_check_target,
        metadata={"description": "Where the card is mounted, as an absolute path on this computer"},
    )
    unit = fields.String(
        required=True, validate=_check_unit, metadata={"description": "AIRCRAFT/UNIT, or UNIT where that is plain"}
    )
    accept = fields.List(
        fields.String(validate=validate.OneOf(tuple(CHECKS))),
        load_default=list,
        metadata={"description": "Checks to go on without where their finding is 'unknown'"},
    )


class TargetRequest(Schema):
    """A place where a card can be."""

    class Meta:
        """How bodies are read."""

        unknown = RAISE

    target = fields.String(
        required=True, validate=_check_target, metadata={"description": "An absolute path on this computer"}
    )


class PairQuery(Schema):
    """For which card."""

    card = _name("Its name; left out: a card that the records do not know")


class LoadRequest(Schema):
    """What became of a card that was carried to a unit."""

    class Meta:
        """How bodies are read."""

        unknown = RAISE

    card = _name("The card that was carried", required=True)
    unit = fields.String(
        required=True, validate=_check_unit, metadata={"description": "AIRCRAFT/UNIT, or UNIT where that is plain"}
    )
    slot = _name("The slot it was put in")
    state = fields.String(
        required=True,
        validate=validate.OneOf([one.value for one in CARRIED]),
        metadata={"description": "installed: it was put in; accepted: the unit took it; rejected: it did not"},
    )
    reason = fields.String(
        load_default="",
        validate=validate.Length(max=LONGEST_REASON),
        metadata={"description": "For rejected: what the unit showed. Else a remark for the logbook"},
    )

    @validates_schema
    def check_reason(self, data: dict[str, Any], **_: Any) -> None:
        """Hold a rejection to its reason, before anything is logged. Raise ValidationError."""
        if data["state"] == LoadState.REJECTED and not data["reason"].strip():
            raise ValidationError({"reason": ["Say what the unit showed, word for word."]})


class JobRequest(CheckRequest):
    """A job to start. A `write` needs bundle, target and unit; a `verify` needs only its target."""

    kind = fields.Enum(JobKind, by_value=fields.String, required=True, metadata={"description": "What to do"})
    bundle = _name("For a write: a bundle that was taken in")
    unit = fields.String(
        validate=_check_unit, metadata={"description": "For a write: AIRCRAFT/UNIT, or UNIT where that is plain"}
    )
    card = _name("For a write: what to call a card that is new here; left out: the next number")

    @validates_schema
    def check_by_kind(self, data: dict[str, Any], **_: Any) -> None:
        """Hold each kind of job to what it needs. Raise ValidationError."""
        if data["kind"] is JobKind.WRITE:
            missing = [name for name in ("bundle", "unit") if name not in data]
            errors = {name: ["A write needs it."] for name in missing}
        else:
            given = [name for name in ("bundle", "unit", "card", "accept") if data.get(name)]
            errors = {name: ["A verify takes none: it reads back all that is on the card."] for name in given}
        if errors:
            raise ValidationError(errors)

"""`mediaprep aircraft` and `mediaprep unit`: what is in the panel, what it takes, and what its cards must be."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import time

import click

from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.errors import Usage
from mediaprep.model import (
    Aircraft,
    CycleRule,
    CycleScheme,
    DataKind,
    Family,
    FileSystem,
    MediaRule,
    PartitionTable,
    Unit,
)
from mediaprep.quantities import format_bytes, format_cluster, parse_bytes

FAMILIES = click.Choice([family.value for family in Family], case_sensitive=False)
FILE_SYSTEMS = click.Choice([fs.value for fs in FileSystem if fs not in {FileSystem.VFAT, FileSystem.OTHER}])
PARTITION_TABLES = click.Choice([table.value for table in PartitionTable])
SCHEMES = click.Choice([scheme.value for scheme in CycleScheme])


@click.group(invoke_without_command=True, short_help="The aircraft whose panel is kept.")
@json_option
@click.pass_context
def aircraft(context: click.Context) -> None:
    """List the aircraft, or add one."""
    if context.invoked_subcommand is None:
        desk = context.ensure_object(Desk)
        known = desk.records.aircraft_list()
        desk.out.table(
            ("AIRCRAFT", "DESCRIPTION"),
            [(one.name, one.title) for one in known],
            empty="No aircraft yet. Add yours: mediaprep aircraft add NAME",
        )
        desk.out.result(aircraft=known)


@aircraft.command("add")
@click.argument("name")
@click.option("--title", default="", help="A line that says more.")
@json_option
@pass_desk
def add_aircraft(desk: Desk, name: str, title: str) -> None:
    """Add an aircraft under a NAME such as its registration."""
    _plain_name("aircraft", name)
    made = desk.records.add_aircraft(Aircraft(name, title))
    desk.out.text(
        f"Added aircraft {made.name}.", "Next: mediaprep unit add " + f"{made.name}/UNIT --kind KIND --rule RULE"
    )
    desk.out.result(aircraft=made)


@click.group(invoke_without_command=True, short_help="Units of the panel, their media rules, kinds of data.")
@json_option
@click.pass_context
def unit(context: click.Context) -> None:
    """List the panel's units, or describe them, their media rules and the kinds of data there are."""
    if context.invoked_subcommand is None:
        desk = context.ensure_object(Desk)
        units = [one for each in desk.records.aircraft_list() for one in desk.records.units(each.name)]
        desk.out.table(
            ("UNIT", "DESCRIPTION", "TAKES", "MEDIA RULE", "SLOTS", "SOFTWARE"),
            [
                (one.label, one.title, ", ".join(one.kinds), one.rule.name, ", ".join(one.slots), one.software or "-")
                for one in units
            ],
            empty="No unit yet. Add one: mediaprep unit add AIRCRAFT/UNIT --kind KIND --rule RULE",
        )
        desk.out.result(units=units)


@unit.command("add")
@click.argument("label", metavar="AIRCRAFT/UNIT")
@click.option("--kind", "kinds", multiple=True, required=True, help="A kind of data the unit takes. Repeatable.")
@click.option("--rule", "rule_name", required=True, help="The media rule its cards must meet: see 'unit rules'.")
@click.option("--title", default="", help="A line that says more.")
@click.option("--slot", "slots", multiple=True, help="The name of a card slot. Repeatable.")
@click.option("--software", help="The unit's software version, as the unit shows it.")
@json_option
@pass_desk
def add_unit(
    desk: Desk,
    label: str,
    kinds: tuple[str, ...],
    rule_name: str,
    title: str,
    slots: tuple[str, ...],
    software: str | None,
) -> None:
    """Add a unit to an aircraft's panel."""
    aircraft_name, _, name = label.partition("/")
    if not name:
        message = f"'{label}' does not say both aircraft and unit"
        raise Usage(message, remedy="Write AIRCRAFT/UNIT, for example HOMEBUILT/DISPLAY-1.")
    _plain_name("unit", name)
    position = len(desk.records.units(desk.aircraft(aircraft_name).name))
    made = desk.records.add_unit(
        Unit(name, aircraft_name, title, slots, kinds, desk.records.rule(rule_name), software, position)
    )
    desk.out.text(f"Added unit {made.label}: takes {', '.join(made.kinds)}, cards by rule {made.rule.name}.")
    desk.out.result(unit=made)


@unit.command("set")
@click.argument("label", metavar="UNIT")
@click.option("--software", help="The unit's software version, as the unit shows it.")
@click.option("--title", help="A line that says more.")
@click.option("--kind", "kinds", multiple=True, help="The kinds of data it takes: replaces the list. Repeatable.")
@click.option("--rule", "rule_name", help="The media rule its cards must meet.")
@click.option("--slot", "slots", multiple=True, help="The names of its slots: replaces the list. Repeatable.")
@json_option
@pass_desk
def set_unit(
    desk: Desk,
    label: str,
    software: str | None,
    title: str | None,
    kinds: tuple[str, ...],
    rule_name: str | None,
    slots: tuple[str, ...],
) -> None:
    """Change what is known of a unit: say its software version after an update."""
    found = desk.records.find_unit(label)
    changed = replace(
        found,
        software=software if software is not None else found.software,
        title=title if title is not None else found.title,
        kinds=kinds or found.kinds,
        rule=desk.records.rule(rule_name) if rule_name else found.rule,
        slots=slots or found.slots,
    )
    desk.records.update_unit(changed)
    desk.out.text(f"Changed unit {changed.label}.")
    desk.out.result(unit=changed)


@unit.command("rules")
@json_option
@pass_desk
def list_rules(desk: Desk) -> None:
    """List the media rules: what units' manuals say about their cards, as you entered it."""
    rules = desk.records.rules()
    for rule in rules:
        desk.out.heading(rule.name)
        desk.out.text(f"  {describe_rule(rule)}", f"  Source: {rule.source or 'not said'}")
    desk.out.result(rules=rules)


@unit.command("rule")
@click.argument("name")
@click.option("--source", required=True, help="Where this stands: manual, revision, section.")
@click.option("--min", "least", help="Least capacity, for example 2GB.")
@click.option("--max", "most", help="Most capacity, for example 32GB. A card sold as 32 GB holds a little less.")
@click.option("--family", "families", multiple=True, type=FAMILIES, help="A card family allowed. Repeatable.")
@click.option("--file-system", "file_systems", multiple=True, type=FILE_SYSTEMS, help="One allowed. Repeatable.")
@click.option("--cluster", "clusters", multiple=True, help="A cluster size allowed, for example 32KiB. Repeatable.")
@click.option("--partition-table", "tables", multiple=True, type=PARTITION_TABLES, help="One allowed. Repeatable.")
@click.option("--foreign-files/--no-foreign-files", default=True, help="Whether other files may be on the card.")
@click.option("--software-with-data/--no-software-with-data", default=True, help="Whether both may share a card.")
@json_option
@pass_desk
def save_rule(
    desk: Desk,
    name: str,
    source: str,
    least: str | None,
    most: str | None,
    families: tuple[str, ...],
    file_systems: tuple[str, ...],
    clusters: tuple[str, ...],
    tables: tuple[str, ...],
    foreign_files: bool,
    software_with_data: bool,
) -> None:
    """Enter what a unit's manual says about its cards, or replace a rule of that NAME."""
    _plain_name("rule", name)
    rule = MediaRule(
        name=name,
        source=source,
        capacity_bytes_min=parse_bytes(least) if least else None,
        capacity_bytes_max=parse_bytes(most) if most else None,
        families=tuple(Family(family.upper()) for family in families),
        file_systems=tuple(FileSystem(file_system) for file_system in file_systems),
        cluster_bytes=tuple(parse_bytes(cluster) for cluster in clusters),
        partition_tables=tuple(PartitionTable(table) for table in tables),
        foreign_files_allowed=foreign_files,
        software_with_data_allowed=software_with_data,
    )
    desk.records.save_rule(rule)
    desk.out.text(f"Saved rule {name}: {describe_rule(rule)}")
    desk.out.result(rule=rule)


@unit.command("kinds")
@json_option
@pass_desk
def list_kinds(desk: Desk) -> None:
    """List the kinds of data, with the rule of their cycles."""
    kinds = list(desk.records.kinds().values())
    desk.out.table(
        ("KIND", "DESCRIPTION", "CYCLES"),
        [(kind.name, kind.title, describe_cycles(kind.cycle_rule)) for kind in kinds],
        empty="No kinds of data.",
    )
    desk.out.result(kinds=kinds)


@unit.command("kind")
@click.argument("name")
@click.option("--title", default="", help="A line that says more.")
@click.option("--scheme", type=SCHEMES, required=True, help="How its cycles follow each other.")
@click.option("--time", "effective", default="00:00", help="When a cycle takes effect, UTC: 00:00 or 09:01.")
@click.option("--days", type=click.IntRange(min=1), help="The interval, for every-days.")
@click.option("--software", is_flag=True, help="This is unit software, not a data set.")
@json_option
@pass_desk
def save_kind(
    desk: Desk,
    name: str,
    title: str,
    scheme: str,
    effective: str,
    days: int | None,
    software: bool,
) -> None:
    """Add a kind of data, or replace the one of that NAME."""
    _plain_name("kind", name)
    wanted = CycleScheme(scheme)
    if (wanted is CycleScheme.EVERY_DAYS) != (days is not None):
        message = "--days goes with --scheme every-days, and that needs it"
        raise Usage(message)
    kind = DataKind(name, title, CycleRule(wanted, _time(effective), days), software)
    desk.records.save_kind(kind)
    desk.out.text(f"Saved kind {name}: {describe_cycles(kind.cycle_rule)}")
    desk.out.result(kind=kind)


def describe_rule(rule: MediaRule) -> str:
    """Return a media rule as one sentence."""
    least, most = rule.capacity_bytes_min, rule.capacity_bytes_max
    parts = []
    if least is not None or most is not None:
        bounds = [f"at least {format_bytes(least)}"] if least is not None else []
        bounds += [f"at most {format_bytes(most)}"] if most is not None else []
        parts.append("capacity " + " and ".join(bounds))
    for title, allowed in (
        ("family", [family.value for family in rule.families]),
        ("file system", [file_system.value for file_system in rule.file_systems]),
        ("clusters of", [format_cluster(size) for size in rule.cluster_bytes]),
        ("partition table", [table.value for table in rule.partition_tables]),
    ):
        if allowed:
            parts.append(f"{title} {' or '.join(allowed)}")
    if not rule.foreign_files_allowed:
        parts.append("no foreign files")
    if not rule.software_with_data_allowed:
        parts.append("no software together with data")
    return "; ".join(parts) or "asks nothing"


def describe_cycles(rule: CycleRule) -> str:
    """Return a cycle rule as a short phrase."""
    at = f", from {rule.effective_time_utc:%H:%M} UTC"
    match rule.scheme:
        case CycleScheme.AIRAC_28:
            return "every 28 days on the AIRAC grid" + at
        case CycleScheme.GRID_56:
            return "every 56 days on the AIRAC grid" + at
        case CycleScheme.EVERY_DAYS:
            return f"every {rule.interval_days} days from the date you state" + at
        case CycleScheme.DATES:
            return "the dates you state with each bundle" + at
        case CycleScheme.NONE:
            return "does not lapse"


def _plain_name(what: str, name: str) -> None:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}", name):
        message = f"'{name}' cannot be the name of a {what}"
        raise Usage(message, remedy="Use up to 40 letters, digits, dots, hyphens and underscores, no blanks.")


def _time(text: str) -> time:
    if re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text):
        return time.fromisoformat(text)
    message = f"'{text}' is not a time of day"
    raise Usage(message, remedy="Write hours and minutes, for example 09:01.")

"""`mediaprep remind rules`, `rule` and `target`: when reminders come, and where they go."""

from __future__ import annotations

import re
import sys
from datetime import time
from typing import IO

import click

from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.errors import DeliveryFailed, Usage
from mediaprep.model import QuietHours, ReminderRule, ReminderTarget

_QUIET = re.compile(r"((?:[01]\d|2[0-3]):[0-5]\d)-((?:[01]\d|2[0-3]):[0-5]\d)")


@click.command("rules")
@json_option
@pass_desk
def list_rules(desk: Desk) -> None:
    """List the rules that say when reminders come; for each kind of each unit the closest one holds."""
    _list_rules(desk)


@click.group(invoke_without_command=True)
@json_option
@click.pass_context
def rule(context: click.Context) -> None:
    """List the rules that say when reminders come, or change them."""
    if context.invoked_subcommand is None:
        _list_rules(context.ensure_object(Desk))


@rule.command("add")
@click.argument("name")
@click.option("--before", "days_before", multiple=True, type=click.IntRange(1, 400), help="Days before. Repeatable.")
@click.option("--on-day/--not-on-day", default=True, show_default=True, help="On the day of the lapse.")
@click.option("--repeat", default=7, show_default=True, type=click.IntRange(0, 400), help="Then every so many days.")
@click.option("--aircraft", metavar="NAME", help="Only for this aircraft.")
@click.option("--unit", "label", metavar="UNIT", help="Only for this unit.")
@click.option("--kind", help="Only for this kind of data.")
@json_option
@pass_desk
def add_rule(
    desk: Desk,
    name: str,
    days_before: tuple[int, ...],
    on_day: bool,
    repeat: int,
    aircraft: str | None,
    label: str | None,
    kind: str | None,
) -> None:
    """Add a rule under a NAME: days before a lapse, the day itself, and how often after it (--repeat 0: never).

    A rule for a unit goes before one for a kind, that before one for an aircraft, and that before one for all. Such a
    closer rule takes the place of the others, it does not add to them.
    """
    unit = desk.records.find_unit(label) if label is not None else None
    if unit is not None and aircraft not in {None, unit.aircraft}:
        message = f"Unit {unit.label} is not of aircraft {aircraft}"
        raise Usage(message, remedy="Leave out --aircraft.")
    made = desk.records.add_reminder_rule(
        ReminderRule(
            name,
            tuple(sorted(set(days_before), reverse=True)),
            on_day,
            repeat or None,
            unit.aircraft if unit else aircraft,
            unit.name if unit else None,
            kind,
        )
    )
    desk.out.text(f"Added reminder rule {made.name} for {_scope(made)}: {describe_rule(made)}.")
    desk.out.result(rule=made)


@rule.command("remove")
@click.argument("name")
@json_option
@pass_desk
def remove_rule(desk: Desk, name: str) -> None:
    """Remove the rule of a NAME."""
    desk.records.remove_reminder_rule(name)
    desk.out.text(f"Removed reminder rule {name}.")
    if not any(_scope(one) == "everything" for one in desk.records.reminder_rules()):
        desk.out.note("No rule is left for everything: what no other rule covers is not reminded of.")
    desk.out.result(removed=name)


@click.group(invoke_without_command=True)
@json_option
@click.pass_context
def target(context: click.Context) -> None:
    """List where reminders go, or change it. Addresses are secret and are never shown."""
    if context.invoked_subcommand is None:
        _list_targets(context.ensure_object(Desk))


@target.command("list")
@json_option
@pass_desk
def list_targets(desk: Desk) -> None:
    """List where reminders go. Addresses are secret and are never shown."""
    _list_targets(desk)


@target.command("add")
@click.argument("name")
@click.option("--from", "source", type=click.File(), help="A file with the address; else it is asked for.")
@click.option(
    "--zone", default="UTC", show_default=True, help="The time zone to count days and hours in: Europe/Berlin."
)
@click.option("--quiet", metavar="HH:MM-HH:MM", help="Hours of that zone in which nothing is sent: 22:00-07:00.")
@click.option("--keyring", is_flag=True, help="Put the address into the platform's keyring, not into the records.")
@click.option("--allow-local", is_flag=True, help="It may point to this computer itself.")
@json_option
@pass_desk
def add_target(
    desk: Desk, name: str, source: IO[str] | None, zone: str, quiet: str | None, keyring: bool, allow_local: bool
) -> None:
    """Add a target under a NAME, and ask for its address: mail, push, a webhook, the desktop.

    The address is never an argument of a command, where the shell's history and other users would see it. It is asked
    for without an echo, or read from a file or standard input.
    """
    from mediaprep.reminding import refuse_local, zone_named
    from mediaprep.send import AppriseSender

    sender = AppriseSender()
    hours = _quiet(quiet)
    url = _address(source)
    shown = sender.shown(url)
    if not allow_local:
        refuse_local(sender, url)
    zone_named(zone)
    entry = _keep_apart(name, url, desk) if keyring else None
    made = desk.records.add_reminder_target(
        ReminderTarget(name, shown, zone, hours, allow_local, desk.clock.now(), entry), None if keyring else url
    )
    desk.out.text(
        f"Added target {made.name} ({made.address}), days and hours of {made.zone}{_describe_quiet(made)}.",
        f"Next: mediaprep remind target test {made.name}",
    )
    desk.out.result(target=made)


@target.command("remove")
@click.argument("name")
@json_option
@pass_desk
def remove_target(desk: Desk, name: str) -> None:
    """Remove the target of a NAME and forget its address. What went to it stays in the history."""
    from mediaprep import vault

    gone = desk.records.remove_reminder_target(name, at=desk.clock.now())
    if gone.keyring_name is not None:
        vault.forget(gone.keyring_name)
    desk.out.text(f"Removed target {name}; its address is forgotten.")
    desk.out.result(removed=name)


@target.command("test")
@click.argument("name")
@json_option
@pass_desk
def try_target(desk: Desk, name: str) -> None:
    """Send a message that says it is a test to the target of a NAME, now, quiet hours or not."""
    from mediaprep.reminder_text import trial_message
    from mediaprep.reminding import hand_over, secret_of
    from mediaprep.send import AppriseSender

    found = desk.records.reminder_target(name)
    url = secret_of(desk.records, found)
    if url is None:
        message = f"The address of target {name} is in the keyring of another computer or user"
        raise DeliveryFailed(message, remedy="Try it there, or remove the target and add it without --keyring.")
    delivery = hand_over(AppriseSender(), found, url, trial_message(name))
    if not delivery.delivered:
        message = f"The test did not reach target {name}: {delivery.detail}"
        raise DeliveryFailed(message, remedy="Check the address and the network; remove the target and add it anew.")
    desk.out.text(f"Target {name} took the test. See that it arrived.")
    desk.out.result(target=name, delivery=delivery)


def describe_rule(rule: ReminderRule) -> str:
    """Return when a rule reminds, as a phrase."""
    parts = [f"{', '.join(map(str, rule.days_before))} days before"] if rule.days_before else []
    parts += ["on the day"] if rule.on_the_day else []
    parts += [f"every {rule.repeat_days} days after"] if rule.repeat_days is not None else []
    return "; ".join(parts)


def _list_rules(desk: Desk) -> None:
    found = desk.records.reminder_rules()
    desk.out.table(
        ("RULE", "FOR", "WHEN"),
        [(one.name, _scope(one), describe_rule(one)) for one in found],
        empty="No rule: nothing is reminded of. Add one: mediaprep remind rule add NAME --before 7",
    )
    desk.out.result(rules=found)


def _list_targets(desk: Desk) -> None:
    found = desk.records.reminder_targets()
    desk.out.table(
        ("TARGET", "ADDRESS", "ZONE", "QUIET HOURS", "KEPT IN"),
        [
            (
                one.name,
                one.address,
                one.zone,
                f"{one.quiet.start:%H:%M}-{one.quiet.end:%H:%M}" if one.quiet else "-",
                "keyring" if one.keyring_name else "records",
            )
            for one in found
        ],
        empty="No target: reminders go nowhere. Add one: mediaprep remind target add NAME",
    )
    desk.out.result(targets=found)


def _scope(rule: ReminderRule) -> str:
    where = f"{rule.aircraft}/{rule.unit}" if rule.unit else rule.aircraft
    return " ".join(part for part in (where, rule.kind) if part) or "everything"


def _describe_quiet(target: ReminderTarget) -> str:
    return f", quiet {target.quiet.start:%H:%M}-{target.quiet.end:%H:%M}" if target.quiet else ""


def _quiet(text: str | None) -> QuietHours | None:
    if text is None:
        return None
    found = _QUIET.fullmatch(text)
    if found is None or found[1] == found[2]:
        message = f"'{text}' are no quiet hours"
        raise Usage(message, remedy="Write from-until by the clock of the target's zone, for example 22:00-07:00.")
    return QuietHours(time.fromisoformat(found[1]), time.fromisoformat(found[2]))


def _address(source: IO[str] | None) -> str:
    if source is None and sys.stdin.isatty():
        return str(click.prompt("Address (not shown)", hide_input=True, err=True)).strip()
    url = (source or sys.stdin).readline().strip()
    if not url:
        message = "No address was given"
        raise Usage(message, remedy="Give it on standard input, or in a file with --from FILE.")
    return url


def _keep_apart(name: str, url: str, desk: Desk) -> str:
    import secrets

    from mediaprep import vault

    entry = f"{desk.settings.station} {name} {secrets.token_hex(4)}"
    vault.keep(entry, url)
    return entry

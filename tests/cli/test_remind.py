"""`mediaprep remind` as its user meets it, with a real webhook on the loopback."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from mediaprep.cautions import CAUTION
from tests.cli.conftest import Cli, Ran, make_bundle
from tests.reminders.servers import Hook, webhook
from tests.reminders.test_places import FakeKeyring

SECRET = "hook-secret"  # noqa: S105 - what must not be seen anywhere
Add = Callable[..., Ran]


@pytest.fixture
def hook() -> Iterator[Hook]:
    with webhook() as made:
        yield made


@pytest.fixture
def add(cli: Cli, hook: Hook, monkeypatch: pytest.MonkeyPatch) -> Add:
    """Add a target whose address comes from standard input, by default that of the webhook."""

    def run(name: str, *more: str, url: str | None = None) -> Ran:
        typed = url if url is not None else f"json://127.0.0.1:{hook.port}/{SECRET}"
        monkeypatch.setattr(sys, "stdin", io.StringIO(typed + "\n"))
        return cli("remind", "target", "add", name, *more)

    return run


@pytest.fixture
def lapsing(panel: Cli, tmp_path: Path) -> Cli:
    """A panel whose left display holds navigation data that lapse in six days."""
    make_bundle(tmp_path / "own", seed=11)
    day = (datetime.now(UTC) + timedelta(days=6)).date()
    for line in (
        "unit kind navigation --scheme dates",
        f"bundle add {tmp_path}/own --kind navigation --name old --effective 2026-01-22 --lapses {day}",
        f"write old --on {tmp_path}/card --for LEFT --card C-1 --accept card.capacity",
        f"verify {tmp_path}/card",
        "install C-1 --in LEFT --accepted",
    ):
        ran = panel(*line.split())
        assert ran.code == 0, line + ran.out + ran.err
    return panel


def test_without_a_target_nothing_is_sent_and_it_is_said(cli: Cli) -> None:
    ran = cli("remind")
    assert ran.code == 0
    assert "target add" in ran.out
    assert "reminders go nowhere" in cli("remind", "target").out


def test_set_up_sent_once_and_looked_back_at(lapsing: Cli, add: Add, hook: Hook) -> None:
    assert add("phone", "--allow-local", "--zone", "Europe/Berlin").code == 0
    tried = lapsing("remind", "target", "test", "phone")
    assert (tried.code, hook.got.pop()["title"]) == (0, "mediaprep: this is a test")
    shown = lapsing("remind", "--dry-run")
    assert "TEST-1/LEFT navigation lapses" in shown.out
    assert hook.got == []
    first, second = lapsing("remind", "--json"), lapsing("remind", "--json")
    assert (first.code, second.code) == (0, 0)
    (done,) = first.result["dispatches"]
    assert (done["target"], done["state"], [one["key"]["step"] for one in done["reminders"]]) == (
        "phone",
        "sent",
        ["-7"],
    )
    assert second.result["dispatches"] == []
    assert "Nothing to send now." in lapsing("remind").out
    (got,) = hook.got
    assert CAUTION in got["message"]
    assert "simulated card" in got["message"]
    (kept,) = lapsing("remind", "history", "--json").result["messages"]
    assert (kept["state"], len(kept["attempts"]), kept["attempts"][0]["delivery"]["delivered"]) == ("sent", 1, True)
    assert "TEST-1/LEFT navigation (-7)" in lapsing("remind", "history").out


def test_a_failure_is_told_with_its_own_exit_code_and_waits(lapsing: Cli, add: Add, hook: Hook) -> None:
    add("phone", "--allow-local")
    hook.status = 429
    ran = lapsing("remind", "--json")
    assert (ran.code, ran.result["code"], ran.result["ok"]) == (52, "delivery-failed", False)
    assert "HTTP 429: too many messages for now" in ran.result["message"]
    assert [one["state"] for one in ran.result["waiting"]] == ["waiting"]
    later = lapsing("remind")
    assert later.code == 0
    assert "Waits: message 1 to phone" in later.out
    assert "waits until" in lapsing("remind", "history").out
    tried = lapsing("remind", "target", "test", "phone")
    assert tried.code == 52
    assert "did not reach target phone" in tried.err


def test_the_address_is_never_seen(lapsing: Cli, add: Add, hook: Hook) -> None:
    hook.status = 500
    seen = [add("phone", "--allow-local"), add("again"), add("bad", url=f"wrong://{SECRET}"), add("none", url="")]
    lines = ("remind target", "remind target list", "remind --dry-run", "remind", "remind history",
             "remind target test phone", "remind target remove phone", "remind history")  # fmt: skip
    for line in lines:
        seen += [lapsing(*line.split(), "--json"), lapsing(*line.split())]
    assert not any(SECRET in ran.out + ran.err for ran in seen)
    assert hook.paths, "though it was used"
    assert SECRET in hook.paths[0]


def test_an_address_of_this_computer_needs_a_word(cli: Cli, add: Add) -> None:
    ran = add("phone")
    assert (ran.code, cli("remind", "target", "--json").result["targets"]) == (51, [])
    assert "--allow-local" in ran.err
    assert add("phone", "--allow-local").code == 0
    assert add("phone", "--allow-local").code == 42


def test_an_address_may_come_from_a_file(cli: Cli, tmp_path: Path) -> None:
    (tmp_path / "address").write_text(f"jsons://192.0.2.1/{SECRET}\n")
    ran = cli("remind", "target", "add", "far", "--from", tmp_path / "address", "--quiet", "22:00-07:00", "--json")
    assert ran.result["target"]["address"] == "jsons://192.0.2.1/..."
    assert ran.result["target"]["quiet"] == {"start": "22:00:00", "end": "07:00:00"}
    assert "22:00-07:00" in cli("remind", "target").out


@pytest.mark.parametrize(
    ("more", "complaint"),
    [
        (("--zone", "Mars/Olympus"), "no time zone"),
        (("--zone", "../../etc/passwd"), "no time zone"),
        (("--quiet", "22-7"), "no quiet hours"),
        (("--quiet", "07:00-07:00"), "no quiet hours"),
        (("--quiet", "24:00-07:00"), "no quiet hours"),
        (("--keyring",), "keyring is not installed"),
    ],
)
def test_what_cannot_be_meant_is_refused(
    cli: Cli, add: Add, monkeypatch: pytest.MonkeyPatch, more: tuple[str, ...], complaint: str
) -> None:
    monkeypatch.setitem(sys.modules, "keyring", None)
    ran = add("phone", "--allow-local", *more)
    assert ran.code == 2
    assert complaint in ran.err
    assert cli("remind", "target", "--json").result["targets"] == []


def test_the_keyring_holds_the_address_where_it_is_asked_to(
    lapsing: Cli, add: Add, hook: Hook, monkeypatch: pytest.MonkeyPatch
) -> None:
    keyring = FakeKeyring()
    monkeypatch.setitem(sys.modules, "keyring", keyring)
    assert add("phone", "--allow-local", "--keyring").code == 0
    assert "keyring" in lapsing("remind", "target").out
    monkeypatch.setitem(sys.modules, "keyring", FakeKeyring())
    ran = lapsing("remind")
    assert ran.code == 52
    assert "keyring of another computer or user" in ran.err
    assert lapsing("remind", "target", "test", "phone").code == 52
    monkeypatch.setitem(sys.modules, "keyring", keyring)
    assert lapsing("remind").code == 0
    assert len(hook.got) == 1
    lapsing("remind", "target", "remove", "phone")
    assert keyring.held == {}


def test_rules_are_listed_added_and_removed(lapsing: Cli) -> None:
    assert (
        "default  everything  14, 7, 3, 1 days before; on the day; every 7 days after" in lapsing("remind", "rules").out
    )
    line = "remind rule add close --unit LEFT --kind navigation --before 2 --before 30 --not-on-day --repeat 0 --json"
    ran = lapsing(*line.split())
    assert ran.result["rule"] == {
        "name": "close", "days_before": [30, 2], "on_the_day": False, "repeat_days": None, "aircraft": "TEST-1",
        "unit": "LEFT", "kind": "navigation",
    }  # fmt: skip
    assert "close    TEST-1/LEFT navigation  30, 2 days before" in lapsing("remind", "rule").out
    assert lapsing("remind", "rule", "add", "x", "--unit", "LEFT", "--aircraft", "OTHER").code == 2
    assert lapsing("remind", "rule", "add", "x").code == 42
    assert "not reminded of" in lapsing("remind", "rule", "remove", "default").err
    assert lapsing("remind", "rule", "remove", "default").code == 45


def test_an_acknowledgement_says_until_when_it_is_quiet(lapsing: Cli, add: Add, hook: Hook) -> None:
    add("phone", "--allow-local")
    ran = lapsing("remind", "ack", "LEFT")
    assert ran.code == 0
    assert "quiet until the day it lapses" in ran.out
    assert CAUTION.split(":")[0] in ran.out
    assert lapsing("remind", "--json").result["dispatches"] == []
    assert hook.got == []


def test_put_off_it_waits_and_a_lapse_before_the_end_is_pointed_out(lapsing: Cli, add: Add, hook: Hook) -> None:
    add("phone", "--allow-local")
    ran = lapsing("remind", "snooze", "LEFT", "--kind", "navigation", "--days", "9")
    assert ran.code == 0
    assert "lapses before then" in ran.err
    assert "lapses before then" not in lapsing("remind", "snooze", "LEFT", "--days", "2").err
    lapsing("remind")
    assert hook.got == []


@pytest.mark.parametrize(
    ("line", "code"),
    [
        ("snooze LEFT", 2),
        ("snooze LEFT --days 2 --until 2030-01-01", 2),
        ("snooze LEFT --until 2020-01-01", 2),
        ("ack NONE", 45),
        ("ack RIGHT", 45),
        ("ack LEFT --kind base-map", 45),
        ("target test none", 45),
        ("target remove none", 45),
    ],
)
def test_an_answer_to_nothing_is_refused(lapsing: Cli, line: str, code: int) -> None:
    ran = lapsing("remind", *line.split(), "--json")
    assert (ran.code, ran.result["ok"]) == (code, False)


def test_in_quiet_hours_a_dry_run_says_so(lapsing: Cli, add: Add) -> None:
    now, hour = datetime.now(UTC), timedelta(hours=1)
    add("bed", "--allow-local", "--quiet", f"{now - hour:%H:%M}-{now + hour:%H:%M}")
    (shown,) = lapsing("remind", "--dry-run", "--json").result["due"]
    assert (shown["quiet"], shown["reminders"]) == (True, [])
    assert "quiet hours" in lapsing("remind", "--dry-run").out

"""A set in a store, from `bundle add` to the card, as the person at the bench meets it: also when things go wrong."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from mediaprep.bundles.store import CHUNK_BYTES, StoreBundle
from mediaprep.cli.desk import Desk
from mediaprep.cli.main import main
from mediaprep.config import Settings
from tests.cli.conftest import Cli, Ran, make_bundle
from tests.stores import Store, wait_for_the_next_second

LARGE = bytes(range(256)) * (CHUNK_BYTES // 128)  # two chunks


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(tmp_path / "first", f"sqlite:///{tmp_path}/shared.sqlite3", station="bench-1", operator="tester")


@pytest.fixture
def second(settings: Settings, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Cli:
    """The command line of another station with the same records."""

    def run(*arguments: object) -> Ran:
        capsys.readouterr()
        elsewhere = replace(settings, data_dir=tmp_path / "second", station="bench-2")
        code = main([str(argument) for argument in arguments], Desk(settings=elsewhere))
        captured = capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    return run


def add(cli: Cli, url: str) -> None:
    ran = cli("bundle", "add", url, "--kind", "base-map", "--name", "stored", "--json")
    assert ran.code == 0, ran.out


def write(cli: Cli, card: Path) -> Ran:
    return cli("write", "stored", "--on", card, "--for", "LEFT", "--json")


def meddle_after_a_chunk(monkeypatch: pytest.MonkeyPatch, meddle: Callable[[], None]) -> None:
    real = StoreBundle._chunks
    done = []

    def chunks(*arguments: object) -> object:
        for chunk in real(*arguments):  # type: ignore[arg-type]
            yield chunk
            if not done:
                done.append(meddle())

    monkeypatch.setattr(StoreBundle, "_chunks", chunks)


def test_two_stations_write_one_set_from_the_store(panel: Cli, second: Cli, store: Store, tmp_path: Path) -> None:
    folder = make_bundle(tmp_path / "set", seed=5)
    url = store.put_folder(folder, "sets/base")
    before = store.objects()
    added = panel("bundle", "add", url + "/", "--kind", "base-map", "--json").result["bundle"]
    assert (added["name"], added["source"], added["source_form"]) == ("base", url, "store")
    refused = panel("bundle", "add", folder, "--kind", "base-map", "--json")
    assert refused.result["message"] == f"{folder} holds the same files as bundle base, which is in the library"
    for number, (station, cli) in enumerate((("bench-1", panel), ("bench-2", second))):
        card = tmp_path / ("card", "other")[number]
        ran = cli("write", "base", "--on", card, "--for", "LEFT", "--json")
        assert ran.code == 0, ran.out
        assert ran.result["receipt"]["station"] == station
        assert not [line for line in ran.lines if "s3://" in str(line.get("evidence"))], "no volume of this computer"
        for path in folder.rglob("*.bin"):
            assert (card / "volume" / path.relative_to(folder)).read_bytes() == path.read_bytes()
    assert second("bundle", "check", "base").code == 0
    assert store.objects() == before


def test_a_changed_object_is_found_before_anything_is_written(panel: Cli, store: Store, tmp_path: Path) -> None:
    add(panel, store.put_folder(make_bundle(tmp_path / "set", seed=5), "base"))
    wait_for_the_next_second()
    store.put("base/set-region-0/part-0.bin", b"x")
    ran = write(panel, tmp_path / "card")
    assert ran.code == 10
    assert "bundle.changed" in ran.result["message"]
    assert not list((tmp_path / "card").rglob("*.bin"))
    checked = panel("bundle", "check", "stored", "--json")
    assert checked.result["checked"][0]["changes"]["differing"] == ["set-region-0/part-0.bin"]


def test_an_object_replaced_while_it_is_written_is_not_on_the_card(
    panel: Cli, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.put("base/large.bin", LARGE)
    add(panel, "s3://sets/base")
    meddle_after_a_chunk(monkeypatch, lambda: store.put("base/large.bin", LARGE[::-1]))
    ran = write(panel, tmp_path / "card")
    assert (ran.code, ran.result["code"]) == (23, "source-changed")
    assert "large.bin" in ran.result["message"]
    assert not (tmp_path / "card/volume/large.bin").exists()


def test_a_store_that_goes_away_ends_the_job_and_the_next_command_goes_on(
    panel: Cli, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store.put("base/large.bin", LARGE)
    add(panel, "s3://sets/base")
    with monkeypatch.context() as patch:
        meddle_after_a_chunk(patch, store.pause)
        ran = write(panel, tmp_path / "card")
    assert (ran.code, ran.result["code"]) == (20, "bundle-unreadable")
    assert "large.bin in the bundle s3://sets/base" in ran.result["message"]
    assert "network" in ran.result["remedy"]
    assert not (tmp_path / "card/volume/large.bin").exists()
    store.resume()
    assert write(panel, tmp_path / "card").code == 0
    assert (tmp_path / "card/volume/large.bin").read_bytes() == LARGE


def test_a_station_without_rights_hears_so(
    panel: Cli, second: Cli, store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(panel, store.put_folder(make_bundle(tmp_path / "set", seed=5), "base"))
    store.use_key(monkeypatch, *store.user_without_rights())
    ran = write(second, tmp_path / "card")
    assert (ran.code, ran.result["code"]) == (20, "bundle-unreadable")
    assert "denied access (AccessDenied)" in ran.result["message"]
    assert "credentials on this station" in ran.result["remedy"]


def test_a_url_with_a_password_is_neither_kept_nor_shown(panel: Cli, tmp_path: Path) -> None:
    ran = panel("bundle", "add", "s3://key:hush@sets/base", "--kind", "base-map", "--json")
    assert ran.code == 2
    assert "hush" not in ran.out + ran.err
    for path in tmp_path.rglob("*"):
        assert not path.is_file() or b"hush" not in path.read_bytes()


def test_a_missing_cycle_is_guessed_from_the_prefix(panel: Cli) -> None:
    ran = panel("bundle", "add", "s3://sets/nav-2613", "--kind", "navigation", "--json")
    assert ran.code == 2
    assert ran.result["message"].endswith("of s3://sets/nav-2613 is not stated")
    assert "2613" in ran.result["remedy"]

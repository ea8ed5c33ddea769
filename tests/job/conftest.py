"""The main job through the library: records, a bundle of real files and a simulated card whose faults are scripted."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from mediaprep.bench import Bench, Wish
from mediaprep.bundles import open_bundle
from mediaprep.clock import SystemClock
from mediaprep.config import Settings
from mediaprep.cycles import validity_for
from mediaprep.devices.simulated import SimulatedCard
from mediaprep.host import SimulatedHost
from mediaprep.manifest import digest
from mediaprep.model import Aircraft, Bundle, Card, DataEvidence, FileSystem, Fitness, MediaRule, Unit
from mediaprep.orders import card_of
from mediaprep.progress import Progress
from mediaprep.records import Store, open_records
from mediaprep.session import Outcome, prepare_card, verify_card


@dataclass
class Workshop:
    """All that a job needs. `progress` collects what is reported; setting `stop_when` cancels the job."""

    folder: Path
    store: Store
    card: SimulatedCard
    unit: Unit
    progress: list[Progress] = field(default_factory=list)
    stop_when: Callable[[Progress], bool] = lambda _: False
    _stopped: bool = False

    def bench(self) -> Bench:
        def sink(progress: Progress) -> None:
            self.progress.append(progress)
            self._stopped = self._stopped or self.stop_when(progress)

        return Bench(
            card=self.card,
            host=SimulatedHost(),
            records=self.store,
            clock=SystemClock(),
            places=(("records", str(self.folder)), ("temp", str(self.folder))),
            progress=sink,
            cancelled=lambda: self._stopped,
        )

    def known(self) -> Card:
        return card_of(self.card.facts(), self.store, SystemClock(), name="C-1")

    def write(self, bundle: str = "first") -> Outcome:
        self.progress.clear()
        self._stopped = False
        found = self.store.bundle(bundle)
        wish = Wish(found, open_bundle(Path(found.source)), self.unit, self.known())
        return prepare_card(wish, self.bench())

    def verify(self) -> Outcome:
        self._stopped = False
        return verify_card(self.known(), self.unit, self.bench())

    def fitness(self) -> Fitness:
        return self.store.fitness("C-1")

    def take_in(self, name: str, files: dict[str, bytes], kind: str = "navigation") -> None:
        folder = self.folder / name
        for path, content in files.items():
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / path).write_bytes(content)
        self.take_in_from(name, folder, kind)

    def take_in_from(self, name: str, path: Path, kind: str = "navigation") -> None:
        source = open_bundle(path)
        manifest = source.take_in(lambda _: None, lambda: False)
        known = self.store.kinds()[kind]
        effective = None if kind == "base-map" else SystemClock().now().date()
        validity = (
            validity_for(replace(known.cycle_rule), cycle="2613", effective_on=None, lapses_on=None)
            if kind == "navigation"
            else validity_for(known.cycle_rule, cycle=None, effective_on=effective, lapses_on=None)
        )
        self.store.add_bundle(
            Bundle(
                name=name,
                kind=known,
                validity=validity,
                source=source.location,
                source_form=source.form,
                manifest_sha256=digest(manifest),
                file_count=len(manifest.entries),
                total_bytes=manifest.total_bytes,
                taken_in_at=SystemClock().now(),
            ),
            manifest,
        )

    def on_card(self) -> dict[str, bytes]:
        return contents(self.card.volume)

    def in_bundle(self, name: str) -> dict[str, bytes]:
        return contents(self.folder / name)


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()
    }


def files(seed: int, count: int = 8, size: int = 40_000) -> dict[str, bytes]:
    source = random.Random(seed)
    return {f"folder-{n % 3}/file-{n}.bin": source.randbytes(size + n) for n in range(count)} | {"empty.txt": b""}


def make_card(
    folder: Path,
    *,
    data_evidence: DataEvidence = DataEvidence.DIRECT,
    remounts: bool = True,
    reads_raw: bool = False,
) -> SimulatedCard:
    return SimulatedCard.make(
        folder,
        capacity_bytes=4 * 10**9,
        file_system=FileSystem.FAT32,
        data_evidence=data_evidence,
        remounts=remounts,
        reads_raw=reads_raw,
        sleep=lambda _: None,
    )


@pytest.fixture
def workshop(tmp_path: Path) -> Iterator[Workshop]:
    store = open_records(Settings(data_dir=tmp_path / "data", station="bench"), clock=SystemClock())
    store.add_aircraft(Aircraft("TEST"))
    store.save_rule(MediaRule("any"))
    unit = store.add_unit(Unit("UNIT", "TEST", "", (), ("navigation", "base-map"), store.rule("any")))
    made = Workshop(tmp_path, store, make_card(tmp_path / "card"), unit)
    made.take_in("first", files(1))
    yield made
    store.close()

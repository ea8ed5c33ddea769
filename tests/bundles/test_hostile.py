"""The hostile corpus: each archive is refused for what is wrong with it, and nothing is written anywhere meanwhile.

`pytest -s` prints the table: case, result.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from mediaprep.bundles import open_bundle
from mediaprep.errors import BundleEmpty, BundleUnreadable, BundleUnsafe, MediaPrepError
from tests.bundles import hostile_tar, hostile_zip
from tests.bundles.case import Case
from tests.bundles.watch import changes
from tests.job.conftest import Workshop, contents, workshop  # noqa: F401 - a fixture

CASES = [*hostile_zip.cases(), *hostile_tar.cases()]


@pytest.fixture(scope="module")
def table() -> Iterator[list[str]]:
    rows: list[str] = []
    yield rows
    print("\n" + "\n".join(rows) + f"\n{len(rows)} archives; bytes written anywhere: 0")


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.title)
def test_a_hostile_archive_is_refused_by_name_and_nothing_is_written(
    case: Case, tmp_path: Path, table: list[str]
) -> None:
    archive = tmp_path / "bundle"
    archive.write_bytes(case.data)
    refused: MediaPrepError | None = None
    with changes() as attempted:
        try:
            open_bundle(archive).take_in(lambda _: None, lambda: False)
        except (BundleUnsafe, BundleUnreadable, BundleEmpty) as error:
            refused = error
    assert attempted == []
    assert [path.name for path in tmp_path.iterdir()] == ["bundle"]
    if case.error is None:
        assert refused is None or isinstance(refused, BundleEmpty)
    else:
        assert type(refused) is case.error
        assert re.search(case.match, refused.message), refused.message
        assert str(archive) in refused.message
        assert refused.remedy
        refused.message.encode()  # fit to be printed
    result = "taken in" if refused is None else f"{refused.code}: {refused.message.replace(str(archive), 'X')}"
    table.append(f"{case.title:<45} {result[:110]}")


@pytest.mark.slow
@pytest.mark.parametrize(
    "case", [case for case in CASES if case.error is not None and len(case.data) < 10**5], ids=lambda case: case.title
)
def test_an_archive_swapped_after_intake_puts_nothing_outside_the_card(case: Case, workshop: Workshop) -> None:  # noqa: F811
    archive = workshop.folder / "bundle"
    archive.write_bytes(hostile_tar.file(b"nav/a.bin") + hostile_tar.END)
    workshop.take_in_from("swapped", archive)
    info = archive.stat()
    archive.write_bytes(case.data)
    os.utime(archive, ns=(info.st_atime_ns, info.st_mtime_ns))
    before = everything(workshop.folder)
    # Where what was taken in lies in front of what is hostile, it may be written: whole, or not at all.
    with contextlib.suppress(MediaPrepError):
        workshop.write("swapped")
    assert everything(workshop.folder) == before
    written = workshop.on_card()
    written.pop("nav/a.bin.part", None)
    assert written in ({}, {"nav/a.bin": hostile_tar.DATA})


def everything(folder: Path) -> dict[str, bytes]:
    """All there is but for the card and the records."""
    return {path: data for path, data in contents(folder).items() if not path.startswith(("card/", "data/"))}

"""Archives that were altered at random: refused, or read as a second reader reads them; never a crash, never a loop."""

from __future__ import annotations

import contextlib
import hashlib
import tarfile
import zipfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mediaprep.bundles import open_bundle
from mediaprep.errors import MediaPrepError
from mediaprep.names import is_litter
from tests.bundles import hostile_tar, hostile_zip

SEEDS = [case.data for case in (*hostile_zip.cases(), *hostile_tar.cases()) if 0 < len(case.data) < 20_000]
ROOMS = st.integers(0, 2**16)

# Either single bytes and short runs that are altered, cut out or doubled, or two archives joined.
CHANGES = st.lists(
    st.one_of(
        st.tuples(st.just("set"), ROOMS, st.binary(min_size=1, max_size=8)),
        st.tuples(st.just("cut"), ROOMS, st.integers(1, 600)),
        st.tuples(st.just("double"), ROOMS, st.integers(1, 600)),
        st.tuples(st.just("join"), ROOMS, st.integers(0, len(SEEDS) - 1)),
    ),
    max_size=4,
)


def altered(data: bytes, changes: list[tuple[str, int, object]]) -> bytes:
    for what, at, value in changes:
        place = at % (len(data) + 1)
        match value:
            case bytes():
                data = data[:place] + value + data[place + len(value) :]
            case int() if what == "cut":
                data = data[:place] + data[place + value :]
            case int() if what == "double":
                data = data[:place] + data[place : place + value] * 2 + data[place + value :]
            case int():
                data = data[:place] + SEEDS[value]
    return data


@pytest.mark.slow
@settings(max_examples=1500, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(seed=st.sampled_from(SEEDS), changes=CHANGES)
def test_an_altered_archive_is_refused_or_read_right(
    seed: bytes, changes: list[tuple[str, int, object]], tmp_path: Path
) -> None:
    path = tmp_path / "altered"
    path.write_bytes(altered(seed, changes))
    try:
        source = open_bundle(path)
        manifest = source.take_in(lambda _: None, lambda: False)
    except MediaPrepError as error:
        f"{error} {error.remedy}".encode()  # fit to be printed
        return
    found = {entry.path: entry.sha256 for entry in manifest.entries}
    with source.hand_out(list(found), lambda: False) as files:
        again = {name: hashlib.sha256(b"".join(chunks)).hexdigest() for name, chunks in files}
    assert again == found
    if source.form == "zip":
        assert zip_by_python(path) == sorted(found.values())
    elif not path.read_bytes().startswith(hostile_tar.ZSTD_MAGICS):  # Python 3.11 does not know Zstandard
        assert tar_by_python(path) == sorted(found.values())


def tar_by_python(path: Path) -> list[str]:
    with tarfile.open(path) as archive:
        return sorted(
            hashlib.sha256(member.read()).hexdigest()
            for info in archive
            if info.isreg() and not is_litter(info.name.removeprefix("./"))
            for member in [archive.extractfile(info)]
            if member is not None
        )


def zip_by_python(path: Path) -> list[str]:
    """The digests of a zip's files as Python's own reader has them; it may call some by other names."""
    with zipfile.ZipFile(path) as archive:
        return sorted(
            hashlib.sha256(archive.read(info)).hexdigest()
            for info in archive.infolist()
            if not info.is_dir() and not is_litter(info.filename)
        )


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.binary(max_size=2000),
    magic=st.sampled_from([b"PK\3\4", b"PK\5\6", b"\x1f\x8b\x08", b"BZh9", b"\xfd7zXZ\0", b"\x28\xb5\x2f\xfd"]),
)
def test_noise_is_refused(data: bytes, magic: bytes, tmp_path: Path) -> None:
    path = tmp_path / "noise"
    path.write_bytes(magic + data)
    with contextlib.suppress(MediaPrepError):
        open_bundle(path).take_in(lambda _: None, lambda: False)
        raise AssertionError("noise was taken in")

"""One set of files is the same bundle, however and by whichever program it was packed."""

from __future__ import annotations

import os
import random
import tarfile
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from mediaprep.bundles import open_bundle
from mediaprep.errors import BundleUnreadable
from mediaprep.manifest import digest
from mediaprep.model import Manifest
from tests.tools import need, run

Packer = Callable[[Path, Path], None]


def take_in(path: Path) -> Manifest:
    return open_bundle(path).take_in(lambda _: None, lambda: False)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Files that pack well and files that do not, long and foreign names, an empty folder, and what desktops leave."""
    source = random.Random(7)
    made = tmp_path / "set"
    for path, data in {
        "TOP/nav/some.dat": b"abc",
        "TOP/nav/zeros.dat": bytes(3_000_000),
        "TOP/nav/noise.dat": source.randbytes(2_100_000),
        "TOP/empty.dat": b"",
        f"TOP/{'long-folder/' * 9}{'n' * 120}.dat": b"far down",
        "TOP/Größe/mapa-ñ.dat": b"foreign",
        "TOP/日本.dat": b"more foreign",
        ".DS_Store": b"litter",
        "TOP/nav/._some.dat": b"litter",
        "__MACOSX/TOP/._nav": b"litter",
        "System Volume Information/odd.bin": b"litter",
    }.items():
        (made / path).parent.mkdir(parents=True, exist_ok=True)
        (made / path).write_bytes(data)
    (made / "TOP/empty folder").mkdir()
    return made


def by_program(program: str, *arguments: str) -> Packer:
    """Pack the folder's contents with a program; OUT and FOLDER stand for paths."""

    def pack(folder: Path, out: Path) -> None:
        need(program, *(["zstd"] if "--zstd" in arguments else []))
        wanted = {"OUT": str(out), "FOLDER": str(folder)}
        shell = 'cd "$1" && shift && exec "$@"'
        run("sh", "-c", shell, "sh", folder, program, *(wanted.get(argument, argument) for argument in arguments))

    return pack


def by_zipfile(method: int) -> Packer:
    def pack(folder: Path, out: Path) -> None:
        with zipfile.ZipFile(out, "w", method) as archive:
            for path in sorted(folder.rglob("*"), reverse=True):
                archive.write(path, path.relative_to(folder).as_posix())

    return pack


def by_zipfile_to_a_pipe(folder: Path, out: Path) -> None:
    """What cannot be rewound gets descriptors behind its members; zip64 is forced."""

    class Pipe:
        def __init__(self) -> None:
            self.inner = out.open("wb")

        def write(self, data: bytes) -> int:
            return self.inner.write(data)

        def flush(self) -> None:
            self.inner.flush()

    pipe = Pipe()
    with zipfile.ZipFile(pipe, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in sorted(folder.rglob("*")):
            if path.is_file():
                name = path.relative_to(folder).as_posix()
                with archive.open(name, "w", force_zip64=True) as member:
                    member.write(path.read_bytes())
    pipe.inner.close()


def by_tarfile(form: int, mode: str) -> Packer:
    def pack(folder: Path, out: Path) -> None:
        with tarfile.open(out, f"w:{mode}", format=form) as archive:
            archive.add(folder, ".")

    return pack


PACKERS: dict[str, Packer] = {
    "zip": by_program("zip", "-q", "-r", "OUT", "."),
    "zip, stored": by_program("zip", "-q", "-0", "-r", "OUT", "TOP", "__MACOSX", ".DS_Store"),
    "zip, bzip2": by_program("zip", "-q", "-r", "-Z", "bzip2", "OUT", "."),
    "zip, descriptors": by_program("zip", "-q", "-r", "-fd", "OUT", "."),
    "zip, zip64": by_program("zip", "-q", "-r", "-fz", "OUT", "."),
    "zip, comment": by_program("sh", "-c", 'zip -q -r "$0" . && echo "cycle 2613" | zip -q -z "$0"', "OUT"),
    "7z": by_program("7z", "a", "-bso0", "-tzip", "OUT", "."),
    "7z, bzip2": by_program("7z", "a", "-bso0", "-tzip", "-mm=BZip2", "OUT", "."),
    "7z, LZMA": by_program("7z", "a", "-bso0", "-tzip", "-mm=LZMA", "OUT", "."),
    "7z, UTF-8 everywhere": by_program("7z", "a", "-bso0", "-tzip", "-mcu=on", "OUT", "."),
    "7z, tar": by_program("7z", "a", "-bso0", "-ttar", "OUT", "."),
    "bsdtar, zip": by_program("bsdtar", "--format", "zip", "-cf", "OUT", "TOP", "__MACOSX"),
    "bsdtar, pax": by_program("bsdtar", "--format", "pax", "-cf", "OUT", "."),
    "bsdtar, gnutar": by_program("bsdtar", "--format", "gnutar", "-cf", "OUT", "."),
    "bsdtar, zst": by_program("bsdtar", "--zstd", "-cf", "OUT", "."),
    "tar": by_program("tar", "-cf", "OUT", "."),
    "tar, gnu": by_program("tar", "--format", "gnu", "-cf", "OUT", "TOP", "__MACOSX", ".DS_Store"),
    "tar, posix": by_program("tar", "--format", "posix", "-cf", "OUT", "."),
    "tar, gz": by_program("tar", "-czf", "OUT", "."),
    "tar, bz2": by_program("tar", "-cjf", "OUT", "."),
    "tar, xz": by_program("tar", "-cJf", "OUT", "."),
    "tar, zst": by_program("tar", "--zstd", "-cf", "OUT", "."),
    "tar, xz in blocks": by_program("sh", "-c", 'tar -cf - . | xz -T2 --block-size=1MiB > "$0"', "OUT"),
    "tar, zst with a long look back": by_program("sh", "-c", 'tar -cf - . | zstd -q --long=27 > "$0"', "OUT"),
    "zipfile, stored": by_zipfile(zipfile.ZIP_STORED),
    "zipfile, deflated": by_zipfile(zipfile.ZIP_DEFLATED),
    "zipfile, bzip2": by_zipfile(zipfile.ZIP_BZIP2),
    "zipfile, LZMA": by_zipfile(zipfile.ZIP_LZMA),
    "zipfile, to a pipe": by_zipfile_to_a_pipe,
    "tarfile, gnu": by_tarfile(tarfile.GNU_FORMAT, ""),
    "tarfile, pax": by_tarfile(tarfile.PAX_FORMAT, ""),
    "tarfile, gz": by_tarfile(tarfile.PAX_FORMAT, "gz"),
    "tarfile, xz": by_tarfile(tarfile.GNU_FORMAT, "xz"),
}


@pytest.mark.parametrize("name", PACKERS)
def test_the_manifest_is_that_of_the_folder(name: str, folder: Path, tmp_path: Path) -> None:
    out = tmp_path / ("packed.zip" if "zip" in name or name.startswith("7z") else "packed.bin")
    PACKERS[name](folder, out)
    packed, plain = take_in(out), take_in(folder)
    assert [entry.path for entry in packed.entries] == [entry.path for entry in plain.entries]
    assert digest(packed) == digest(plain)


def test_sizes_beyond_8_gib_are_read_as_their_writers_mean_them(tmp_path: Path) -> None:
    """The headers alone: such a size is in an extended header or in GNU's binary form, and has no room in its field."""
    need("bsdtar", "tar")
    large = tmp_path / "large.bin"
    large.touch()
    os.truncate(large, 9 * 2**30)
    for command in ("bsdtar --format pax --no-read-sparse", "tar --format gnu", "tar --format posix"):
        start = tmp_path / "start.tar"
        run("sh", "-c", f'cd "$0" && {command} -cf - large.bin | head -c 4096 > start.tar', tmp_path)
        with pytest.raises(BundleUnreadable, match=r"large\.bin .* cut short"):
            take_in(start)

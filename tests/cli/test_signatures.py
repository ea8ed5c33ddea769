"""Publishers' signatures on the command line: which file is meant, what is told, and what is kept."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from tests.cli.conftest import Cli, make_bundle
from tests.cli.test_library import sums
from tests.keyring import Keyring

ADD = ("bundle", "add", "--kind", "base-map", "--name", "set")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return make_bundle(tmp_path / "set", seed=5)


def zipped(folder: Path) -> Path:
    to = folder.with_suffix(".zip")
    with zipfile.ZipFile(to, "w") as made:
        for path in sorted(folder.rglob("*")):
            made.write(path, path.relative_to(folder))
    return to


def grouped(fingerprint: str) -> str:
    """Return a fingerprint as gpg shows it for comparing, without the wider gap in its middle."""
    return " ".join(fingerprint.upper()[start : start + 4] for start in range(0, 40, 4))


def test_a_signed_list_is_told_kept_and_shown(panel: Cli, keyring: Keyring, folder: Path) -> None:
    listed = sums(folder, folder.with_name("SUMS"), "sha256")
    signature, key = keyring.sign(listed, "ed"), keyring.key("ed")
    fingerprint = keyring.fingerprints("ed")[0]
    ran = panel(*ADD, folder, "--checksums", listed, "--signature", signature, "--key", key)
    assert ran.code == 0, ran.err
    signed = f"Signed: SUMS, by the OpenPGP key {grouped(fingerprint)}"
    assert f"{signed}.\n" in ran.out
    assert "Caution" not in ran.out
    assert f"# {signed}\n" in panel("bundle", "show", "set").out
    shown = panel("bundle", "show", "set", "--json").result["bundle"]
    assert shown["signature"] == {"signed": "SUMS", "key_fingerprint": fingerprint}
    assert panel("bundle", "--json").result["bundles"][0]["signature"] is None


def test_a_good_signature_over_weak_checksums_is_told_with_a_caution(
    panel: Cli, keyring: Keyring, folder: Path
) -> None:
    listed = sums(folder, folder.with_name("SUMS"), "md5")
    ran = panel(
        *ADD, folder, "--checksums", listed, "--signature", keyring.sign(listed, "ed"), "--key", keyring.key("ed")
    )
    assert ran.code == 0, ran.err
    assert "Caution: the signature is good for the list of checksums, but these are weak" in ran.out


def test_which_file_is_signed_may_be_said(panel: Cli, keyring: Keyring, folder: Path) -> None:
    archive = zipped(folder)
    listed = sums(folder, folder.with_name("SUMS"), "sha256")
    over_archive = ("--signature", keyring.sign(archive, "rsa"), "--key", keyring.key("rsa"))
    assert "Signed: set.zip, by" in panel(*ADD, archive, *over_archive).out
    assumed = panel(*ADD, archive, "--again", "--checksums", listed, *over_archive)
    assert assumed.code == 29
    assert f"no good signature of {listed}" in assumed.err
    assert "--signs FILE" in assumed.err
    said = panel("bundle", "add", archive, "--kind", "base-map", "--name", "two", "--again", "--checksums", listed,
                 *over_archive, "--signs", archive)  # fmt: skip
    assert said.code == 0, said.err
    assert "Signed: set.zip, by" in said.out


@pytest.mark.parametrize(
    ("options", "code", "said"),
    [
        (("--signature", "x.sig"), 29, ("cannot be checked without the key", "--key FILE")),
        (("--key", "x.gpg"), 2, ("--key is given without a signature", "--signature FILE")),
        (("--signs", "SUMS"), 2, ("--signs is given without a signature", "--signature FILE")),
        (("--signature", "x.sig", "--key", "x.gpg"), 2, ("none is given that it could be over", "--checksums FILE")),
        (("--signature", "x", "--key", "x", "--checksums", "a", "--checksums", "b"), 2, ("Several", "--signs FILE")),
        (
            ("--signature", "x", "--key", "x", "--checksums", "a", "--signs", "c"),
            2,
            ("c is neither", "of these two"),
        ),
    ],
)
def test_what_does_not_fit_together_is_refused_with_a_way_out(
    panel: Cli, folder: Path, options: tuple[str, ...], code: int, said: tuple[str, str]
) -> None:
    ran = panel(*ADD, folder, *options)
    assert ran.code == code
    told, way_out = said
    assert told in ran.err
    assert way_out in ran.err


def test_nothing_is_taken_in_under_a_bad_signature(panel: Cli, keyring: Keyring, folder: Path) -> None:
    listed = sums(folder, folder.with_name("SUMS"), "sha256")
    signature = keyring.sign(listed, "ed")
    before = panel("bundle", "--json").result["bundles"]
    by_another = panel(
        *ADD, folder, "--checksums", listed, "--signature", signature, "--key", keyring.key("rsa"), "--json"
    )
    assert (by_another.code, by_another.result["code"]) == (29, "signature-invalid")
    # Files and list are changed together, so that they agree: the signature alone can tell.
    (folder / "set-region-0/part-2.bin").write_bytes(b"other")
    sums(folder, listed, "sha256")
    forged = panel(*ADD, folder, "--checksums", listed, "--signature", signature, "--key", keyring.key("ed"), "--json")
    assert (forged.code, forged.result["code"]) == (29, "signature-invalid")
    assert str(listed) in forged.result["message"]
    assert panel("bundle", "--json").result["bundles"] == before


def test_the_manifest_of_a_bag_may_be_the_signed_list(panel: Cli, keyring: Keyring, folder: Path) -> None:
    from datetime import date

    from mediaprep.bundles.bag import write_bag

    bag = folder.with_name("bag")
    write_bag(bag, iter([("a.bin", [b"abc"])]), bagged_on=date(2026, 1, 1))
    manifest = bag / "manifest-sha256.txt"
    signature = folder.with_name("manifest.sig")
    keyring.sign(manifest, "ed").rename(signature)
    ran = panel(*ADD, bag, "--checksums", manifest, "--signature", signature, "--key", keyring.key("ed"))
    assert ran.code == 0, ran.err
    assert "Signed: manifest-sha256.txt, by" in ran.out

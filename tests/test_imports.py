"""One way through the house: a module imports only from rows above its own, pure rows import no effects."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

# From the top of the house down. A module may import from its own row and from rows before it. The longest matching
# prefix places a module.
ROWS: list[set[str]] = [
    {"mediaprep", "mediaprep.errors", "mediaprep.cautions"},
    {"mediaprep.quantities"},
    {"mediaprep.model", "mediaprep.progress"},
    {"mediaprep.ports"},
    {"mediaprep.cycles", "mediaprep.logchain", "mediaprep.sdcard", "mediaprep.fitness", "mediaprep.wire"},
    {"mediaprep.volumes"},
    {"mediaprep.rawcard"},
    {"mediaprep.manifest", "mediaprep.names", "mediaprep.checksums", "mediaprep.suggest"},
    {
        "mediaprep.bagit",
        "mediaprep.bagcheck",
        "mediaprep.plan",
        "mediaprep.status",
        "mediaprep.reminders",
        "mediaprep.reminder_text",
    },
    {"mediaprep.library", "mediaprep.room"},
    {"mediaprep.planning", "mediaprep.drawing", "mediaprep.calendar"},
    {"mediaprep.checks"},
    {"mediaprep.clock", "mediaprep.config"},
    {"mediaprep.locality", "mediaprep.vault", "mediaprep.send"},
    {"mediaprep.logtext", "mediaprep.outfile", "mediaprep.aircraftbag", "mediaprep.receiptfiles"},
    {"mediaprep.export", "mediaprep.bagfile"},
    {"mediaprep.csvfile"},
    {"mediaprep.lists"},
    {"mediaprep.host", "mediaprep.devices", "mediaprep.bundles", "mediaprep.signatures"},
    {"mediaprep.intake", "mediaprep.write"},
    {"mediaprep.readback"},
    {"mediaprep.records"},
    {"mediaprep.printing"},
    {"mediaprep.reminding"},
    {"mediaprep.tracking"},
    {"mediaprep.bench"},
    {"mediaprep.gate"},
    {"mediaprep.proving"},
    {"mediaprep.session"},
    {"mediaprep.orders"},
    {"mediaprep.cli"},
    {"mediaprep.__main__"},
    {"service"},
]

PURE = {
    "mediaprep.planning", "mediaprep.drawing", "mediaprep.calendar",
    "mediaprep.errors", "mediaprep.quantities", "mediaprep.model", "mediaprep.progress", "mediaprep.ports",
    "mediaprep.cycles", "mediaprep.manifest", "mediaprep.logchain", "mediaprep.sdcard", "mediaprep.fitness",
    "mediaprep.wire", "mediaprep.names", "mediaprep.plan", "mediaprep.room", "mediaprep.checks", "mediaprep.status",
    "mediaprep.volumes", "mediaprep.rawcard", "mediaprep.checksums", "mediaprep.suggest", "mediaprep.bagit",
    "mediaprep.bagcheck", "mediaprep.library",
    "mediaprep.cautions", "mediaprep.reminders", "mediaprep.reminder_text",
    "mediaprep.logtext", "mediaprep.export", "mediaprep.csvfile", "mediaprep.lists", "mediaprep.aircraftbag",
    "mediaprep.receiptfiles",
}  # fmt: skip
EFFECTS = {"os", "sys", "time", "socket", "subprocess", "pathlib", "shutil", "tempfile", "threading", "io", "random"}

# Each of these is used behind one door.
DOORS = {
    "pyudev": {"mediaprep.devices"},
    "psutil": {"mediaprep.devices", "mediaprep.host", "mediaprep.records"},
    "sqlalchemy": {"mediaprep.records"},
    "alembic": {"mediaprep.records"},
    "apprise": {"mediaprep.send"},
    "apscheduler": {"service.scheduler"},
    "reportlab": {"mediaprep.printing.pdf"},
    "segno": {"mediaprep.printing.qr"},
    "rich": {"mediaprep.cli"},
    "icalendar": {"mediaprep.calendar"},
    "click": {"mediaprep.cli"},
    "flask": {"service"},
    "flask_smorest": {"service"},
    "marshmallow": {"service"},
    "waitress": {"service"},
    "zstandard": {"mediaprep.bundles"},
    "pysequoia": {"mediaprep.signatures"},
    "fsspec": {"mediaprep.bundles.store_access"},
    "s3fs": {"mediaprep.bundles.store_access"},
    "botocore": {"mediaprep.bundles.store_access"},
    "aiohttp": {"mediaprep.bundles.store_access"},
}


def modules() -> dict[str, Path]:
    found = {}
    for package in ("mediaprep", "service"):
        for path in sorted((ROOT / package).rglob("*.py")):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
            found[name] = path
    return found


def imports(path: Path, name: str) -> set[str]:
    """Every module that a file imports, wherever in the file, except for type checking only."""
    tree = ast.parse(path.read_text())
    package = name if path.name == "__init__.py" else name.rpartition(".")[0]
    skipped = {
        inner
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)
        for inner in ast.walk(node)
    }
    found = set()
    for node in ast.walk(tree):
        if node in skipped:
            continue
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                base = ".".join(
                    [*package.split(".")[: len(package.split(".")) - node.level + 1], *filter(None, [base])]
                )
            # `from mediaprep import errors` names a module; `from mediaprep.errors import X` does not.
            inner = {f"{base}.{alias.name}" for alias in node.names} & modules().keys()
            found.update(inner or {base})
    return found


def row_of(name: str) -> int:
    parts = name.split(".")
    for length in range(len(parts), 0, -1):
        prefix = ".".join(parts[:length])
        for number, row in enumerate(ROWS):
            if prefix in row and (prefix != "mediaprep" or name == "mediaprep"):
                return number
    raise AssertionError(f"{name} has no place in the house: give it a row in ROWS")


@pytest.mark.parametrize("name", sorted(modules()))
def test_a_module_imports_only_from_rows_above(name: str) -> None:
    own = row_of(name)
    ours = {target for target in imports(modules()[name], name) if target.split(".")[0] in {"mediaprep", "service"}}
    below = {target for target in ours if row_of(target) > own}
    assert not below, f"{name} reaches down to {sorted(below)}"


@pytest.mark.parametrize("name", sorted(name for name in modules() if ".".join(name.split(".")[:2]) in PURE))
def test_a_pure_module_imports_no_effects(name: str) -> None:
    touched = {target.split(".")[0] for target in imports(modules()[name], name)} & EFFECTS
    assert not touched, f"{name} imports {sorted(touched)}"


@pytest.mark.parametrize("name", sorted(modules()))
def test_each_library_is_used_behind_its_own_door(name: str) -> None:
    for target in imports(modules()[name], name):
        library = target.split(".")[0]
        if library in DOORS:
            assert any(name == door or name.startswith(door + ".") for door in DOORS[library]), (
                f"{name} imports {library}; only {sorted(DOORS[library])} may"
            )


def test_every_room_named_here_exists() -> None:
    known = modules()
    missing = [room for row in ROWS for room in row if room not in known]
    assert not missing, f"ROWS names what is not there: {missing}"

"""The built wheel holds all that the program needs: tried from another folder, with the source tree out of reach."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SHIPPED = ("pyproject.toml", "README.md", "LICENSE")
TRIED = """
import importlib.util, sys
from pathlib import Path
from mediaprep.clock import SystemClock
from mediaprep.config import Settings
from mediaprep.records import open_records
from service.app import create_app

where = Path(importlib.util.find_spec("mediaprep").origin)
assert where.is_relative_to(sys.argv[1]), where
settings = Settings(Path(sys.argv[2]))
open_records(settings, clock=SystemClock()).close()
client = create_app(settings, token="t").test_client()
for path in ("/api/v1/health", "/static/page.css"):
    with client.get(path) as answer:
        assert answer.status_code == 200, (path, answer.get_data())
assert client.get("/").mimetype == "text/html"
assert list((where.parent / "printing" / "fonts").glob("*.gz")), "the printouts' fonts"
print("whole")
"""


@pytest.mark.slow
def test_the_wheel_works_without_the_source_tree(tmp_path: Path) -> None:
    source, wheels, target = tmp_path / "source", tmp_path / "wheels", tmp_path / "installed"
    for name in ("mediaprep", "service"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in SHIPPED:
        shutil.copy(ROOT / name, source)
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
    subprocess.run([*pip, "wheel", "--no-deps", "--no-build-isolation", "-w", wheels, source], check=True)
    (wheel,) = wheels.glob("mediaprep-*.whl")
    subprocess.run([*pip, "install", "--no-deps", "--target", target, wheel], check=True)
    # -P keeps the working folder off the path; the target comes before the editable install.
    environment = {**os.environ, "PYTHONPATH": str(target)}
    done = subprocess.run(
        [sys.executable, "-P", "-c", TRIED, str(target), str(tmp_path / "data")],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout.strip() == "whole", done.stderr

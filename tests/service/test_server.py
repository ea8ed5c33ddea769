"""`mediaprep serve` as a process of its own: it answers, it keeps its token, and it ends when it is told to."""

from __future__ import annotations

import errno
import http.client
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from mediaprep.clock import SystemClock
from mediaprep.config import Settings
from mediaprep.devices.script import Slow
from mediaprep.devices.simulated import SimulatedCard
from mediaprep.errors import ServiceUnavailable
from mediaprep.model import JobState
from mediaprep.records import open_records
from service.app import create_app
from service.events import MOST_STREAMS
from service.server import serve
from service.state import state_of
from tests.service.conftest import TOKEN, furnish

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the signals are those of POSIX")

WAIT_SECONDS = 60


@dataclass
class Serving:
    """A service at work in another process, and what it said when it started."""

    process: subprocess.Popen[str]
    said: str
    port: int
    data_dir: Path

    @property
    def token(self) -> str:
        return (self.data_dir / "service-token").read_text().strip()

    def ask(self, path: str, body: object = None) -> tuple[int, Any]:
        headers = {"Authorization": f"Bearer {self.token}"}
        if body is not None:
            headers["Content-Type"] = "application/json"
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.port}{path}", None if body is None else json.dumps(body).encode(), headers
        )
        try:
            with urllib.request.urlopen(request, timeout=WAIT_SECONDS) as answer:  # noqa: S310
                assert "Server" not in answer.headers
                return answer.status, json.loads(answer.read())
        except urllib.error.HTTPError as error:
            with error:
                return error.code, json.loads(error.read())

    def end(self, number: signal.Signals) -> tuple[int, str, str]:
        """Tell it to end; return its exit code, what it said last, and what it complained about."""
        self.process.send_signal(number)
        said, complained = self.process.communicate(timeout=WAIT_SECONDS)
        return self.process.returncode, said, complained


@pytest.fixture
def serving(tmp_path: Path) -> Iterator[Serving]:
    data_dir = tmp_path / "data"
    here = {"MEDIAPREP_DATA_DIR": str(data_dir), "MEDIAPREP_STATION": "test bench", "PYTHONUNBUFFERED": "1"}
    process = subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "mediaprep", "serve", "--port", "0"],
        env=os.environ | here,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        # Whoever runs the tests in the background has Ctrl-C ignored for all its children: not for this one.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # noqa: PLW1509 - no thread starts here
    )
    assert process.stdout is not None
    try:
        said = ""
        while "curl" not in said:
            line = process.stdout.readline()
            assert line, process.communicate()[1]
            said += line
        found = re.search(r"http://127\.0\.0\.1:(\d+)/", said)
        assert found is not None
        yield Serving(process, said, int(found[1]), data_dir)
    finally:
        process.kill()
        process.communicate()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_answers_and_ends_when_told_to(serving: Serving, number: signal.Signals) -> None:
    assert serving.ask("/api/v1/health")[1]["status"] == "ok"
    assert serving.ask("/api/v1/aircraft") == (200, {"aircraft": []})
    assert serving.ask("/api/v1/none")[1]["code"] == "no-such-route"
    assert serving.token not in serving.said
    assert f"$(cat {serving.data_dir}/service-token)" in serving.said
    code, said, complained = serving.end(number)
    assert (code, complained) == (0, "")
    assert said.startswith("Stopping")


@pytest.mark.skipif(shutil.which("curl") is None, reason="curl is not installed")
def test_the_line_it_prints_works_as_it_stands(serving: Serving) -> None:
    line = serving.said.splitlines()[-1].strip()
    ran = subprocess.run(["sh", "-c", line], capture_output=True, text=True, timeout=WAIT_SECONDS, check=True)
    assert json.loads(ran.stdout) == {"aircraft": []}


@pytest.mark.skipif(sys.platform != "linux", reason="elsewhere 127.0.0.2 is no address of this computer")
def test_it_is_not_reached_by_other_addresses_of_this_computer(serving: Serving) -> None:
    with (
        pytest.raises(ConnectionRefusedError),
        socket.create_connection(("127.0.0.2", serving.port), timeout=WAIT_SECONDS),
    ):
        pass


def test_told_to_end_it_stops_the_job_at_work_and_says_so_in_the_records(serving: Serving, tmp_path: Path) -> None:
    settings = Settings(data_dir=serving.data_dir, station="test bench")
    app = create_app(settings, token=TOKEN)
    furnish(state_of(app), tmp_path)
    state_of(app).close()
    SimulatedCard.open(tmp_path / "card").script(Slow(20_000))
    body = {"kind": "write", "bundle": "nav-2607", "target": str(tmp_path / "card"), "unit": "TEST-1/DISPLAY"}
    status, job = serving.ask("/api/v1/jobs", body)
    assert status == 202
    until = time.monotonic() + WAIT_SECONDS
    while not serving.ask(f"/api/v1/jobs/{job['number']}")[1]["touched"]:
        assert time.monotonic() < until
        time.sleep(0.02)
    code, _, complained = serving.end(signal.SIGTERM)
    assert (code, complained) == (0, "")
    records = open_records(settings, clock=SystemClock())
    assert records.job(job["number"]).state is JobState.CANCELLED
    records.close()


def test_listeners_neither_starve_the_rest_nor_keep_it_from_ending(serving: Serving) -> None:
    listeners = [http.client.HTTPConnection("127.0.0.1", serving.port, timeout=WAIT_SECONDS) for _ in range(9)]
    for one in listeners:
        one.request("GET", "/api/v1/events", headers={"Authorization": f"Bearer {serving.token}"})
    answers = [one.getresponse() for one in listeners]
    assert sorted(answer.status for answer in answers) == [200] * MOST_STREAMS + [503]
    for answer in answers:
        assert answer.readline()  # each is being served, none waits for a thread
    for _ in range(20):
        assert serving.ask("/api/v1/aircraft")[0] == 200
    code, _, complained = serving.end(signal.SIGTERM)
    assert (code, complained) == (0, "")
    for one in listeners:
        one.close()


def test_a_new_link_is_printed_by_another_program(serving: Serving) -> None:
    ran = subprocess.run(
        [sys.executable, "-m", "mediaprep", "serve", "--link", "--port", str(serving.port)],
        env=os.environ | {"MEDIAPREP_DATA_DIR": str(serving.data_dir)},
        capture_output=True,
        text=True,
        timeout=WAIT_SECONDS,
        check=True,
    )
    first = re.search(r"http://\S+/start/\S+", serving.said)
    assert first is not None
    for link in (first[0], ran.stdout.strip()):
        connection = http.client.HTTPConnection("127.0.0.1", serving.port, timeout=WAIT_SECONDS)
        connection.request("GET", link.partition(str(serving.port))[2])
        assert connection.getresponse().status == 303
        connection.close()


def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ServiceUnavailable, match=f"Port {port} .* taken"):
            serve(Settings(data_dir=tmp_path / "data"), port=port, say=lambda *_: None)


def test_a_port_that_may_not_be_had_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refused(*_: object) -> socket.socket:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr("service.server.socket.create_server", refused)
    with pytest.raises(ServiceUnavailable, match=r"Port 80 .* Permission denied"):
        serve(Settings(data_dir=tmp_path / "data"), port=80, say=lambda *_: None)

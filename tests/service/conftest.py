"""The service without a network: an application on records of its own, and someone who asks it.

Every answer that `ask` gets is held against the OpenAPI document: status, media type and every member.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient
from openapi_schema_validator import OAS30Validator
from werkzeug.test import TestResponse

from mediaprep.bundles import open_bundle
from mediaprep.clock import FixedClock
from mediaprep.config import Settings
from mediaprep.cycles import validity_for
from mediaprep.devices.simulated import SimulatedCard
from mediaprep.host import SimulatedHost
from mediaprep.manifest import digest
from mediaprep.model import Aircraft, Bundle, Unit
from service.app import create_app
from service.state import State, state_of

NOW = datetime(2026, 7, 15, 12, 0, tzinfo=UTC)
TOKEN = "a-token-for-tests-" + "x" * 32
JSON_TYPES = {"application/json", "application/problem+json"}


@dataclass
class Ask:
    """Asks as a program on this computer that holds the token; what is in `headers` comes on top."""

    client: FlaskClient
    headers: dict[str, str] = field(default_factory=lambda: {"Authorization": f"Bearer {TOKEN}"})

    def get(self, path: str, status: int = 200) -> dict[str, Any]:
        return self._checked("GET", path, self.client.get(path, headers=self.headers), status)

    def post(self, path: str, body: object = None, status: int = 200) -> dict[str, Any]:
        sent = {"json": body} if body is not None else {}
        return self._checked("POST", path, self.client.post(path, headers=self.headers, **sent), status)

    def _checked(self, method: str, path: str, answer: TestResponse, status: int) -> dict[str, Any]:
        assert answer.status_code == status, answer.get_data(as_text=True)
        assert_documented(self.client.application, method, path, answer)
        body: dict[str, Any] = answer.get_json()
        return body


def document_of(app: Flask) -> dict[str, Any]:
    answer = app.test_client().get("/api/v1/openapi.json", headers={"Authorization": f"Bearer {TOKEN}"})
    return dict(json.loads(answer.get_data()))


def assert_documented(app: Flask, method: str, path: str, answer: TestResponse) -> None:
    """Fail where the answer is not what the OpenAPI document says of it."""
    document = document_of(app)
    operation = operation_at(document, method, path)
    said = operation["responses"].get(str(answer.status_code)) or operation["responses"]["default"]
    if "$ref" in said:
        said = document["components"]["responses"][said["$ref"].rpartition("/")[2]]
    assert answer.mimetype in JSON_TYPES
    assert list(said["content"]) == [answer.mimetype]
    schema = said["content"][answer.mimetype]["schema"]
    body = answer.get_json()
    OAS30Validator({**schema, "components": document["components"]}).validate(body)
    name = schema["$ref"].rpartition("/")[2]
    properties = document["components"]["schemas"][name]["properties"]
    assert set(body) <= set(properties), "an answer may not hold members that the document does not name"


def operation_at(document: dict[str, Any], method: str, path: str) -> dict[str, Any]:
    for template, operations in document["paths"].items():
        if re.fullmatch(re.sub(r"{\w+}", "[^/]+", template), path.partition("?")[0]):
            operation: dict[str, Any] = operations[method.lower()]
            return operation
    message = f"{method} {path} is not in the OpenAPI document"
    raise AssertionError(message)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(data_dir=tmp_path / "data", station="test bench", operator="tester")


@pytest.fixture
def host() -> SimulatedHost:
    return SimulatedHost()


@pytest.fixture
def app(settings: Settings, host: SimulatedHost) -> Iterator[Flask]:
    made = create_app(settings, clock=FixedClock(NOW), host=host, token=TOKEN)
    yield made
    state_of(made).close()


@pytest.fixture(scope="module")
def shared_app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    """One application for all tests of a file that leave it as it was."""
    settings = Settings(data_dir=tmp_path_factory.mktemp("shared"), station="test bench", operator="tester")
    made = create_app(settings, clock=FixedClock(NOW), host=SimulatedHost(), token=TOKEN)
    yield made
    state_of(made).close()


@pytest.fixture
def state(app: Flask) -> State:
    return state_of(app)


@pytest.fixture
def ask(app: Flask) -> Ask:
    return Ask(app.test_client())


@pytest.fixture
def panel(state: State, tmp_path: Path) -> State:
    """One aircraft with a unit that takes navigation data, such a bundle taken in, and a simulated card at card/."""
    furnish(state, tmp_path)
    return state


def furnish(state: State, folder: Path) -> None:
    records = state.records
    records.add_aircraft(Aircraft("TEST-1", "Invented"))
    rule = records.rule("example-up-to-32-gb")
    records.add_unit(Unit("DISPLAY", "TEST-1", "Left display", ("front",), ("navigation",), rule))
    take_in(state, folder / "nav", "nav-2607", cycle="2607")
    SimulatedCard.make(folder / "card", capacity_bytes=8 * 10**9)


def take_in(state: State, folder: Path, name: str, *, cycle: str, size_bytes: int = 50_000) -> Bundle:
    for number in range(3):
        folder.mkdir(exist_ok=True)
        (folder / f"part-{number}.bin").write_bytes(bytes([number]) * (size_bytes + number))
    kind = state.records.kinds()["navigation"]
    source = open_bundle(folder)
    manifest = source.take_in(lambda _: None, lambda: False)
    bundle = Bundle(
        name=name,
        kind=kind,
        validity=validity_for(kind.cycle_rule, cycle=cycle, effective_on=None, lapses_on=None),
        source=source.location,
        source_form=source.form,
        manifest_sha256=digest(manifest),
        file_count=len(manifest.entries),
        total_bytes=manifest.total_bytes,
        taken_in_at=state.clock.now(),
    )
    state.records.add_bundle(bundle, manifest)
    return bundle


def ended(state: State, ask: Ask, number: int) -> dict[str, Any]:
    """Wait until a job has ended and return its view."""
    live = state.jobs.find(number)
    assert live is not None
    assert live.ended.wait(60), "the job did not end"
    return ask.get(f"/api/v1/jobs/{number}")

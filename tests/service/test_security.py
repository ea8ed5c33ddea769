"""Who may ask: the token and its file, the Host, the origin, and what every answer says of itself."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest
from flask import Flask

from mediaprep.config import Settings
from mediaprep.errors import ServiceUnavailable
from service.app import create_app
from service.security import token_of
from service.state import state_of
from tests.service.conftest import TOKEN

PATH = "/api/v1/aircraft"
WITH_TOKEN = {"Authorization": f"Bearer {TOKEN}"}
on_posix = pytest.mark.skipif(os.name != "posix", reason="file modes are those of POSIX")


@pytest.fixture
def app(shared_app: Flask) -> Flask:
    return shared_app


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


@on_posix
def test_the_token_is_made_once_and_only_its_owner_can_read_it(tmp_path: Path) -> None:
    token = token_of(tmp_path)
    file = tmp_path / "service-token"
    assert mode(file) == 0o600
    assert file.read_text() == token + "\n"
    assert len(token) >= 43  # 32 random bytes in base64
    assert token_of(tmp_path) == token


@on_posix
@pytest.mark.parametrize("shared", [0o640, 0o604, 0o644, 0o666])
def test_a_token_that_others_could_read_is_replaced(tmp_path: Path, shared: int) -> None:
    token = token_of(tmp_path)
    (tmp_path / "service-token").chmod(shared)
    assert token_of(tmp_path) != token
    assert mode(tmp_path / "service-token") == 0o600


@pytest.mark.parametrize("content", ["", "short\n", "\u00e4" * 40])
def test_a_file_without_a_token_is_replaced(tmp_path: Path, content: str) -> None:
    file = tmp_path / "service-token"
    file.write_text(content, encoding="utf-8")
    file.chmod(0o600)
    assert len(token_of(tmp_path)) >= 43
    assert token_of(tmp_path) == file.read_text(encoding="utf-8").strip() != content.strip()


@on_posix
def test_a_link_in_the_place_of_the_token_is_not_followed(tmp_path: Path) -> None:
    elsewhere = tmp_path / "elsewhere"
    elsewhere.write_text("x" * 50)
    elsewhere.chmod(0o600)
    (tmp_path / "service-token").symlink_to(elsewhere)
    with pytest.raises(ServiceUnavailable, match="service-token"):
        token_of(tmp_path)
    assert elsewhere.read_text() == "x" * 50


def test_a_token_that_cannot_be_kept_is_an_error_with_a_way_out(tmp_path: Path) -> None:
    with pytest.raises(ServiceUnavailable, match="nowhere") as caught:
        token_of(tmp_path / "nowhere")
    assert caught.value.remedy


@on_posix
def test_an_application_without_a_token_does_not_start(settings: Settings, tmp_path: Path) -> None:
    settings.data_dir.mkdir()
    (settings.data_dir / "service-token").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(ServiceUnavailable):
        create_app(settings)


def test_an_application_makes_and_asks_for_the_token_in_its_data_folder(settings: Settings) -> None:
    app = create_app(settings)
    token = (settings.data_dir / "service-token").read_text().strip()
    client = app.test_client()
    assert client.get(PATH).status_code == 401
    assert client.get(PATH, headers={"Authorization": f"Bearer {token}"}).status_code == 200
    state_of(app).close()


@pytest.mark.parametrize(
    "given",
    ["", "Bearer", f"Bearer {TOKEN}x", f"Bearer {TOKEN[:-1]}", f"Basic {TOKEN}", TOKEN, "Bearer \u00e4", "Bearer x, y"],
)
def test_a_wrong_token_is_refused(app: Flask, given: str) -> None:
    answer = app.test_client().get(PATH, headers={"Authorization": given})
    assert answer.status_code == 401
    assert TOKEN not in answer.get_data(as_text=True)


@pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER"])
def test_the_scheme_is_not_case_sensitive(app: Flask, scheme: str) -> None:
    # RFC 9110, section 11.1
    assert app.test_client().get(PATH, headers={"Authorization": f"{scheme} {TOKEN}"}).status_code == 200


def test_the_health_asks_for_no_token_but_nothing_below_it_is_open(app: Flask) -> None:
    client = app.test_client()
    assert client.get("/api/v1/health").status_code == 200
    for path in ("/api/v1/health/", "/api/v1/health/../aircraft", "/api/v1//aircraft", "/api/v1/openapi.json"):
        assert client.get(path).status_code == 401, path


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8437", "localhost:1", "LOCALHOST", "[::1]:65535", "[::1]"])
def test_the_names_of_the_loopback_are_served(app: Flask, host: str) -> None:
    assert app.test_client().get("/api/v1/health", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "",
        "rebound.invalid",
        "127.0.0.1.rebound.invalid",
        "localhost.rebound.invalid",
        "localhost:80:80",
        "127.0.0.1:80@rebound.invalid",
        "0.0.0.0",  # noqa: S104 - refused here
        "192.0.2.1",
        "127.0.0.2",
        "::1",
        "localhost ",
        "localhost\t.invalid",
    ],
)
def test_any_other_host_is_refused(app: Flask, host: str) -> None:
    assert app.test_client().get("/api/v1/health", headers={"Host": host}).status_code == 400


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://elsewhere.invalid"},
        {"Origin": "null"},
        {"Origin": "https://localhost"},
        {"Origin": "http://localhost.elsewhere.invalid"},
        {"Origin": ""},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_pages_of_other_sites_are_refused_even_with_the_token(app: Flask, headers: dict[str, str]) -> None:
    assert app.test_client().get(PATH, headers=WITH_TOKEN | headers).status_code == 403


@pytest.mark.parametrize(
    "headers",
    [{"Origin": "http://127.0.0.1:8437"}, {"Sec-Fetch-Site": "same-origin"}, {"Sec-Fetch-Site": "none"}],
)
def test_a_page_of_this_service_is_served(app: Flask, headers: dict[str, str]) -> None:
    assert app.test_client().get(PATH, headers=WITH_TOKEN | headers).status_code == 200


@pytest.mark.parametrize("content_type", ["", "text/plain", "text/json", "application/x-www-form-urlencoded"])
def test_a_body_must_say_that_it_is_json(app: Flask, content_type: str) -> None:
    headers = WITH_TOKEN | {"Content-Type": content_type}
    assert app.test_client().post("/api/v1/jobs", headers=headers, data="{}").status_code == 415


def test_json_with_a_charset_is_json(app: Flask) -> None:
    headers = WITH_TOKEN | {"Content-Type": "application/json; charset=utf-8"}
    assert app.test_client().post("/api/v1/jobs", headers=headers, data="{}").status_code == 422


def test_every_answer_says_how_to_handle_it(app: Flask) -> None:
    for path in (PATH, "/api/v1/health", "/api/v1/openapi.json", "/api/v1/none", "/", "/none"):
        headers = app.test_client().get(path, headers=WITH_TOKEN).headers
        assert headers["X-Content-Type-Options"] == "nosniff", path
        assert headers["Referrer-Policy"] == "no-referrer", path
        policy = headers["Content-Security-Policy"]
        assert policy.startswith("default-src 'none'"), path
        assert "frame-ancestors 'none'" in policy, path
        assert headers["Cache-Control"] == "no-store", path
        assert headers["Cross-Origin-Opener-Policy"] == "same-origin", path
        assert "Access-Control-Allow-Origin" not in headers, path


def test_the_token_is_in_no_log(app: Flask, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(0)
    for path in (PATH, "/none", "/api/v1/none"):
        app.test_client().get(path, headers=WITH_TOKEN)
    assert TOKEN not in caplog.text

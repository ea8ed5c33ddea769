"""An S3-compatible store of the tests' own, on loopback: moto's server, which is somebody else's reading of S3."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator
from http.client import HTTPConnection
from pathlib import Path
from typing import Any

import pytest

BUCKET = "sets"


class Store:
    """A running store with one bucket. This process's environment has its address and a key, as a station's would."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, home: Path) -> None:
        import boto3

        self._server = _server_at(0)
        self._host, self._port = self._server.get_host_and_port()
        # Nothing of whoever runs the tests: neither their keys nor a question to the computer's cloud, if it is in one.
        for name in ("AWS_PROFILE", "AWS_SESSION_TOKEN"):
            monkeypatch.delenv(name, raising=False)
        monkeypatch.setenv("AWS_CONFIG_FILE", str(home / "no-config"))
        monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(home / "no-credentials"))
        monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
        monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://{self._host}:{self._port}")
        self.use_key(monkeypatch, "first-key", "first-secret")
        self._tell("reset")
        self._client = boto3.client("s3", region_name="us-east-1")
        self._identities = boto3.client("iam", region_name="us-east-1")
        self._client.create_bucket(Bucket=BUCKET)

    @staticmethod
    def use_key(monkeypatch: pytest.MonkeyPatch, key: str, secret: str) -> None:
        monkeypatch.setenv("AWS_ACCESS_KEY_ID", key)
        monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", secret)

    def put(self, key: str, data: bytes) -> None:
        self._client.put_object(Bucket=BUCKET, Key=key, Body=data)

    def put_folder(self, folder: Path, prefix: str) -> str:
        """Put all files of a folder below a prefix and return the URL of that."""
        for path in folder.rglob("*"):
            if path.is_file():
                self.put(f"{prefix}/{path.relative_to(folder).as_posix()}", path.read_bytes())
        return f"s3://{BUCKET}/{prefix}"

    def delete(self, key: str) -> None:
        self._client.delete_object(Bucket=BUCKET, Key=key)

    def objects(self) -> list[tuple[str, str, Any]]:
        """Name, ETag and time of all that is there."""
        found = self._client.list_objects_v2(Bucket=BUCKET).get("Contents", [])
        return [(one["Key"], one["ETag"], one["LastModified"]) for one in found]

    def user_without_rights(self) -> tuple[str, str]:
        """Return the key and the secret of someone whom the store knows and lets do nothing; from now on, it judges."""
        self._identities.create_user(UserName="someone")
        key = self._identities.create_access_key(UserName="someone")["AccessKey"]
        self._tell("reset-auth", b"0")
        return key["AccessKeyId"], key["SecretAccessKey"]

    def pause(self) -> None:
        """Go off the network, as a store that is started anew; what it holds stays."""
        self._server.stop()

    def resume(self) -> None:
        """Be back, at the same address and port."""
        self._server = _server_at(self._port)

    def stop(self) -> None:
        if self._server is not None:
            self._tell("reset-auth", b"inf")
            self._client.close()
            self._identities.close()
            self._server.stop()
            self._server = None

    def _tell(self, what: str, data: bytes = b"") -> None:
        with contextlib.closing(HTTPConnection(self._host, self._port)) as connection:
            connection.request("POST", f"/moto-api/{what}", data)
            assert connection.getresponse().status == 200


def _server_at(port: int) -> Any:
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=port, verbose=False)
    server.start()
    return server


@pytest.fixture
def store(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[Store]:
    started = Store(monkeypatch, tmp_path)
    try:
        yield started
    finally:
        started.stop()


def wait_for_the_next_second() -> None:
    """A store's times are whole seconds: what is put after this has another one."""
    time.sleep(1 - time.time() % 1 + 0.01)

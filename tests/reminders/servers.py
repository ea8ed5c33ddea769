"""Real servers on the loopback: a webhook that answers as it is told, and a mail server that keeps what it gets."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, cast

from aiosmtpd.controller import Controller


@dataclass
class Hook:
    """What a webhook got, and what it answers: a status, and headers that go with it."""

    port: int = 0
    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    hold: threading.Event | None = None
    got: list[dict[str, Any]] = field(default_factory=list)
    paths: list[str] = field(default_factory=list)
    arrived: threading.Event = field(default_factory=threading.Event)


@contextmanager
def webhook() -> Iterator[Hook]:
    hook = Hook()

    class Answering(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            hook.paths.append(self.path)
            hook.got.append(json.loads(body))
            hook.arrived.set()
            if hook.hold is not None:
                hook.hold.wait(30)
            self.send_response(hook.status)
            for name, value in hook.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def do_GET(self) -> None:
            self.do_POST()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answering)
    server.daemon_threads = True
    hook.port = server.server_address[1]
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield hook
    finally:
        if hook.hold is not None:
            hook.hold.set()
        server.shutdown()
        thread.join()
        server.server_close()


class Mailbox:
    """Keeps mails; refuses them all with a reply where it has one."""

    def __init__(self) -> None:
        self.mails: list[EmailMessage] = []
        self.recipients: list[str] = []
        self.refusal: str | None = None

    async def handle_DATA(self, _server: object, _session: object, envelope: Any) -> str:  # noqa: N802
        if self.refusal is not None:
            return self.refusal
        self.recipients += envelope.rcpt_tos
        self.mails.append(cast("EmailMessage", message_from_bytes(envelope.content, policy=policy.default)))
        return "250 OK"


@contextmanager
def mail_server() -> Iterator[tuple[Mailbox, int]]:
    mailbox = Mailbox()
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    controller = Controller(mailbox, hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield mailbox, port
    finally:
        controller.stop()

"""Real servers on 127.0.0.1 for the tests: SMTP (aiosmtpd), HTTP, and ones that hang up or say nothing."""

from __future__ import annotations

import asyncio
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP

HOST = "127.0.0.1"


@dataclass(frozen=True)
class Certificate:
    """A self-made certificate for localhost and 127.0.0.1; `pem` is also the authority to trust."""

    pem: Path
    key: Path

    def server_context(self) -> ssl.SSLContext:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(self.pem, self.key)
        return context


def make_certificate(folder: Path) -> Certificate:
    made = Certificate(folder / "server.pem", folder / "server.key")
    command = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2 -subj /CN=localhost"
    names = ["-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"]
    files = ["-keyout", str(made.key), "-out", str(made.pem)]
    subprocess.run([*command.split(), *names, *files], check=True, capture_output=True)
    return made


# -------------------------------------------------------------------- SMTP


@dataclass
class Mailbox:
    """An aiosmtpd handler that keeps what came and answers what the test says."""

    rcpt_reply: str = ""  # "" accepts
    mail_reply: str = ""
    data_reply: str = "250 OK"
    hang_at: str = ""  # "RCPT" or "DATA": never answers there
    messages: list[Any] = field(default_factory=list)

    async def handle_MAIL(self, _server: Any, _session: Any, envelope: Any, address: str, _options: Any) -> str:
        if self.mail_reply:
            return self.mail_reply
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(self, _server: Any, _session: Any, envelope: Any, address: str, _options: Any) -> str:
        if self.hang_at == "RCPT":
            await asyncio.Event().wait()
        if self.rcpt_reply:
            return self.rcpt_reply
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:
        if self.data_reply.startswith("250"):
            self.messages.append(envelope)
        if self.hang_at == "DATA":
            await asyncio.Event().wait()
        return self.data_reply


@contextmanager
def smtp_server(handler: Mailbox, *, implicit_tls: ssl.SSLContext | None = None, **options: Any) -> Iterator[int]:
    """An SMTP server on a free port, in a thread of its own with its own event loop; gives the port."""
    loop = asyncio.new_event_loop()

    async def serve() -> asyncio.Server:
        return await loop.create_server(
            lambda: SMTP(handler, hostname="mail.alder-pike.example", loop=loop, **options), HOST, 0, ssl=implicit_tls
        )

    server = loop.run_until_complete(serve())
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()

    async def end() -> None:
        server.close()
        others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        asyncio.run_coroutine_threadsafe(end(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.run_until_complete(loop.shutdown_asyncgens())
        loop.close()


# -------------------------------------------------------------------- raw TCP


@contextmanager
def raw_server(greeting: bytes = b"", *, hang: bool = False, drip: bytes = b"") -> Iterator[int]:
    """Accepts, says `greeting`, then closes, or hangs, or drips `drip` every 20 ms until the peer is gone."""
    listening = socket.create_server((HOST, 0))
    over = threading.Event()

    def talk(peer: socket.socket) -> None:
        with peer:
            try:
                peer.sendall(greeting)
                while drip and not over.wait(0.02):
                    peer.sendall(drip)
                if hang:
                    over.wait(30)
            except OSError:
                return  # the peer has left

    def accept() -> None:
        while True:
            try:
                peer, _ = listening.accept()
            except OSError:
                return
            if over.is_set():
                peer.close()
                return
            talkers.append(threading.Thread(target=talk, args=(peer,), daemon=True))
            talkers[-1].start()

    talkers: list[threading.Thread] = []
    accepting = threading.Thread(target=accept, daemon=True)
    accepting.start()
    port = listening.getsockname()[1]
    try:
        yield port
    finally:
        over.set()
        socket.create_connection((HOST, port)).close()  # so that accept returns
        accepting.join(10)
        listening.close()
        for talker in talkers:
            talker.join(10)


def unused_port() -> int:
    """A port on which nobody listens."""
    with socket.create_server((HOST, 0)) as listening:
        return int(listening.getsockname()[1])


# -------------------------------------------------------------------- HTTP


@dataclass
class Endpoint:
    """What the HTTP server answers, and what it was asked."""

    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b"ok"
    hang: bool = False
    requests: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    over: threading.Event = field(default_factory=threading.Event)


@contextmanager
def http_server(endpoint: Endpoint, context: ssl.SSLContext | None = None) -> Iterator[int]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            endpoint.requests.append((self.path, {key.lower(): text for key, text in self.headers.items()}, body))
            if endpoint.hang:
                endpoint.over.wait(30)
                return
            self.send_response(endpoint.status)
            for key, text in endpoint.headers.items():
                self.send_header(key, text)
            self.send_header("Content-Length", str(len(endpoint.body)))
            self.end_headers()
            try:
                self.wfile.write(endpoint.body)
            except OSError:
                self.close_connection = True  # the sender has read enough

        do_GET = do_POST

        def log_message(self, *_: Any) -> None:
            """Keep the test's output clean."""

    class Server(ThreadingHTTPServer):
        def handle_error(self, *_: Any) -> None:
            """A peer that refuses our certificate is what some tests want."""

    server = Server((HOST, 0), Handler)
    if context is not None:
        server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=lambda: server.serve_forever(poll_interval=0.02), daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        endpoint.over.set()
        server.shutdown()
        thread.join(10)
        server.server_close()

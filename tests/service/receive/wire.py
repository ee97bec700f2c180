"""Real brokers behind TLS and WebSockets on 127.0.0.1, and certificates for them, made by the script in deploy."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import os
import shutil
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from service.receive.access import Encryption
from tests.parts import MOSQUITTO, ROOT, BrokerAt, answers, running, wait_until

SCRIPT = ROOT / "deploy" / "demo-certificates.sh"


def certificates(folder: Path, *arguments: str) -> Path:
    """A folder of certificates for localhost and 127.0.0.1, for the service and for gw-0 and gw-1."""
    if shutil.which("openssl") is None:
        pytest.skip("no openssl")
    subprocess.run(["sh", str(SCRIPT), *arguments, str(folder), "gw-0", "gw-1"], check=True, capture_output=True)
    return folder


def expired(own: Path) -> Path:
    """The broker's certificate as it is when its time is over."""
    request, made = own / "expired.csr", own / "expired.pem"
    names = own / "names"
    names.write_text("subjectAltName = DNS:localhost, IP:127.0.0.1\n")
    for command in (
        ["openssl", "req", "-new", "-key", own / "server.key", "-subj", "/CN=localhost", "-out", request],
        [
            *("openssl", "x509", "-req", "-in", request, "-CA", own / "ca.pem", "-CAkey", own / "ca.key"),
            *("-days", "-1", "-set_serial", "7", "-extfile", names, "-out", made),
        ],
    ):
        subprocess.run([str(part) for part in command], check=True, capture_output=True)
    return made


def fingerprint(certificate: Path) -> str:
    return hashlib.sha256(ssl.PEM_cert_to_DER_cert(certificate.read_text())).hexdigest()


@dataclass(frozen=True)
class Wire:
    """One broker with listeners of many kinds, by name; `own` and `other` are certificates of two authorities."""

    ports: dict[str, int]
    own: Path
    other: Path

    def at(self, listener: str, host: str = "localhost") -> BrokerAt:
        return BrokerAt(host, self.ports[listener], listener)

    def encryption(self, client: str = "", **rest: Any) -> Encryption:
        """What trusts this broker, with the certificate of a client if one is named."""
        files: dict[str, Any] = {"ca_file": self.own / "ca.pem"}
        if client:
            files |= {key: self.own / "clients" / f"{client}.{end}" for key, end in (PEM, KEY)}
        return Encryption(**(files | rest))


PEM, KEY = ("certificate_file", "pem"), ("key_file", "key")


@contextlib.contextmanager
def wire(folder: Path, *, environment: dict[str, str] | None = None) -> Iterator[Wire]:
    """A mosquitto with all listeners that the tests of this room need."""
    if MOSQUITTO is None:
        pytest.skip("no mosquitto binary")
    own, other = certificates(folder / "own"), certificates(folder / "other", "-n", "broker.example")
    asks = f"cafile {own}/ca.pem\nrequire_certificate true\nuse_identity_as_username true\n"
    web = "protocol websockets\nsocket_domain ipv4\n"
    plans = {
        "plain": "",
        "web": web,
        "tls": _served(own / "server.pem", own / "server.key"),
        "wss": web + _served(own / "server.pem", own / "server.key"),
        "tls asks": _served(own / "server.pem", own / "server.key") + asks,
        "wss asks": web + _served(own / "server.pem", own / "server.key") + asks,
        "expired": _served(expired(own), own / "server.key"),
        "elsewhere": _served(other / "server.pem", other / "server.key"),
        "a gateway's": _served(own / "clients" / "gw-1.pem", own / "clients" / "gw-1.key"),
    }
    ports = dict(zip(plans, free_ports(len(plans)), strict=True))
    lines = ["allow_anonymous true", "max_queued_messages 0", "log_type all", "user root"]
    lines += [f"listener {ports[name]} 127.0.0.1\n{plan}" for name, plan in plans.items()]
    config = folder / "mosquitto.conf"
    config.write_text("\n".join(lines))
    env = None if environment is None else os.environ | environment
    with running([MOSQUITTO, "-c", str(config)], folder / "mosquitto.log", env) as process:
        wait_until(lambda: process.poll() is not None or all(map(answers, ports.values())), "all listeners answer")
        assert process.poll() is None, (folder / "mosquitto.log").read_text()
        yield Wire(ports, own, other)
        process.terminate()
        process.wait(10)


def free_ports(count: int) -> list[int]:
    """So many ports that were free a moment ago, all of them different."""
    with contextlib.ExitStack() as held:
        probes = [held.enter_context(socket.socket()) for _ in range(count)]
        for probe in probes:
            probe.bind(("127.0.0.1", 0))
        return [int(probe.getsockname()[1]) for probe in probes]


def _served(certificate: Path, key: Path) -> str:
    return f"certfile {certificate}\nkeyfile {key}\n"


@dataclass
class Front:
    """A TLS server before a broker's plain listener: what it saw of each connection that it let in."""

    context: ssl.SSLContext
    target: int
    port: int = 0
    protocols: list[str | None] = field(default_factory=list)
    versions: list[str] = field(default_factory=list)
    received: list[int] = field(default_factory=list)  # bytes of each connection that is over

    async def relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        encrypted = writer.get_extra_info("ssl_object")
        self.protocols.append(encrypted.selected_alpn_protocol())
        self.versions.append(encrypted.version())
        inner_reader, inner_writer = await asyncio.open_connection("127.0.0.1", self.target)
        back = asyncio.ensure_future(_copy(inner_reader, writer))
        try:
            self.received.append(await _copy(reader, inner_writer))
        finally:
            back.cancel()
            inner_writer.close()
            writer.close()


async def _copy(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> int:
    count = 0
    with contextlib.suppress(OSError):
        while piece := await reader.read(65_536):
            count += len(piece)
            writer.write(piece)
            await writer.drain()
    return count


@contextlib.contextmanager
def front(context: ssl.SSLContext, target: int) -> Iterator[Front]:
    """The front at a free port, with an event loop of its own in a thread."""
    found, loop = Front(context, target), asyncio.new_event_loop()

    async def serve() -> asyncio.Server:
        return await asyncio.start_server(found.relay, "127.0.0.1", 0, ssl=context)

    async def end() -> None:
        server.close()
        others = [task for task in asyncio.all_tasks() if task is not asyncio.current_task()]
        for task in others:
            task.cancel()
        await asyncio.gather(*others, return_exceptions=True)

    server = loop.run_until_complete(serve())
    found.port = server.sockets[0].getsockname()[1]
    thread = threading.Thread(target=loop.run_forever, daemon=True)
    thread.start()
    try:
        yield found
    finally:
        asyncio.run_coroutine_threadsafe(end(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.run_until_complete(loop.shutdown_asyncgens())
        loop.close()


def server_context(own: Path) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(own / "server.pem", own / "server.key")
    return context

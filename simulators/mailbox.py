"""A local mailbox: a real SMTP server and a webhook receiver on loopback that keep what they are sent as files.
Owns its folder; must never forward anything, and accepts no webhook whose signature it cannot verify.

`FOLDER/mail/0001.eml...` are emails as received, with their envelope in front. `FOLDER/hook/ID.json` is the body of
a webhook, stored once per webhook-id; `FOLDER/hook/ID.count` is how often that id came.
Signature: Standard Webhooks (HMAC-SHA256 over "id.timestamp.body", secret "whsec_" + base64, tolerance 5 minutes).
"""

from __future__ import annotations

import asyncio
import base64
import binascii
import hashlib
import hmac
import json
import os
import re
import signal
import sys
import threading
import time
from collections.abc import Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import quote

TOLERANCE_S = 300
BODY_LIMIT_BYTES = 1_000_000
READ_TIMEOUT_S = 10
HOST = "127.0.0.1"
# The standard forbids "." in an id. The length keeps the escaped id within what a file name may have.
USABLE_ID = re.compile(r"[!-\-/-~]{1,80}")


class SignatureError(Exception):
    """The webhook cannot be trusted; the text says why."""


def secret_key(text: str) -> bytes:
    """The key in a secret of the form whsec_BASE64; ValueError for anything else."""
    try:
        key = base64.b64decode(text.strip().removeprefix("whsec_"), validate=True)
    except binascii.Error:
        key = b""
    if not key or not text.strip().startswith("whsec_"):
        raise ValueError("webhook secret is not usable; expected whsec_ and base64 of 24 to 64 bytes")
    return key


def verify(key: bytes, headers: Mapping[str, str], body: bytes, *, now_s: float) -> str:
    """The webhook-id of a genuine, recent webhook; SignatureError otherwise. `headers` have lower-case names."""
    identity, stamp = headers.get("webhook-id", ""), headers.get("webhook-timestamp", "")
    if not USABLE_ID.fullmatch(identity):
        raise SignatureError(
            f"webhook-id {identity[:200]!r} is not usable; expected up to 80 ASCII characters without '.'"
        )
    if not re.fullmatch(r"[0-9]{1,12}", stamp) or abs(now_s - int(stamp)) > TOLERANCE_S:
        raise SignatureError(f"webhook-timestamp {stamp[:30]!r} is not within {TOLERANCE_S} s of now")
    signed = b".".join((identity.encode(), stamp.encode(), body))
    expected = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest())
    for candidate in headers.get("webhook-signature", "").split(" "):
        version, _, signature = candidate.partition(",")
        if version == "v1" and hmac.compare_digest(signature.encode(), expected):
            return identity
    raise SignatureError("webhook-signature does not match; check that both ends use the same secret")


class Shelf:
    """The folder. Files appear whole or not at all; methods may be called from any thread."""

    def __init__(self, folder: Path) -> None:
        self._mail, self._hook = folder / "mail", folder / "hook"
        self._mail.mkdir(parents=True, exist_ok=True)
        self._hook.mkdir(parents=True, exist_ok=True)
        self._lock = threading.Lock()
        self._mails = len(list(self._mail.glob("*.eml")))

    def keep_mail(self, sender: str, recipients: list[str], content: bytes) -> Path:
        """Store one email with its envelope in front."""
        envelope = f"Return-Path: <{sender}>\r\n" + "".join(f"Delivered-To: {each}\r\n" for each in recipients)
        with self._lock:
            self._mails += 1
            return _written(self._mail / f"{self._mails:04d}.eml", envelope.encode() + content)

    def keep_hook(self, identity: str, body: bytes) -> int:
        """Store one webhook unless its id is known; how often that id has come, this time included."""
        stem = quote(identity, safe="")
        stored, counter = self._hook / f"{stem}.json", self._hook / f"{stem}.count"
        with self._lock:
            times = 1 + (int(counter.read_text()) if counter.exists() else 0)
            if not stored.exists():
                _written(stored, body)
            _written(counter, str(times).encode())
            return times


def _written(path: Path, content: bytes) -> Path:
    unfinished = path.with_suffix(".unfinished")
    unfinished.write_bytes(content)
    return unfinished.rename(path)


class _MailHandler:
    """What the SMTP server calls."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf

    async def handle_DATA(self, _server: Any, _session: Any, envelope: Any) -> str:
        content = envelope.content if isinstance(envelope.content, bytes) else envelope.content.encode()
        self._shelf.keep_mail(envelope.mail_from or "", envelope.rcpt_tos, content)
        return "250 Message accepted"


def hook_server(shelf: Shelf, key: bytes, port: int) -> ThreadingHTTPServer:
    """An HTTP server on loopback, bound and not yet serving, that stores genuine webhooks and refuses the rest."""

    class Handler(BaseHTTPRequestHandler):
        timeout = READ_TIMEOUT_S

        def do_POST(self) -> None:
            length = self.headers.get("content-length", "")
            if not re.fullmatch(r"[0-9]{1,7}", length) or int(length) > BODY_LIMIT_BYTES:
                self._answer(HTTPStatus.REQUEST_ENTITY_TOO_LARGE, f"expected at most {BODY_LIMIT_BYTES} bytes")
                return
            body = self.rfile.read(int(length))
            headers = {name.lower(): value for name, value in self.headers.items()}
            try:
                identity = verify(key, headers, body, now_s=time.time())
                json.loads(body)
            except SignatureError as error:
                self._answer(HTTPStatus.UNAUTHORIZED, str(error))
            except ValueError:
                self._answer(HTTPStatus.BAD_REQUEST, "the body is not JSON")
            else:
                times = shelf.keep_hook(identity, body)
                self._answer(HTTPStatus.OK, "stored" if times == 1 else f"repeat {times - 1}, stored before")

        def _answer(self, status: HTTPStatus, says: str) -> None:
            content = json.dumps({"says": says}).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - the library's name
            """Requests are files, not log lines."""

    return ThreadingHTTPServer((HOST, port), Handler)


async def serve(folder: Path, key: bytes, *, smtp_port: int, hook_port: int) -> None:
    """Serve until SIGTERM or SIGINT. Prints one JSON line with the ports in use when both are ready."""
    try:
        from aiosmtpd.smtp import SMTP  # noqa: PLC0415 - an optional extra
    except ImportError as error:
        raise RuntimeError("the mailbox needs aiosmtpd; install dustcake with its extra: dustcake[demo]") from error
    shelf, loop, stop = Shelf(folder), asyncio.get_running_loop(), asyncio.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    mail = await loop.create_server(
        lambda: SMTP(_MailHandler(shelf), hostname="localhost", enable_SMTPUTF8=True, loop=loop), HOST, smtp_port
    )
    hooks = hook_server(shelf, key, hook_port)
    threading.Thread(target=hooks.serve_forever, daemon=True).start()
    ready = {
        "mailbox": "ready", "host": HOST, "smtp_port": mail.sockets[0].getsockname()[1],
        "hook_port": hooks.server_address[1], "folder": str(folder), "pid": os.getpid(),
    }  # fmt: skip
    sys.stdout.write(json.dumps(ready) + "\n")
    sys.stdout.flush()
    try:
        await stop.wait()
    finally:
        mail.close()
        hooks.shutdown()
        hooks.server_close()

"""The decoders under attack, as a table: how each is called, with what, and how often. Each returns, or AssertionError.

A target swallows the documented error of its decoder and nothing else: whatever else comes out of it is a finding.
"""

from __future__ import annotations

import asyncio
import atexit
import contextlib
import io
import json
import shutil
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from service.cli.output import plain, say_json
from service.decode import native
from service.decode.form import Template
from service.model import BadConfiguration, BadInput, Parcel, Rejected
from service.normalise.bind import Binder, Binding
from service.normalise.columns import Normaliser, rejection
from service.plant.compile import compile_plant
from service.plant.file import canonical_json, load
from service.units.convert import lookup
from service.units.table import UNITS
from service.units.times import iso, parse_duration_us, parse_rfc3339, parse_unix_s
from service.web.api import create_app
from tests.fuzz import corpus
from tests.service.web.house import HOSTS, TOKEN, house

LATEST_US = 1_795_600_000_000_000
TOPIC = Template("dustcake/v1/{gateway}/readings")
TEXT_MOST = 8192  # bytes of one text in an answer of the daemon; the record cuts longer ones
REASON_MOST = 2_000_000  # characters of a refusal, before the record cuts it


@dataclass(frozen=True, slots=True)
class Target:
    """`share`: of a thousand executions, so many are of this target."""

    name: str
    run: Callable[[bytes], None]
    seeds: Sequence[bytes]
    share: int


def _storable(kept: Rejected) -> None:
    kept.reason.encode()
    kept.topic.encode()
    assert len(kept.reason) <= REASON_MOST


@cache
def _normaliser() -> Normaliser:
    bindings = [Binding("gw-0", "dp", 0, "differential pressure"), Binding("gw-0", "amps", 1, "current")]
    return Normaliser(Binder(bindings, lookup, {unit.name: number for number, unit in enumerate(UNITS)}))


def readings(payload: bytes) -> None:
    """Decode, normalise, and make of what is refused what the quarantine keeps."""
    parcel = Parcel("dustcake/v1/gw-0/readings", payload, 0)
    try:
        decoded = native.decode(payload, 5000)
    except BadInput as error:
        _storable(Rejected(parcel.topic, payload, 0, "message-invalid", str(error)))
        return
    if decoded.faults:
        _storable(native.rejection(parcel, decoded.message, decoded.faults))
    rows = _normaliser().normalise([decoded.message], LATEST_US)
    refused = [item for items in rows.refused.values() for item in items]
    assert len(rows.point) + len(refused) == len(decoded.message.readings)
    if refused:
        _storable(rejection(parcel.topic, 0, decoded.message, refused))


def status(payload: bytes) -> None:
    try:
        assert native.decode_status(payload).state in ("online", "offline")
    except BadInput as error:
        str(error).encode()


def topic(data: bytes) -> None:
    text = data.decode("utf-8", "backslashreplace")
    parts = TOPIC.parts(text)
    if parts is not None:
        assert "/" not in parts["gateway"]
        assert TOPIC.text.replace("{gateway}", parts["gateway"]) == text


def instant(data: bytes) -> None:
    text = data.decode("utf-8", "surrogatepass" if b"\xed" in data else "replace") if _is_text(data) else ""
    for parse in (parse_rfc3339, parse_duration_us):
        with contextlib.suppress(BadInput):
            assert isinstance(parse(text), int)
    with contextlib.suppress(BadInput, ValueError):
        number = float(text)  # what is no number at all is the JSON decoder's to refuse
        iso(parse_unix_s(number))


def _is_text(data: bytes) -> bool:
    with contextlib.suppress(UnicodeDecodeError):
        data.decode("utf-8", "surrogatepass" if b"\xed" in data else "replace")
        return True
    return False


def unit(data: bytes) -> None:
    text = data.decode("utf-8", "replace")
    for quantity in ("differential pressure", "absolute pressure", "temperature", text):
        with contextlib.suppress(BadInput):
            assert text in lookup(text, quantity).texts


@cache
def _plant_path() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="fuzz-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return folder / "plant.toml"


def plant(data: bytes) -> None:
    """The loader, and what is made of a plant that it takes."""
    path = _plant_path()
    path.write_bytes(data)
    try:
        found = load(path)
    except BadConfiguration:
        return
    canonical_json(found).encode()
    compile_plant(found, 1)


def shown(data: bytes) -> None:
    """What the command line prints of any text has no character that could steer a terminal."""
    text = data[:TEXT_MOST].decode("utf-8", "surrogateescape")
    assert plain(text).isprintable()
    with contextlib.redirect_stdout(io.StringIO()) as out:
        say_json({"name": text})
    said = out.getvalue()
    assert said.replace("\n", "").isprintable()
    assert json.loads(said)["name"] == text


def _visible(target: bytes) -> bytes:
    """The HTTP server lets through visible ASCII alone (RFC 9112 3.2); anything else comes percent-encoded."""
    return b"".join(bytes([byte]) if 0x21 <= byte <= 0x7E else b"%%%02X" % byte for byte in target)


@cache
def _application() -> tuple[asyncio.AbstractEventLoop, Any]:
    return asyncio.new_event_loop(), create_app(house(), TOKEN, HOSTS)


def query(data: bytes) -> None:
    """One request to the whole application, path and query as they come: an answer below 500."""
    method, _, target = data.partition(b" ")
    rest = b"/" + _visible(target).lstrip(b"/")
    raw_path, _, raw_query = rest.partition(b"?")
    path = unquote(raw_path.decode("ascii"))
    if path == "/api/v1/events":
        return  # a stream; it does not end
    loop, application = _application()
    sent: list[dict[str, Any]] = []

    bodies = [rest]

    async def receive() -> dict[str, Any]:
        if not bodies:
            await asyncio.Event().wait()  # the client stays until it has its answer
        return {"type": "http.request", "body": bodies.pop(), "more_body": False}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    scope = {
        **{"type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "scheme": "http", "root_path": ""},
        **{"method": "POST" if method == b"POST" else "GET", "path": path, "raw_path": raw_path},
        **{"query_string": raw_query, "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 80)},
        "headers": [
            (b"host", b"localhost"),
            (b"authorization", f"Bearer {TOKEN}".encode()),
            (b"origin", raw_query),
            (b"cookie", raw_query),
            (b"content-type", b"application/json"),
            (b"content-length", str(len(rest)).encode()),
        ],
    }
    loop.run_until_complete(application(scope, receive, send))
    assert sent[0]["status"] < 500, sent[0]["status"]


def targets() -> tuple[Target, ...]:
    """All targets; the shares add up to 1000."""
    words = corpus.words()
    return (
        Target("readings", readings, corpus.READINGS, 450),
        Target("status", status, corpus.STATUSES, 165),
        Target("topic", topic, corpus.TOPICS, 110),
        Target("time", instant, corpus.TIMES, 150),
        Target("unit", unit, [*corpus.UNIT_TEXTS, *corpus.NAMES], 60),
        Target("shown", shown, [*corpus.NAMES, *words], 62),
        Target("plant", plant, corpus.plants(), 2),
        Target("query", query, corpus.QUERIES, 1),
    )

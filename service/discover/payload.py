"""Which payload form the messages of one topic have: the first that reads them, from the strictest to the loosest."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable
from typing import Any

import msgspec

from service.decode import native
from service.decode.form import Arrived
from service.decode.plain import PlainForm
from service.decode.senml import SenmlForm
from service.discover.csv_shape import separator_of
from service.discover.kept import Topic
from service.model import BadInput

LOOKED_AT_MOST = 8  # messages of a topic
OWN = "dustcake/v1/"  # where gateways with the native form and this service publish
SPARKPLUG = "spBv1.0/"
SENML_LABELS = frozenset(("bn", "bt", "bu", "bv", "bs", "bver", "n", "u", "v", "vs", "vb", "vd", "s", "t", "ut"))
JSON, UNREAD = "json", "unread"


def form_of(topic: Topic) -> str:
    """native, native status, sparkplug, senml, json, plain, csv, own (of this service), or unread."""
    if topic.name.startswith(SPARKPLUG):
        return "sparkplug"
    payloads = [payload for _, payload in topic.messages[:LOOKED_AT_MOST] if payload.strip()]
    counts = Counter(_form_of(topic.name, payload) for payload in payloads)
    return counts.most_common(1)[0][0] if counts else UNREAD


def parsed(payload: bytes) -> Any:
    """The JSON document; None when it is none."""
    try:
        found = json.loads(payload.decode())
        msgspec.json.encode(found)  # refuses lone surrogates, which could not be written into a draft
    except (ValueError, RecursionError, msgspec.MsgspecError):
        return None
    return found if isinstance(found, dict | list) else None


def _form_of(name: str, payload: bytes) -> str:
    if name.startswith(f"{OWN}service/"):
        return "own"
    document = parsed(payload)
    if document is not None:
        return _of_document(payload, document)
    if _reads(lambda: _senml(payload, "cbor")):
        return "senml"
    if any(_reads(lambda mark=mark: _plain(payload, mark)) for mark in (".", ",")):  # type: ignore[misc]  # bound now
        return "plain"
    try:
        return "csv" if separator_of(payload.decode("utf-8-sig")) else UNREAD
    except UnicodeDecodeError:
        return UNREAD


def _of_document(payload: bytes, document: Any) -> str:
    if isinstance(document, dict):
        if {"gateway", "state"} <= document.keys() and _reads(lambda: native.decode_status(payload)):
            return "native status"
        if {"gateway", "readings"} <= document.keys() and _is_native(payload):
            return "native"
        return JSON
    records = [each for each in document if isinstance(each, dict)]
    is_labelled = bool(records) and all(each.keys() <= SENML_LABELS for each in records)
    is_named = any("bn" in each or "n" in each for each in records)
    return "senml" if is_labelled and is_named and _reads(lambda: _senml(payload, "json")) else JSON


def _is_native(payload: bytes) -> bool:
    try:
        decoded = native.decode(payload)
    except BadInput:
        return False
    return len(decoded.message.readings) > len(decoded.faults)


def _senml(payload: bytes, coding: Any) -> None:
    read = SenmlForm(coding).read(Arrived("", payload, 0, {"gateway": "-"}))
    if not any(message.readings for message in read.messages):
        raise BadInput("no reading")


def _plain(payload: bytes, mark: str) -> None:
    PlainForm(decimal=mark).read(Arrived("", payload, 0, {"gateway": "-", "tag": "-"}))


def _reads(read: Callable[[], Any]) -> bool:
    try:
        read()
    except BadInput:
        return False
    return True

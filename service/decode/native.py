"""The native JSON form: a batch of readings of one gateway.

Decoding is strict (types, enumerations, finite numbers) and total: whatever arrives, the answer is a
message, or the reasons why not. A reading that is wrong does not take its neighbours with it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import msgspec

from service.model import (
    BadInput,
    Count,
    GatewayMessage,
    GatewayReading,
    GatewayStatus,
    Parcel,
    Rejected,
    Text,
    summed_up,
)

READINGS_MOST = 100_000  # the most that the settings allow


class _Envelope(msgspec.Struct, frozen=True):
    gateway: Text
    readings: list[Any]
    boot: Text | None = None
    seq: Count | None = None


class _Number(msgspec.Struct, frozen=True):
    gateway: Text
    boot: Text | None = None
    seq: Count | None = None


_message = msgspec.json.Decoder(GatewayMessage)
_number = msgspec.json.Decoder(_Number)
_status = msgspec.json.Decoder(GatewayStatus)


class Decoded(msgspec.Struct, frozen=True):
    """A message, and the readings of it that could not be read, each with its reason."""

    message: GatewayMessage
    faults: list[tuple[Any, str]] = []


def decode(payload: bytes, readings_most: int = READINGS_MOST) -> Decoded:
    """Read one message; BadInput when not even its envelope can be read, or when it has more readings than that."""
    try:
        decoded = Decoded(_message.decode(payload))
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return _piece_by_piece(payload, readings_most)
    _check_number(decoded.message.readings, readings_most)
    return decoded


def decode_status(payload: bytes) -> GatewayStatus:
    """Read a gateway's birth or last will; BadInput when it is not one."""
    try:
        return _status.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise BadInput(
            f"gateway status: {error}; expected gateway and state online or offline; mend the gateway's will"
        ) from error


def numbered(payload: bytes) -> list[GatewayMessage]:
    """What a message that is refused as a whole says of its number, without readings: it came. Empty when nothing."""
    try:
        found = _number.decode(payload)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        return []
    return [GatewayMessage(found.gateway, [], found.boot, found.seq)]


def json_schema() -> dict[str, Any]:
    """The JSON Schema of the native message, made from the types that decode it."""
    schema = msgspec.json.schema(GatewayMessage)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "dustcake native message", **schema}


def rejection(parcel: Parcel, message: GatewayMessage, faults: list[tuple[Any, str]]) -> Rejected:
    """What goes to quarantine: the message with its unreadable readings alone, and why each could not be read."""
    part = {
        "gateway": message.gateway,
        "boot": message.boot,
        "seq": message.seq,
        "readings": [item for item, _ in faults],
    }
    reason = summed_up([text for _, text in faults])
    body = msgspec.json.encode(part)
    return Rejected(parcel.topic, body, parcel.received_us, "reading-invalid", reason, len(faults))


def _check_number(readings: Sequence[Any], most: int) -> None:
    if len(readings) > most:
        raise BadInput(f"message with {len(readings)} readings: expected at most {most}; send fewer in a message")


def _piece_by_piece(payload: bytes, readings_most: int) -> Decoded:
    """Reading by reading. NaN and numbers too large for a float, which JSON does not have, spoil one reading only."""
    try:
        found = json.loads(payload.decode())
        msgspec.json.encode(found)  # lone surrogates, which json lets through, are refused here
        envelope = msgspec.convert(found, _Envelope)
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise BadInput(
            f"message: {error}; expected the native JSON form (gateway, readings); "
            "compare with the output of `dustcake schema`"
        ) from error
    _check_number(envelope.readings, readings_most)  # before a reason is written for each
    good: list[GatewayReading] = []
    faults: list[tuple[Any, str]] = []
    for index, item in enumerate(envelope.readings):
        try:
            good.append(msgspec.convert(item, GatewayReading))
        except (msgspec.ValidationError, RecursionError) as error:
            faults.append((item, f"readings[{index}]: {error}; expected the native form; mend the gateway's template"))
    message = GatewayMessage(envelope.gateway, good, envelope.boot, envelope.seq)
    return Decoded(message, faults)

"""The payload of Sparkplug B: from protobuf bytes to metrics, and the one payload that is ever sent.

Owns the wire format. Must never remember anything, know a topic, or judge what a metric means.
Source: Sparkplug 3.0.0 (Eclipse, 16 November 2022), chapter 6: the schema, the data types and the quality codes.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory  # type: ignore[import-untyped]  # no stubs
from google.protobuf.message import DecodeError  # type: ignore[import-untyped]  # ships no stubs

from service.decode.form import READINGS_MOST, TEXT_MOST
from service.model import BadInput

FLOATS, BOOLEAN, STRING = (9, 10), 11, 12  # Float and Double
INTEGERS = {  # data type: bits, whether signed
    1: (8, True),
    2: (16, True),
    3: (32, True),
    4: (64, True),
    5: (8, False),
    6: (16, False),
    7: (32, False),
    8: (64, False),
}
NUMBERS = frozenset((*INTEGERS, *FLOATS, BOOLEAN))
TYPES_MOST = 34  # DateTimeArray, the last that is defined; 0 is "unknown"

DEATH = "bdSeq"
CONTROLS = ("Node Control/", "Device Control/")
REBIRTH = "Node Control/Rebirth"
QUALITY, GOOD = b"Quality", 192  # "Quality Codes": 0 BAD, 192 GOOD, 500 STALE; given when it is not GOOD
UNIT = b"engUnit"  # common practice, no source: the specification names no property for the unit


class Metric(NamedTuple):
    """One metric as it was sent; what was not sent is None, an empty name or unit, or data type 0."""

    name: str
    alias: int | None
    at_ms: int | None
    datatype: int
    field: str  # which field holds the value; empty when it is none of a number
    value: Any
    is_null: bool
    is_transient: bool
    is_good: bool
    unit: str
    is_historical: bool = False  # of a moment that was not the present any more when it was sent


class Payload(NamedTuple):
    """One payload; `sent_ms` is Unix time in milliseconds, `seq` 0 to 255."""

    sent_ms: int | None
    seq: int | None
    metrics: list[Metric]


# Protobuf's numbers of the kinds of fields (google/protobuf/descriptor.proto). Texts are declared as bytes, which is
# the same on the wire, so that it is decided here what becomes of one that is not UTF-8.
_DOUBLE, _FLOAT, _UINT64, _BOOL, _MESSAGE, _BYTES, _UINT32 = 1, 2, 4, 8, 11, 12, 13
_OPTIONAL, _REPEATED = 1, 3

# What is not named here (templates, data sets, metadata, texts as values) is passed over: it is no number.
_SCHEMA: dict[str, list[tuple[str, int, int, str]]] = {  # field, number, kind, message or "oneof" or "repeated"
    "PropertyValue": [("int_value", 3, _UINT32, "oneof"), ("long_value", 4, _UINT64, "oneof"),
                      ("string_value", 8, _BYTES, "oneof")],
    "PropertySet": [("keys", 1, _BYTES, "repeated"), ("values", 2, _MESSAGE, "PropertyValue")],
    "Metric": [("name", 1, _BYTES, ""), ("alias", 2, _UINT64, ""), ("timestamp", 3, _UINT64, ""),
               ("datatype", 4, _UINT32, ""), ("is_historical", 5, _BOOL, ""), ("is_transient", 6, _BOOL, ""),
               ("is_null", 7, _BOOL, ""), ("properties", 9, _MESSAGE, "PropertySet"),
               ("int_value", 10, _UINT32, "oneof"), ("long_value", 11, _UINT64, "oneof"),
               ("float_value", 12, _FLOAT, "oneof"), ("double_value", 13, _DOUBLE, "oneof"),
               ("boolean_value", 14, _BOOL, "oneof")],
    "Payload": [("timestamp", 1, _UINT64, ""), ("metrics", 2, _MESSAGE, "Metric"), ("seq", 3, _UINT64, ""),
                ("body", 5, _BYTES, "")],
}  # fmt: skip
_MANY = {("PropertySet", "keys"), ("PropertySet", "values"), ("Payload", "metrics")}


def _message_class() -> Any:
    """The class of the whole payload, in a pool of its own: another library may bring the same schema."""
    file = descriptor_pb2.FileDescriptorProto(name="sparkplug_b.proto", package="sparkplug", syntax="proto2")
    for name, fields in _SCHEMA.items():
        message = file.message_type.add(name=name)
        if any(extra == "oneof" for *_, extra in fields):
            message.oneof_decl.add(name="value")
        for field, number, kind, extra in fields:
            made = message.field.add(name=field, number=number, type=kind, label=_OPTIONAL)
            if (name, field) in _MANY:
                made.label = _REPEATED
            if kind == _MESSAGE:
                made.type_name = f".sparkplug.{extra}"
            elif extra == "oneof":
                made.oneof_index = 0
    pool = descriptor_pool.DescriptorPool()
    pool.AddSerializedFile(file.SerializeToString())
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("sparkplug.Payload"))


_Payload = _message_class()


def decoded(payload: bytes) -> Payload:
    """The payload's metrics in their order; BadInput when it is none, or has more than `READINGS_MOST`."""
    try:
        found = _Payload.FromString(payload)
        number = len(found.metrics)
        if number > READINGS_MOST:
            raise BadInput(f"payload of {number} metrics: expected at most {READINGS_MOST}; send fewer in a message")
        metrics = [_metric(each) for each in found.metrics]
    except (DecodeError, UnicodeDecodeError) as error:
        raise BadInput(
            f"payload of {len(payload)} bytes: {error}; expected a Sparkplug B payload (protobuf, texts in UTF-8); "
            "compare the topic and the edge node's payload type"
        ) from error
    if found.body and not metrics:  # bytes of one's own, such as a compressed payload
        raise BadInput("payload with a body and no metrics: expected metrics; turn compression off at the edge node")
    seq = found.seq if found.HasField("seq") else None
    if seq is not None and seq > 255:
        raise BadInput(f"seq {seq}: expected 0 to 255; mend the edge node")
    return Payload(found.timestamp if found.HasField("timestamp") else None, seq, metrics)


def number(metric: Metric, datatype: int) -> float | None:
    """The metric's value as a finite number; None when it is none, or does not fit its data type.

    Signed integers travel as two's complement in unsigned fields: cut to their own bits, or sign-extended to the
    field's. A Float is given as it was sent, so 5.8 becomes 5.800000190734863.
    """
    if datatype in INTEGERS and metric.field in ("int_value", "long_value"):
        return _integer(metric.value, 32 if metric.field == "int_value" else 64, *INTEGERS[datatype])
    if datatype in FLOATS and metric.field in ("float_value", "double_value") and math.isfinite(metric.value):
        return float(metric.value)
    if datatype == BOOLEAN and metric.field == "boolean_value":
        return float(metric.value)
    return None


def death_of(payload: Payload) -> int | None:
    """The bdSeq of a birth or of a will; None when it has none. It is an Int64, 0 to 255."""
    for metric in payload.metrics:
        if metric.name == DEATH and metric.field in ("int_value", "long_value") and not metric.is_null:
            return int(metric.value)
    return None


def rebirth(at_ms: int) -> bytes:
    """The request for a new birth ("NCMD"): no sequence number, one boolean, nothing that an output could follow."""
    metric = {"name": REBIRTH.encode(), "timestamp": at_ms, "datatype": BOOLEAN, "boolean_value": True}
    return bytes(_Payload(timestamp=at_ms, metrics=[metric]).SerializeToString())


def _metric(sent: Any) -> Metric:
    field = sent.WhichOneof("value") or ""
    is_good, unit = _properties(sent.properties) if sent.HasField("properties") else (True, "")
    return Metric(
        sent.name.decode(),
        sent.alias if sent.HasField("alias") else None,
        sent.timestamp if sent.HasField("timestamp") else None,
        sent.datatype,
        field,
        getattr(sent, field) if field else None,
        sent.is_null,
        sent.is_transient,
        is_good,
        unit,
        sent.is_historical,
    )


def _properties(sent: Any) -> tuple[bool, str]:
    """Whether the quality is good, and the unit. A set whose two halves do not match says nothing good."""
    is_good, unit = len(sent.keys) == len(sent.values), ""
    for key, value in zip(sent.keys, sent.values, strict=False):
        if key == QUALITY:
            is_good = is_good and GOOD in (value.int_value, value.long_value)
        elif key == UNIT:
            unit = value.string_value.decode().strip()
    return is_good, unit


def _integer(value: int, width: int, bits: int, is_signed: bool) -> float | None:
    if value >= 1 << bits:
        if not is_signed or value < (1 << width) - (1 << (bits - 1)):
            return None
        value &= (1 << bits) - 1
    return float(value - (1 << bits) if is_signed and value >> (bits - 1) else value)


def shown(metric: Metric) -> str:
    """The metric in a reason, cut to a length that can be read."""
    return repr(metric.name[:TEXT_MOST]) if metric.name else f"with alias {metric.alias}"

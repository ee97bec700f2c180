"""Sparkplug B as an edge node sends it (Sparkplug 3.0.0): births with names, then data by alias. Owns the node's
sequence number, its bdSeq and its aliases; must never know a broker or read a clock.

A birth carries every metric that was ever sent, each with its last value. The unit travels as the property "engUnit":
common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory  # type: ignore[import-untyped]  # no stubs

Reading = tuple[str, int, float | None, str]  # tag, microseconds UTC, value, unit
Sent = tuple[str, bytes]  # topic, payload

_INT64, _DOUBLE, _BOOLEAN, _STRING = 4, 10, 11, 12  # data types

# Message: field, number and protobuf's kind of it (1 double, 4 uint64, 8 bool, 9 string, 13 uint32) or a message.
_SCHEMA: dict[str, list[tuple[str, int, int | str]]] = {
    "PropertyValue": [("type", 1, 13), ("string_value", 8, 9)],
    "PropertySet": [("*keys", 1, 9), ("*values", 2, "PropertyValue")],
    "Metric": [("name", 1, 9), ("alias", 2, 4), ("timestamp", 3, 4), ("datatype", 4, 13), ("is_null", 7, 8),
               ("properties", 9, "PropertySet"), ("long_value", 11, 4), ("double_value", 13, 1),
               ("boolean_value", 14, 8)],
    "Payload": [("timestamp", 1, 4), ("*metrics", 2, "Metric"), ("seq", 3, 4)],
}  # fmt: skip


def _payload_class() -> Any:
    file = descriptor_pb2.FileDescriptorProto(name="simulated.proto", package="simulated", syntax="proto2")
    for name, fields in _SCHEMA.items():
        message = file.message_type.add(name=name)
        for field, number, kind in fields:
            made = message.field.add(name=field.lstrip("*"), number=number, label=3 if field.startswith("*") else 1)
            made.type = 11 if isinstance(kind, str) else kind
            if isinstance(kind, str):
                made.type_name = f".simulated.{kind}"
    pool = descriptor_pool.DescriptorPool()
    pool.AddSerializedFile(file.SerializeToString())
    return message_factory.GetMessageClass(pool.FindMessageTypeByName("simulated.Payload"))


_Payload = _payload_class()


class Encoder:
    """One edge node. Its metrics are its own, or with `device` those of one device of it."""

    def __init__(self, group: str, node: str, device: str = "") -> None:
        self._group, self._node, self._device = group, node, device
        self._boot: str | None = None
        self._bd_seq, self._seq = 0, 0
        self._last: dict[str, Reading] = {}
        self._alias: dict[str, int] = {}

    def encode(self, gateway: str, boot: str, seq: int, readings: Sequence[Reading]) -> list[Sent]:  # noqa: ARG002 - the node has its own name and count
        """What is published for one message of a gateway: births first if it restarted or has a new tag.

        A birth has the first reading of each tag; what is left follows by alias.
        """
        left = list(readings)
        at_us = max((each[1] for each in left), default=0)
        sent: list[Sent] = []
        if boot != self._boot or any(tag not in self._alias for tag, *_ in left):
            if self._boot is not None and boot != self._boot:
                self._bd_seq = (self._bd_seq + 1) % 256
            self._boot = boot
            first = {each[0]: each for each in reversed(left)}
            left = [each for each in left if each is not first[each[0]]]
            sent += self.birth(at_us, list(first.values()))
        self._last |= {each[0]: each for each in left}
        if left:
            metrics = [self._metric(each) for each in left]
            sent.append((self._topic("DATA"), self._payload(at_us, metrics)))
        return sent

    def birth(self, at_us: int, readings: Sequence[Reading] = ()) -> list[Sent]:
        """The births, with these readings or the last ones; it is also the answer to the request for a rebirth."""
        for each in readings:
            self._last[each[0]] = each
            self._alias.setdefault(each[0], len(self._alias) + 1)
        metrics = [self._metric(each) | self._particulars(each) for each in self._last.values()]
        control = {"name": "Node Control/Rebirth", "timestamp": at_us // 1000, "datatype": _BOOLEAN}
        own = [self._death_metric(at_us), control | {"boolean_value": False}]
        self._seq = 0
        if not self._device:
            return [(self._node_topic("NBIRTH"), self._payload(at_us, own + metrics))]
        return [
            (self._node_topic("NBIRTH"), self._payload(at_us, own)),
            (self._topic("BIRTH"), self._payload(at_us, metrics)),
        ]

    def death(self, at_us: int = 0) -> Sent:
        """The last will of the present connection."""
        will = _Payload(timestamp=at_us // 1000, metrics=[self._death_metric(at_us)])
        return self._node_topic("NDEATH"), bytes(will.SerializeToString())

    def _metric(self, reading: Reading) -> dict[str, Any]:
        tag, at_us, value, _ = reading
        said = {"is_null": True} if value is None else {"double_value": value}
        return {"alias": self._alias[tag], "timestamp": at_us // 1000} | said

    def _particulars(self, reading: Reading) -> dict[str, Any]:
        unit = {"type": _STRING, "string_value": reading[3]}
        more = {"properties": {"keys": ["engUnit"], "values": [unit]}} if reading[3] else {}
        return {"name": reading[0], "datatype": _DOUBLE} | more

    def _death_metric(self, at_us: int) -> dict[str, Any]:
        return {"name": "bdSeq", "timestamp": at_us // 1000, "datatype": _INT64, "long_value": self._bd_seq}

    def _payload(self, at_us: int, metrics: list[dict[str, Any]]) -> bytes:
        payload = _Payload(timestamp=at_us // 1000, seq=self._seq, metrics=metrics)
        self._seq = (self._seq + 1) % 256
        return bytes(payload.SerializeToString())

    def _topic(self, kind: str) -> str:
        return self._node_topic(f"D{kind}") + f"/{self._device}" if self._device else self._node_topic(f"N{kind}")

    def _node_topic(self, kind: str) -> str:
        return f"spBv1.0/{self._group}/{kind}/{self._node}"

"""Writes SenML packs (RFC 8428), in JSON and CBOR, as a gateway of the simulated plant would.

Values are sent as they are given, never converted. Must never import the service: it has its own table of labels, so
that an error in one of the two shows.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import cbor2

Reading = tuple[str, int, float | None, str]  # tag, microseconds UTC, value, unit

TOPIC = "quay/senml/{gateway}"
BASE_NAME = "urn:dev:alder:{gateway}:"
# SenML's names for the same units (RFC 8428 section 12.1; "/100" is RFC 8798's, from memory). A percentage must not be
# sent as "%", which means a ratio there.
UNITS = {"degC": "Cel", "1": "/", "%": "/100"}
CBOR_LABELS = {"bn": -2, "bt": -3, "bu": -4, "n": 0, "u": 1, "v": 2, "t": 6}  # section 6, table 4


def encode_json(
    gateway: str,
    boot: str,  # noqa: ARG001 - all forms are called alike; SenML has no place for it
    seq: int,  # noqa: ARG001 - likewise
    readings: Sequence[Reading],
) -> list[tuple[str, bytes]]:
    """(topic, payload) of one JSON pack; none when no reading has a value, for SenML cannot say that one is missing."""
    pack = _pack(gateway, readings)
    return [(TOPIC.format(gateway=gateway), json.dumps(pack, separators=(",", ":")).encode())] if pack else []


def encode_cbor(
    gateway: str,
    boot: str,  # noqa: ARG001 - as above
    seq: int,  # noqa: ARG001 - as above
    readings: Sequence[Reading],
) -> list[tuple[str, bytes]]:
    """The same as one CBOR pack."""
    pack = [{CBOR_LABELS[label]: value for label, value in record.items()} for record in _pack(gateway, readings)]
    return [(TOPIC.format(gateway=gateway), cbor2.dumps(pack))] if pack else []


def _pack(gateway: str, readings: Sequence[Reading]) -> list[dict[str, Any]]:
    """Records with the base fields in the first: the gateway's name, the latest time, and the first unit."""
    sent = [(tag, at_us, value, UNITS.get(unit, unit)) for tag, at_us, value, unit in readings if value is not None]
    if not sent:
        return []
    base_us, base_unit = max(at_us for _, at_us, _, _ in sent), sent[0][3]
    records: list[dict[str, Any]] = []
    for tag, at_us, value, unit in sent:
        record: dict[str, Any] = {"n": tag, "v": value}
        if unit != base_unit:
            record["u"] = unit
        if at_us != base_us:
            record["t"] = (at_us - base_us) / 1_000_000
        records.append(record)
    records[0] = {"bn": BASE_NAME.format(gateway=gateway), "bt": base_us / 1_000_000, "bu": base_unit} | records[0]
    return records

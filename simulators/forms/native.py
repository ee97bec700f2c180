"""Writes the native JSON messages. Values are sent as they are given; what is None is a bad reading."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

from simulators.gateway import instant_text

TOPIC = "dustcake/v1/{gateway}/readings"


def encode(
    gateway: str, boot: str, seq: int, readings: Sequence[tuple[str, int, float | None, str]]
) -> list[tuple[str, bytes]]:
    """(topic, payload) of one message with all readings: (tag, microseconds UTC, value, unit), sent to milliseconds."""
    items: list[dict[str, Any]] = []
    for tag, at_us, value, unit in readings:
        item = {"tag": tag, "at": instant_text(at_us), "value": value, "unit": unit}
        items.append(item if value is not None else item | {"quality": "bad"})
    body = {"gateway": gateway, "boot": boot, "seq": seq, "readings": items}
    return [(TOPIC.format(gateway=gateway), json.dumps(body, separators=(",", ":")).encode())]

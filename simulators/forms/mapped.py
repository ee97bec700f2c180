"""Writes JSON documents in an invented shape, as a device of some other make would send them.

Values travel as texts with a decimal comma, times as Unix milliseconds; what is None is null.
"""

from __future__ import annotations

import json
from collections.abc import Sequence

TOPIC = "quay/devices/{gateway}/report"


def encode(
    gateway: str, boot: str, seq: int, readings: Sequence[tuple[str, int, float | None, str]]
) -> list[tuple[str, bytes]]:
    """(topic, payload) of one document with all readings (tag, microseconds UTC, value, unit), whole milliseconds."""
    points = [
        {
            "signal": {"name": tag, "unit": unit},
            "t": at_us // 1000,
            "reading": None if value is None else repr(value).replace(".", ","),
        }
        for tag, at_us, value, unit in readings
    ]
    body = {"sender": {"id": gateway, "start": boot}, "count": seq, "points": points}
    return [(TOPIC.format(gateway=gateway), json.dumps(body, separators=(",", ":")).encode())]

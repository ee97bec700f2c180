"""Writes lines of separated values under a header, as a logger would: semicolons, decimal commas, local time in UTC."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

TOPIC = "quay/loggers/{gateway}"
HEADER = ("time", "signal", "reading", "unit", "state")
TIME = "%d.%m.%Y %H:%M:%S.%f"

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def encode(
    gateway: str,
    boot: str,  # noqa: ARG001 - all forms are called alike; this one has no place for it
    seq: int,  # noqa: ARG001 - likewise
    readings: Sequence[tuple[str, int, float | None, str]],
) -> list[tuple[str, bytes]]:
    """(topic, payload) of one file with a line for each reading (tag, microseconds UTC, value, unit)."""
    text = io.StringIO()
    writer = csv.writer(text, delimiter=";")
    writer.writerow(HEADER)
    for tag, at_us, value, unit in readings:
        at = (_EPOCH + timedelta(microseconds=at_us)).strftime(TIME)
        cell, state = ("", "bad") if value is None else (repr(value).replace(".", ","), "good")
        writer.writerow((at, tag, cell, unit, state))
    return [(TOPIC.format(gateway=gateway), text.getvalue().encode())]

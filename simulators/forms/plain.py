"""Writes one value per topic as text, with its unit. There is no room for a time, a boot or a number."""

from __future__ import annotations

from collections.abc import Sequence

TOPIC = "quay/values/{gateway}/{tag}"


def encode(
    gateway: str,
    boot: str,  # noqa: ARG001 - all forms are called alike; this one has no place for it
    seq: int,  # noqa: ARG001 - likewise
    readings: Sequence[tuple[str, int, float | None, str]],
) -> list[tuple[str, bytes]]:
    """(topic, payload) of each reading (tag, microseconds UTC, value, unit): "3.14 inH2O", or "null" for None."""
    return [
        (TOPIC.format(gateway=gateway, tag=tag), (b"null" if value is None else f"{value!r} {unit}".strip().encode()))
        for tag, _, value, unit in readings
    ]

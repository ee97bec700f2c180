"""A story told to both engines, which must tell the same of it. Used by the checks against published facts."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from rules.collector import CollectorState, advance, new_state, step
from rules.columnar import Column, replay
from rules.types import MINUTE_US, SECOND_US, AlarmEvent, CollectorSpec, Limit, PointSpec, Reading, Tier

EVERY_US = 10 * SECOND_US
Pairs = Iterable[tuple[int, float]]  # (microseconds, value)


def limit(
    tier: Tier = Tier.HIGH, at: float = 6.0, back: float = 5.8, *, on_us: int = 10 * MINUTE_US, off_us: int = 0
) -> Limit:
    return Limit(tier, at, back, on_us, off_us)


def collector(*limits: Limit, hold_us: int = MINUTE_US) -> CollectorSpec:
    return CollectorSpec("quay/cutting/dc-1", (PointSpec("dp", hold_us, limits, always=True),))


def steady(from_us: int, to_us: int, value: float, every_us: int = EVERY_US) -> list[tuple[int, float]]:
    """One value at a steady rate, the end not included."""
    return [(at_us, value) for at_us in range(from_us, to_us, every_us)]


def stream(spec: CollectorSpec, state: CollectorState, pairs: Pairs) -> list[AlarmEvent]:
    """What the streaming engine tells, given one reading at a time."""
    events: list[AlarmEvent] = []
    for at_us, value in pairs:
        events += step(spec, state, {"dp": [Reading(at_us, value)]})[0]
    return events


def judged(spec: CollectorSpec, pairs: Pairs, *, watermark_us: int | None = None) -> list[AlarmEvent]:
    """What both engines tell of the story, and of the time up to the watermark after it."""
    story = list(pairs)
    streamed, replayed = new_state(spec), new_state(spec)
    events = stream(spec, streamed, story)
    again = replay(spec, replayed, {"dp": column([at_us for at_us, _ in story], [value for _, value in story])})
    if watermark_us is not None:
        events += advance(spec, streamed, watermark_us)
        again += advance(spec, replayed, watermark_us)
    assert events == again
    return events


def column(at_us: object, value: object) -> Column:
    """Good readings as a column."""
    instants = np.asarray(at_us, np.int64)
    return Column(instants, np.asarray(value, np.float64), np.ones(len(instants), bool))


def told(events: Iterable[AlarmEvent]) -> list[tuple[str, str, int]]:
    """(change, limit, microseconds) of each event."""
    return [(event.change.value, event.tier.value, event.at_us) for event in events]

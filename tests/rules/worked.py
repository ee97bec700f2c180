"""A small stage for alarm stories: minutes in, (change, minute) out. Used by the tests of the rules."""

from __future__ import annotations

from collections.abc import Iterable

from rules.collector import CollectorState, advance, new_state, step
from rules.types import MINUTE_US, AlarmEvent, CollectorSpec, Limit, PointSpec, Reading, RunningRule, Tier

HIGH = Limit(Tier.HIGH, 6.0, 5.8, 240 * MINUTE_US)


def minute(text: str) -> int:
    """'04:05' as minutes of the day."""
    hours, minutes = text.split(":")
    return int(hours) * 60 + int(minutes)


def spec(*limits: Limit, running: bool = False, hold_min: int = 15, settle_min: int = 5) -> CollectorSpec:
    rule = RunningRule("fan", 0.5, 0.5, settle_min * MINUTE_US) if running else None
    dp = PointSpec("dp", hold_min * MINUTE_US, limits or (HIGH,))
    fan = PointSpec("fan", hold_min * MINUTE_US, always=True)
    return CollectorSpec("c", (dp, fan), rule)


def every(first: str, last: str, value: float, step_min: int = 5) -> list[tuple[int, float]]:
    return [(at, value) for at in range(minute(first), minute(last) + 1, step_min)]


def readings(pairs: Iterable[tuple[int, float]]) -> list[Reading]:
    return [Reading(at * MINUTE_US, value) for at, value in pairs]


def play(
    collector: CollectorSpec,
    dp: Iterable[tuple[int, float]],
    fan: Iterable[tuple[int, float]] = (),
    *,
    watermark_min: int | None = None,
    state: CollectorState | None = None,
) -> list[AlarmEvent]:
    """Step through the story one instant at a time, the fan first, then let the watermark pass."""
    held = state if state is not None else new_state(collector)
    story = sorted([(at, 0, value) for at, value in fan] + [(at, 1, value) for at, value in dp])
    events: list[AlarmEvent] = []
    for at, which, value in story:
        name = ("fan", "dp")[which]
        events += step(collector, held, {name: [Reading(at * MINUTE_US, value)]})[0]
    if watermark_min is not None:
        events += advance(collector, held, watermark_min * MINUTE_US)
    return events


def told(events: Iterable[AlarmEvent]) -> list[str]:
    """'raised high 04:00' for each event."""
    return [
        f"{event.change.value} {event.tier.value} "
        f"{event.at_us // MINUTE_US // 60:02d}:{event.at_us / MINUTE_US % 60:02.0f}"
        for event in events
    ]

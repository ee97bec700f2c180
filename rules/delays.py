"""On-delay and off-delay over evaluated time: the state of one limit (semantics sections 5 and 7).

An instant is decided only once evaluated time follows it. So an alarm whose delay is used up exactly
at x is raised at x when time moves past x with the comparator still true; a reading at x that has
returned ends the excursion first. With a delay of zero that instant is the beginning of the
excursion, or the first instant after it at which the point is armed and its value known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from rules.running import Stretch
from rules.types import AlarmEvent, Change, Evidence, Limit, RunState, alarm_id


@dataclass(slots=True)
class Track:
    """One limit's state. Open while the comparator is true or the alarm is active.

    `counted_us` is the evaluated time of the running delay: the on-delay while pending, the
    off-delay while the alarm is active and the comparator false.
    """

    is_beyond: bool = False
    raised_us: int | None = None
    counted_us: int = 0
    began_us: int = 0
    extreme: float = 0.0
    extreme_at_us: int = 0
    evaluated_us: int = 0
    stopped_us: int = 0
    unknown_us: int = 0
    readings: int = 0

    @property
    def is_active(self) -> bool:
        return self.raised_us is not None

    @property
    def is_open(self) -> bool:
        return self.is_beyond or self.raised_us is not None

    @property
    def is_pending(self) -> bool:
        return self.is_beyond and self.raised_us is None


class Owner(NamedTuple):
    """Whose limit it is: what an event needs besides the track."""

    collector: str
    point: str


def turn(track: Track, is_beyond: bool, at_us: int) -> None:
    """The comparator changed at `at_us`: begin or end an excursion, or begin or cancel the off-delay."""
    if is_beyond and not track.is_active:
        _reset(track)
        track.began_us = at_us
    elif not is_beyond and not track.is_active:
        _reset(track)
    track.is_beyond = is_beyond
    track.counted_us = 0


def note_reading(track: Track, limit: Limit, value: float, at_us: int) -> None:
    """Keep the evidence of one good reading of an open track."""
    further = value > track.extreme if limit.is_high else value < track.extreme
    if track.readings == 0 or further:
        track.extreme, track.extreme_at_us = value, at_us
    track.readings += 1


def elapse(track: Track, limit: Limit, owner: Owner, stretch: Stretch) -> AlarmEvent | None:
    """Let one stretch of time pass over an open track; the event that it decides, if any."""
    length_us = stretch.end_us - stretch.start_us
    if not stretch.armed:
        if stretch.state is RunState.UNKNOWN:
            track.unknown_us += length_us
        else:
            track.stopped_us += length_us
        if stretch.forgets and track.is_pending:
            track.counted_us = 0
        return None
    if track.is_pending:
        return _elapse_pending(track, limit, owner, stretch.start_us, length_us)
    track.evaluated_us += length_us
    if track.is_beyond:
        return None
    return _elapse_clearing(track, limit, owner, stretch.start_us, length_us)


def due_in_us(track: Track, limit: Limit) -> int | None:
    """The least evaluated time after which the track could decide something; None if nothing is timed."""
    if track.is_pending:
        return limit.on_delay_us - track.counted_us
    if track.is_active and not track.is_beyond:
        return limit.off_delay_us - track.counted_us
    return None


def closed(track: Track, limit: Limit, owner: Owner, at_us: int, reason: str) -> AlarmEvent:
    """The event that closes an active alarm whose limit is gone; the caller drops the track."""
    return event_of(track, limit, owner, Change.CLOSED, at_us, reason=reason)


def _elapse_pending(track: Track, limit: Limit, owner: Owner, start_us: int, length_us: int) -> AlarmEvent | None:
    left_us = limit.on_delay_us - track.counted_us
    track.counted_us += length_us
    if length_us <= left_us:
        track.evaluated_us += length_us
        return None
    track.raised_us = start_us + left_us
    track.evaluated_us += left_us
    event = event_of(track, limit, owner, Change.RAISED, track.raised_us)
    track.evaluated_us += length_us - left_us
    return event


def _elapse_clearing(track: Track, limit: Limit, owner: Owner, start_us: int, length_us: int) -> AlarmEvent | None:
    left_us = limit.off_delay_us - track.counted_us
    track.counted_us += length_us
    if length_us <= left_us:
        return None
    track.evaluated_us -= length_us - left_us
    event = event_of(track, limit, owner, Change.CLEARED, start_us + left_us)
    _reset(track)
    return event


def _reset(track: Track) -> None:
    fresh = Track()
    for name in Track.__slots__:
        setattr(track, name, getattr(fresh, name))


def event_of(track: Track, limit: Limit, owner: Owner, change: Change, at_us: int, *, reason: str = "") -> AlarmEvent:
    """The event of this change with the evidence that the track holds; every evaluator makes its events here."""
    evidence = Evidence(
        began_us=track.began_us,
        raised_us=track.raised_us,
        cleared_us=None if change is Change.RAISED else at_us,
        extreme=track.extreme,
        extreme_at_us=track.extreme_at_us,
        threshold=limit.threshold,
        back=limit.back,
        on_delay_us=limit.on_delay_us,
        off_delay_us=limit.off_delay_us,
        evaluated_us=track.evaluated_us,
        stopped_us=track.stopped_us,
        unknown_us=track.unknown_us,
        readings=track.readings,
        revision=limit.revision,
    )
    return AlarmEvent(
        alarm_id=alarm_id(owner.collector, owner.point, limit.tier.value, track.began_us),
        collector=owner.collector,
        point=owner.point,
        tier=limit.tier,
        change=change,
        at_us=at_us,
        priority=limit.priority,
        evidence=evidence,
        reason=reason,
    )

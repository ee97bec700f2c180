"""One collector stepped through its readings: the only owner of streaming alarm state.

Rules of the state:
- Points are independent of one another, given the collector's running timeline. So in one call the
  running point's readings go first, and every other point is then judged against the timeline at its
  own event times. Readings of one collector given in event-time order, cut into calls at any places,
  give the same events.
- A point is evaluated up to its last reading. Time after that passes when its next reading comes, or
  when the watermark has passed a timer that the held value lets run out (`advance`). Nothing else moves
  it: a reading that is newer than the last one and than the last decision is never too late.
- A reading at or before the point's last evaluated instant is a duplicate (same instant, same value)
  or late; neither is evaluated.
"""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, field
from enum import StrEnum

from rules import delays, running
from rules.comparator import judge
from rules.delays import Owner, Track
from rules.running import Stretch, Timeline
from rules.types import AlarmEvent, CollectorSpec, Limit, PointSpec, Reading, RunState

ALWAYS_LATER_US, ALWAYS_EARLIER_US = 2**63, -(2**63)


class Verdict(StrEnum):
    """What became of a reading at the point's door."""

    EVALUATED = "evaluated"
    DUPLICATE = "duplicate"
    LATE = "late"


@dataclass(slots=True)
class PointState:
    """One point: its last reading, how far it is evaluated, and a track per limit in the spec's order."""

    tracks: list[Track]
    last_us: int | None = None
    value: float = 0.0
    good: bool = False
    evaluated_us: int = 0

    @property
    def is_open(self) -> bool:
        for track in self.tracks:  # noqa: SIM110 - a plain loop: a generator costs twice as much at every reading
            if track.is_beyond or track.raised_us is not None:
                return True
        return False

    @property
    def news_from_us(self) -> int:
        """A reading at or after this instant is news to the point."""
        return ALWAYS_EARLIER_US if self.last_us is None else max(self.last_us + 1, self.evaluated_us)

    def take_quietly(self, reading: Reading) -> None:
        """The reading is now the last one; time has passed up to it."""
        self.last_us = self.evaluated_us = reading.at_us
        self.good = reading.good
        if reading.good:
            self.value = reading.value

    def judged(self, point: PointSpec) -> Iterator[tuple[Track, Limit]]:
        """The tracks, each with its limit."""
        return zip(self.tracks, point.limits, strict=True)

    def known_until_us(self, hold_us: int) -> int:
        if self.last_us is None:
            return self.evaluated_us
        return self.last_us + hold_us if self.good else self.last_us


@dataclass(slots=True)
class CollectorState:
    """Everything that one collector remembers."""

    points: dict[str, PointState]
    timeline: Timeline = field(default_factory=Timeline)


def new_state(spec: CollectorSpec) -> CollectorState:
    """The state before the first reading: all unknown."""
    return CollectorState({point.name: new_point(point) for point in spec.points})


def new_point(spec: PointSpec) -> PointState:
    return PointState([Track() for _ in spec.limits])


def verdict(state: PointState, reading: Reading) -> Verdict:
    """Whether a reading is news to its point (semantics section 6)."""
    if reading.at_us >= state.news_from_us:
        return Verdict.EVALUATED
    same = reading.good == state.good and (not reading.good or reading.value == state.value)
    if reading.at_us == state.last_us and same:
        return Verdict.DUPLICATE
    return Verdict.LATE


def step(
    spec: CollectorSpec, state: CollectorState, readings: Mapping[str, Sequence[Reading]]
) -> tuple[list[AlarmEvent], dict[Verdict, int]]:
    """Take readings by point, each point's in ascending event time; the events and a count of verdicts.

    The events are sorted by instant, then by point and limit in the spec's order.
    """
    counts = {Verdict.EVALUATED: 0, Verdict.DUPLICATE: 0, Verdict.LATE: 0}
    decided: dict[str, list[AlarmEvent]] = {}
    for point in spec.running_first:
        if point.name in readings:
            decided[point.name] = _take_all(spec, point, state, readings[point.name], counts)
    events = [event for point in spec.points for event in decided.get(point.name, ())]
    _forget_old_spans(spec, state, events)
    return sorted(events, key=lambda event: event.at_us), counts


def advance(
    spec: CollectorSpec, state: CollectorState, watermark_us: int, waiting: Container[str] = ()
) -> list[AlarmEvent]:
    """Decide what held values decide before the watermark (semantics section 6b).

    A point moves only as far as its last decision, so that a reading which is on its way is still news;
    points in `waiting` do not move at all, because their data are just coming in.
    """
    events: list[AlarmEvent] = []
    for point in spec.points:
        point_state = state.points[point.name]
        if point.name in waiting or not is_due(point, point_state, watermark_us):
            continue
        end_us = min(watermark_us, point_state.known_until_us(point.hold_us))
        trial = copy(point_state)
        trial.tracks = [copy(track) for track in point_state.tracks]
        decided = _elapse(spec, point, trial, state.timeline, end_us)
        if decided:
            last_us = max(event.at_us for event in decided)
            events += _elapse(spec, point, point_state, state.timeline, last_us + 1)
    return sorted(events, key=lambda event: event.at_us)


def is_due(point: PointSpec, state: PointState, watermark_us: int) -> bool:
    """Whether a timer of the point can have run out before the watermark, were all its time counted."""
    end_us = min(watermark_us, state.known_until_us(point.hold_us))
    for track, limit in state.judged(point):
        due_us = delays.due_in_us(track, limit)
        if due_us is not None and state.evaluated_us + due_us < end_us:
            return True
    return False


def change_limits(
    old: CollectorSpec, new: CollectorSpec, state: CollectorState, at_us: int
) -> tuple[CollectorState, list[AlarmEvent]]:
    """Put a revision into force at `at_us` (semantics section 8): the new state and the alarms it closed.

    A limit whose numbers are unchanged keeps its track. A changed one is judged anew from `at_us`: the
    comparator from the held value, the delay from zero; its active alarm is closed, as is that of a
    limit or point that is gone.
    """
    events: list[AlarmEvent] = []
    after = new_state(new)
    after.timeline = state.timeline
    for point in old.points:
        point_state = state.points[point.name]
        successor = next((item for item in new.points if item.name == point.name), None)
        if (
            successor is not None
            and [*map(_numbers, point.limits)] == [*map(_numbers, successor.limits)]
            and not (point_state.is_open and _judged_otherwise(old, new, point, successor))
        ):
            after.points[point.name] = point_state
            continue
        end_us = max(at_us, point_state.evaluated_us)
        if point_state.is_open:
            events += _elapse(old, point, point_state, state.timeline, end_us)
        if successor is not None:
            after.points[point.name] = _carry_over(point, successor, point_state, end_us)
        kept = after.points[point.name].tracks if successor is not None else []
        events += _close_lost(old.name, point, point_state, kept, end_us)
    if new.running != old.running:
        after.timeline = _rejudge_running(old, new, after, at_us)
    return after, events


def held_reason(spec: CollectorSpec, state: CollectorState, point: PointSpec, at_us: int) -> str:
    """Why the point is not being judged at `at_us`; empty when it is armed and its value known."""
    point_state = state.points[point.name]
    if at_us >= point_state.known_until_us(point.hold_us):
        return "value unknown"
    if point.always or spec.running is None:
        return ""
    part = next(running.stretches(spec.running, state.timeline, at_us, at_us + 1))
    if part.armed:
        return ""
    if part.state is RunState.RUNNING:
        return "settling"
    return "stopped" if part.state is RunState.STOPPED else "running state unknown"


def _take_all(
    spec: CollectorSpec,
    point: PointSpec,
    state: CollectorState,
    readings: Sequence[Reading],
    counts: dict[Verdict, int],
) -> list[AlarmEvent]:
    """Most readings can decide nothing: nothing is open and they are beyond no limit. The loop steps over those."""
    held, rule = state.points[point.name], spec.running
    is_run = rule is not None and rule.point == point.name
    events: list[AlarmEvent] = []
    low, high = point.inner_low, point.inner_high
    calm_from_us = ALWAYS_LATER_US if is_run or held.is_open else held.news_from_us
    refused = 0
    quiet: Reading | None = None
    for reading in readings:
        if calm_from_us <= reading.at_us and low <= reading.value <= high:
            quiet = reading
            calm_from_us = reading.at_us + 1
            continue
        if quiet is not None:
            held.take_quietly(quiet)
            quiet = None
        what = verdict(held, reading)
        if what is not Verdict.EVALUATED:
            counts[what] += 1
            refused += 1
            continue
        if rule is not None and is_run:
            running.observe(rule, state.timeline, reading, point.hold_us)
        if decided := _take(spec, point, held, state.timeline, reading):
            events += decided
        calm_from_us = ALWAYS_LATER_US if is_run or held.is_open else held.news_from_us
    if quiet is not None:
        held.take_quietly(quiet)
    counts[Verdict.EVALUATED] += len(readings) - refused
    return events


def _take(
    spec: CollectorSpec, point: PointSpec, state: PointState, timeline: Timeline, reading: Reading
) -> list[AlarmEvent]:
    events = _elapse(spec, point, state, timeline, reading.at_us)
    state.take_quietly(reading)
    if reading.good:
        for track, limit in state.judged(point):
            _judge(track, limit, reading)
    return events


def _judge(track: Track, limit: Limit, reading: Reading) -> None:
    is_beyond = judge(limit, track.is_beyond, reading.value)
    if is_beyond is not track.is_beyond:
        delays.turn(track, is_beyond, reading.at_us)
    if track.is_open:
        delays.note_reading(track, limit, reading.value, reading.at_us)


def _elapse(
    spec: CollectorSpec, point: PointSpec, state: PointState, timeline: Timeline, to_us: int
) -> list[AlarmEvent]:
    """Let time pass over one point up to `to_us`; its evaluated instant is then `to_us`."""
    from_us, state.evaluated_us = state.evaluated_us, to_us
    if not state.is_open:
        return []
    known_us = min(max(state.known_until_us(point.hold_us), from_us), to_us)
    owner = Owner(spec.name, point.name)
    events: list[AlarmEvent] = []
    for stretch in _stretches(spec, point, timeline, from_us=from_us, known_us=known_us, to_us=to_us):
        for track, limit in state.judged(point):
            event = delays.elapse(track, limit, owner, stretch) if track.is_open else None
            if event is not None:
                events.append(event)
    return events


def _stretches(
    spec: CollectorSpec, point: PointSpec, timeline: Timeline, *, from_us: int, known_us: int, to_us: int
) -> list[Stretch]:
    """Time without a value counts for nothing; a stop that is long enough is still a stop."""
    parts = _ran(spec, point, timeline, from_us, known_us)
    for part in _ran(spec, point, timeline, known_us, to_us):
        parts.append(part._replace(state=RunState.UNKNOWN, armed=False))
    return parts


def _ran(spec: CollectorSpec, point: PointSpec, timeline: Timeline, from_us: int, to_us: int) -> list[Stretch]:
    if from_us >= to_us:
        return []
    if point.always or spec.running is None:
        return [Stretch(from_us, to_us, RunState.RUNNING, True, False)]
    return list(running.stretches(spec.running, timeline, from_us, to_us))


def _carry_over(old: PointSpec, new: PointSpec, state: PointState, at_us: int) -> PointState:
    """The point under its new limits: unchanged limits keep their tracks, others begin at `at_us`."""
    kept = PointState([], state.last_us, state.value, state.good, state.evaluated_us)
    is_known = state.good and at_us < state.known_until_us(new.hold_us)
    before = {limit.tier: (limit, track) for track, limit in state.judged(old)}
    for limit in new.limits:
        was = before.get(limit.tier)
        if was is not None and _numbers(was[0]) == _numbers(limit):
            kept.tracks.append(was[1])
            continue
        track = Track()
        kept.tracks.append(track)
        if is_known:
            _judge(track, limit, Reading(at_us, state.value))
            if track.is_open:
                kept.evaluated_us = at_us
    return kept


def _close_lost(collector: str, point: PointSpec, state: PointState, kept: list[Track], at_us: int) -> list[AlarmEvent]:
    """Close the active alarms whose tracks were not carried over."""
    owner = Owner(collector, point.name)
    return [
        delays.closed(track, limit, owner, at_us, "limit changed")
        for track, limit in state.judged(point)
        if track.is_active and not any(track is other for other in kept)
    ]


def _judged_otherwise(old: CollectorSpec, new: CollectorSpec, was: PointSpec, now: PointSpec) -> bool:
    """Whether time counts by another rule from now on: what has passed must then be counted by the old one."""
    return (old.running, was.hold_us, was.always) != (new.running, now.hold_us, now.always)


def _numbers(limit: Limit) -> tuple[object, ...]:
    """What a limit is judged by; a change of its priority changes no decision."""
    return limit.tier, limit.threshold, limit.back, limit.on_delay_us, limit.off_delay_us


def _rejudge_running(old: CollectorSpec, new: CollectorSpec, state: CollectorState, at_us: int) -> Timeline:
    """A changed running rule is judged from the held value; what the old rule said before stays true."""
    if new.running is None or new.running.point not in state.points:
        return Timeline()
    same_point = old.running is not None and old.running.point == new.running.point
    timeline = state.timeline if same_point else Timeline()
    point = _point(new, new.running.point)
    held = state.points[point.name]
    known_until_us = held.known_until_us(point.hold_us)
    if held.good and at_us < known_until_us:
        running.observe(new.running, timeline, Reading(at_us, held.value), point.hold_us)
        timeline.known_until_us = known_until_us
    return timeline


def _point(spec: CollectorSpec, name: str) -> PointSpec:
    return next(point for point in spec.points if point.name == name)


def _forget_old_spans(spec: CollectorSpec, state: CollectorState, events: list[AlarmEvent]) -> None:
    """Keep the timeline bounded; open points that still need its old end are moved past it first."""
    horizon_us = running.horizon_us(state.timeline)
    if len(state.timeline.spans) < 2 or state.timeline.spans[1][0] > horizon_us:
        return
    for point in spec.points:
        point_state = state.points[point.name]
        if point_state.is_open and point_state.evaluated_us < horizon_us:
            events += _elapse(spec, point, point_state, state.timeline, horizon_us)
    running.prune(state.timeline, horizon_us)

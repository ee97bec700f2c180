"""What one limit had seen at one instant: a replay of given readings, looked at from outside.

Owns no rule: `rules.collector` decides over a fresh state of one point, one limit and the running point;
this file cuts the time of the excursion where the reason for counting changes. The two are independent
counts of the same time, and the tests hold them equal. Readings after the instant are not looked at.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from rules import running
from rules.collector import CollectorState, new_state, step
from rules.comparator import judge
from rules.delays import Track
from rules.running import Stretch, Timeline
from rules.types import AlarmEvent, Change, CollectorSpec, Limit, PointSpec, Reading, RunState, Tier

SLICE = 1000  # readings of the point in one step
FOREVER_US = 2**63


class Counting(StrEnum):
    """Whether time counts towards a delay, and if not, why."""

    COUNTED = "counted"
    STOPPED = "stopped"
    SETTLING = "settling"
    RUNNING_UNKNOWN = "running unknown"
    VALUE_UNKNOWN = "value unknown"


class State(StrEnum):
    """What the limit was at the instant."""

    NORMAL = "normal"
    PENDING = "pending"
    ACTIVE = "active"


class Part(NamedTuple):
    """A part of time with one reason. `forgets`: by its end a stop had lasted too long for the delay to be kept."""

    start_us: int
    end_us: int
    counting: Counting
    forgets: bool

    @property
    def length_us(self) -> int:
        return self.end_us - self.start_us


class Turn(NamedTuple):
    """A reading that turned the comparator."""

    at_us: int
    value: float
    is_beyond: bool


@dataclass(frozen=True, slots=True)
class Excursion:
    """From the reading that was beyond, to the one that was back, the raising of the alarm, or the instant asked."""

    began_us: int
    ended_by: Turn | None
    parts: tuple[Part, ...]

    @property
    def counted_us(self) -> int:
        """Towards the on-delay: what a long stop made it forget is not in it."""
        return self._counted()[0]

    @property
    def forgotten_us(self) -> int:
        return self._counted()[1]

    def _counted(self) -> tuple[int, int]:
        counted_us = forgotten_us = 0
        for part in self.parts:
            if part.counting is Counting.COUNTED:
                counted_us += part.length_us
            elif part.forgets:
                counted_us, forgotten_us = 0, forgotten_us + counted_us
        return counted_us, forgotten_us


@dataclass(frozen=True, slots=True)
class Account:
    """All of it, in canonical units and microseconds of event time."""

    limit: Limit
    at_us: int
    hold_us: int
    state: State
    last: Reading | None  # the last reading of the point, good or bad
    first_us: int | None  # its first reading that was given
    is_known: bool  # whether the point had a value
    is_beyond: bool  # the comparator
    counting: Counting  # at the instant itself
    counted_us: int  # of the delay that was running: on-delay while pending, off-delay while an active one is back
    raised_us: int | None
    back: Turn | None  # of an active alarm: the reading since which the value has been back
    excursion: Excursion | None  # the one of the alarm, the pending one, or the last one that ended without an alarm
    last_alarm: tuple[int, int] | None  # raised and cleared: the last alarm that was over by then


def account(
    spec: CollectorSpec, readings: Mapping[str, Sequence[Reading]], *, point: str, tier: Tier, at_us: int
) -> Account:
    """Replay the readings by point up to `at_us` and look at one limit; KeyError when there is no such limit.

    Readings of a point come in any order; of several at one instant the first counts.
    """
    narrow, limit = _narrow(spec, point, tier)
    given = {each.name: _in_order(readings.get(each.name, ()), at_us) for each in narrow.points}
    state = new_state(narrow)
    events = _replayed(narrow, state, given)
    before, _ = _moved(narrow, state, point, at_us)
    track, last_events = _moved(narrow, state, point, at_us + 1)  # an instant is decided when time follows it
    own, turns = given[point], _turns(limit, given[point])
    cutter = _Cutter(narrow, own, given)
    here = next(cutter.parts(at_us, at_us + 1))
    last_alarm = _last_alarm([*events, *last_events])
    return Account(
        limit=limit,
        at_us=at_us,
        hold_us=narrow.points[0].hold_us,
        state=State.ACTIVE if track.is_active else State.PENDING if track.is_beyond else State.NORMAL,
        last=own[-1] if own else None,
        first_us=own[0].at_us if own else None,
        is_known=here.counting is not Counting.VALUE_UNKNOWN,
        is_beyond=track.is_beyond,
        counting=here.counting,
        counted_us=before.counted_us if track.is_open and not (track.is_active and track.is_beyond) else 0,
        raised_us=track.raised_us,
        back=turns[-1] if track.is_active and not track.is_beyond else None,
        excursion=_excursion(track, turns, last_alarm, cutter, at_us),
        last_alarm=last_alarm,
    )


def _narrow(spec: CollectorSpec, name: str, tier: Tier) -> tuple[CollectorSpec, Limit]:
    """The collector with this limit alone: limits and points do not act on one another, but for the running point."""
    points = {point.name: point for point in spec.points}
    limits = {limit.tier: limit for limit in points[name].limits}
    point = PointSpec(name, points[name].hold_us, (limits[tier],), points[name].always)
    rule = None if point.always else spec.running
    if rule is None or rule.point == name:
        return CollectorSpec(spec.name, (point,), rule), limits[tier]
    watched = PointSpec(rule.point, points[rule.point].hold_us, always=True)
    return CollectorSpec(spec.name, (point, watched), rule), limits[tier]


def _in_order(readings: Sequence[Reading], at_us: int) -> list[Reading]:
    taken: list[Reading] = []
    for reading in sorted(readings, key=lambda each: each.at_us):
        if reading.at_us <= at_us and (not taken or reading.at_us > taken[-1].at_us):
            taken.append(reading)
    return taken


def _replayed(spec: CollectorSpec, state: CollectorState, given: Mapping[str, Sequence[Reading]]) -> list[AlarmEvent]:
    """Step through the readings in slices of time, so that the running timeline stays as short as it is live."""
    own = given[spec.points[0].name]
    edges_us = [reading.at_us for reading in own[SLICE - 1 :: SLICE]]
    events: list[AlarmEvent] = []
    taken = dict.fromkeys(given, 0)
    for edge_us in [*edges_us, FOREVER_US]:
        part: dict[str, Sequence[Reading]] = {}
        for name, readings in given.items():
            end = bisect_right(readings, edge_us, taken[name], key=lambda reading: reading.at_us)
            part[name], taken[name] = readings[taken[name] : end], end
        events += step(spec, state, part)[0]
    return events


def _moved(spec: CollectorSpec, state: CollectorState, point: str, to_us: int) -> tuple[Track, list[AlarmEvent]]:
    """The track once time has passed up to `to_us`: a reading without a value moves time and judges nothing."""
    trial = deepcopy(state)
    events, _ = step(spec, trial, {point: [Reading(to_us, 0.0, good=False)]})
    return trial.points[point].tracks[0], events


def _turns(limit: Limit, readings: Sequence[Reading]) -> list[Turn]:
    turns: list[Turn] = []
    was_beyond = False
    for reading in readings:
        if reading.good:
            is_beyond = judge(limit, was_beyond, reading.value)
            if is_beyond is not was_beyond:
                turns.append(Turn(reading.at_us, reading.value, is_beyond))
            was_beyond = is_beyond
    return turns


def _last_alarm(events: Sequence[AlarmEvent]) -> tuple[int, int] | None:
    for event in reversed(events):
        if event.change is Change.CLEARED:
            assert event.evidence.raised_us is not None
            return event.evidence.raised_us, event.at_us
    return None


def _excursion(
    track: Track, turns: Sequence[Turn], last_alarm: tuple[int, int] | None, cutter: _Cutter, at_us: int
) -> Excursion | None:
    if track.is_open:
        end_us = at_us if track.raised_us is None else track.raised_us
        return Excursion(track.began_us, None, tuple(cutter.parts(track.began_us, end_us)))
    if not turns or (last_alarm is not None and last_alarm[1] >= turns[-1].at_us):
        return None
    rise, fall = turns[-2:]
    return Excursion(rise.at_us, fall, tuple(cutter.parts(rise.at_us, fall.at_us)))


class _Cutter:
    """Cuts time where the reason for counting changes."""

    def __init__(self, spec: CollectorSpec, own: Sequence[Reading], given: Mapping[str, Sequence[Reading]]) -> None:
        self._own, self._instants = own, [reading.at_us for reading in own]
        self._rule, self._hold_us = spec.running, spec.points[0].hold_us
        self._timeline = Timeline()  # all of it: the collector's own forgets what lies far back
        if spec.running is not None:
            hold_us = next(point.hold_us for point in spec.points if point.name == spec.running.point)
            for reading in given[spec.running.point]:
                running.observe(spec.running, self._timeline, reading, hold_us)

    def parts(self, from_us: int, to_us: int) -> Iterator[Part]:
        """The parts of [from_us, to_us) in order; neighbours differ in their reason."""
        held: Part | None = None
        for part in self._pieces(from_us, to_us):
            if held is not None and part.counting is held.counting:
                held = held._replace(end_us=part.end_us, forgets=held.forgets or part.forgets)
                continue
            if held is not None:
                yield held
            held = part
        if held is not None:
            yield held

    def _pieces(self, from_us: int, to_us: int) -> Iterator[Part]:
        for start_us, end_us, is_known in self._known(from_us, to_us):
            for piece in self._stretches(start_us, end_us):
                counting = _counting(piece) if is_known else Counting.VALUE_UNKNOWN
                yield Part(piece.start_us, piece.end_us, counting, piece.forgets)

    def _stretches(self, from_us: int, to_us: int) -> Iterator[Stretch]:
        if self._rule is None:
            return iter([Stretch(from_us, to_us, RunState.RUNNING, True, False)])
        return running.stretches(self._rule, self._timeline, from_us, to_us)

    def _known(self, from_us: int, to_us: int) -> Iterator[tuple[int, int, bool]]:
        """[from_us, to_us) as (start, end, whether the value was known), contiguous known time in one piece."""
        index, start_us, known_until_us = bisect_right(self._instants, from_us) - 1, from_us, from_us
        while index < len(self._own) and (index < 0 or self._instants[index] < to_us):
            next_us = min(self._instants[index + 1], to_us) if index + 1 < len(self._own) else to_us
            if index >= 0 and self._own[index].good:
                known_until_us = min(self._instants[index] + self._hold_us, next_us)
            if known_until_us < next_us:
                if start_us < known_until_us:
                    yield start_us, known_until_us, True
                yield max(known_until_us, start_us), next_us, False
                start_us = known_until_us = next_us
            index += 1
        if start_us < to_us:
            yield start_us, to_us, True


def _counting(stretch: Stretch) -> Counting:
    if stretch.armed:
        return Counting.COUNTED
    if stretch.state is RunState.RUNNING:
        return Counting.SETTLING
    return Counting.STOPPED if stretch.state is RunState.STOPPED else Counting.RUNNING_UNKNOWN

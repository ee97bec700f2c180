"""A plant's readings judged on arrays: only points whose limits move are stepped one by one.

The board owns, for every point of the plant, the last reading as arrays ("tips"), and the collectors'
states. A point none of whose limits is open, and whose new readings all lie inside its innermost
limits, cannot decide anything: its tip is moved and that is all. The running point is as quiet while
its readings do not change the running state and leave no gap. Everything else goes through
`rules.collector`, so the answer is that of the streaming engine.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from rules import collector as engine
from rules.collector import CollectorState, PointState
from rules.types import AlarmEvent, CollectorSpec, PointSpec, Reading

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

NEVER_US = np.iinfo(np.int64).min


@dataclass(slots=True)
class Columns:
    """Readings as columns of equal length, in order of arrival. `point` is the board's index of the point."""

    point: Ints
    at_us: Ints
    value: Floats
    good: Bools


@dataclass(slots=True)
class Outcome:
    """What a batch did. `order` sorts the columns by point and time; the masks are in that order."""

    order: Ints
    is_duplicate: Bools
    is_late: Bools
    events: list[AlarmEvent] = field(default_factory=list)
    changed: set[str] = field(default_factory=set)  # collectors whose state is no longer what was saved


@dataclass(slots=True)
class Tips:
    """The last reading of each point, and how far it is evaluated."""

    last_us: Ints
    value: Floats
    good: Bools
    evaluated_us: Ints

    @classmethod
    def empty(cls, size: int) -> Tips:
        return cls(np.full(size, NEVER_US, np.int64), np.zeros(size), np.zeros(size, bool), np.zeros(size, np.int64))

    def put(self, i: int, held: PointState) -> None:
        if held.last_us is not None:
            self.last_us[i], self.value[i], self.good[i] = held.last_us, held.value, held.good
        self.evaluated_us[i] = held.evaluated_us

    def get(self, i: int, held: PointState) -> None:
        if self.last_us[i] != NEVER_US:
            held.last_us, held.value, held.good = (
                int(self.last_us[i]),
                float(self.value[i]),
                bool(self.good[i]),
            )
            held.evaluated_us = int(self.evaluated_us[i])


class Board:
    """All collectors of a plant. Points are numbered in the order of `specs` and their points."""

    def __init__(self, specs: Iterable[CollectorSpec]) -> None:
        self.specs = {spec.name: spec for spec in specs}
        self.states = {name: engine.new_state(spec) for name, spec in self.specs.items()}
        self.points = [(spec, point) for spec in self.specs.values() for point in spec.points]
        self.index = {(spec.name, point.name): i for i, (spec, point) in enumerate(self.points)}
        self.tips = Tips.empty(len(self.points))
        self._hold_us = np.array([point.hold_us for _, point in self.points], np.int64)
        self._low = np.array([point.inner_low for _, point in self.points], float)
        self._high = np.array([point.inner_high for _, point in self.points], float)
        self._is_open = np.zeros(len(self.points), bool)
        self._run = _RunPoints.of(self.points)
        for spec in self.specs.values():
            self._keep(spec)

    def load(self, name: str, state: CollectorState) -> None:
        """Put a saved state in place. Where the tips are newer (they moved after it was saved), they hold."""
        self.states[name] = state
        spec = self.specs[name]
        for i, held in self._held(spec):
            if held.last_us is not None and held.last_us > self.tips.last_us[i]:
                self.tips.put(i, held)
            self.tips.evaluated_us[i] = max(self.tips.evaluated_us[i], held.evaluated_us)
        self._synchronise(spec)
        self._keep(spec)

    def take(self, columns: Columns) -> Outcome:
        """Judge one batch: duplicates, late readings, and the alarm events that the rest decides."""
        order = _by_point_and_time(columns)
        point, at_us = columns.point[order], columns.at_us[order]
        value, good = columns.value[order], columns.good[order]
        outcome = Outcome(order, *self._not_news(point, at_us, value, good))
        fresh = ~(outcome.is_duplicate | outcome.is_late)
        if not fresh.all():
            point, at_us, value, good = point[fresh], at_us[fresh], value[fresh], good[fresh]
        if len(point):
            self._move(Columns(point, at_us, value, good), outcome)
        return outcome

    def advance(
        self, watermark_us: Callable[[str], int], waiting: Bools | None = None
    ) -> tuple[list[AlarmEvent], set[str]]:
        """Decide what runs out before each collector's watermark: the events, and who changed.

        `waiting`, by point, marks those whose data are just coming in; they are left alone.
        """
        due = self._is_open if waiting is None else self._is_open & ~waiting
        events: list[AlarmEvent] = []
        changed: set[str] = set()
        by_name: dict[str, set[str]] = {}
        for i in np.flatnonzero(due).tolist():
            by_name.setdefault(self.points[i][0].name, set()).add(self.points[i][1].name)
        for name, ready in sorted(by_name.items()):
            spec = self.specs[name]
            held_back = {point.name for point in spec.points} - ready
            decided = engine.advance(spec, self._synchronise(spec), watermark_us(name), held_back)
            if decided:
                events += decided
                changed.add(name)
                self._keep(spec)
        return sorted(events, key=lambda event: event.at_us), changed

    def state(self, name: str) -> CollectorState:
        """The collector's state with its last readings up to date. To look at, not to change."""
        return self._synchronise(self.specs[name])

    def _not_news(self, point: Ints, at_us: Ints, value: Floats, good: Bools) -> tuple[Bools, Bools]:
        before_us = self.tips.last_us[point]
        heard = before_us != NEVER_US
        stale = (at_us <= before_us) | ((at_us < self.tips.evaluated_us[point]) & heard)
        twin = np.zeros(len(point), bool)
        twin[1:] = (point[1:] == point[:-1]) & (at_us[1:] == at_us[:-1])
        if not stale.any() and not twin.any():
            return stale, stale
        first = np.maximum.accumulate(np.where(twin, 0, np.arange(len(point))))
        like_tip = _same(value, self.tips.value[point], good, self.tips.good[point])
        like_first = _same(value, value[first], good, good[first])
        duplicate = np.where(stale, (at_us == before_us) & like_tip, twin & like_first)
        return duplicate, (stale | twin) & ~duplicate

    def _move(self, news: Columns, outcome: Outcome) -> None:
        first = np.flatnonzero(np.r_[True, news.point[1:] != news.point[:-1]])
        last = np.r_[first[1:], len(news.point)] - 1
        quiet = self._is_quiet(news, first)
        at, still = last[quiet], news.point[first[quiet]]
        self.tips.last_us[still] = self.tips.evaluated_us[still] = news.at_us[at]
        self.tips.value[still], self.tips.good[still] = news.value[at], news.good[at]
        loud: dict[str, dict[str, list[Reading]]] = {}
        for start, end in zip(first[~quiet].tolist(), (last[~quiet] + 1).tolist(), strict=True):
            spec, point = self.points[news.point[start]]
            loud.setdefault(spec.name, {})[point.name] = _readings(news, slice(start, end))
        for name, readings in loud.items():
            spec = self.specs[name]
            outcome.events += engine.step(spec, self._synchronise(spec), readings)[0]
            outcome.changed.add(name)
            self._keep(spec)
        outcome.events.sort(key=lambda event: event.at_us)

    def _is_quiet(self, news: Columns, first: Ints) -> Bools:
        """Per touched point: whether its new readings can decide nothing."""
        known = np.where(news.good, news.value, np.nan)
        lowest, highest = np.fmin.reduceat(known, first), np.fmax.reduceat(known, first)
        point = news.point[first]
        loud = self._is_open[point] | (lowest < self._low[point]) | (highest > self._high[point])
        is_run = self._run.is_run[point]
        if is_run.any():
            before_us = np.r_[news.at_us[:1], news.at_us[:-1]]
            before_us[first] = self.tips.last_us[point]
            in_time = news.at_us <= np.where(before_us == NEVER_US, before_us, before_us + self._hold_us[news.point])
            steady = np.logical_and.reduceat(news.good & in_time, first) & self.tips.good[point]
            same = np.where(self._run.is_on[point], lowest > self._run.off[point], highest <= self._run.on[point])
            loud |= is_run & ~(steady & same)
        return ~loud

    def _held(self, spec: CollectorSpec) -> Iterable[tuple[int, PointState]]:
        state = self.states[spec.name]
        return ((self.index[spec.name, point.name], state.points[point.name]) for point in spec.points)

    def _synchronise(self, spec: CollectorSpec) -> CollectorState:
        """Bring the state's last readings up to the tips: quiet points moved without it."""
        state = self.states[spec.name]
        for i, held in self._held(spec):
            self.tips.get(i, held)
        if spec.running is not None:
            i = self.index[spec.name, spec.running.point]
            if self.tips.last_us[i] != NEVER_US and self.tips.good[i]:
                state.timeline.known_until_us = int(self.tips.last_us[i] + self._hold_us[i])
        return state

    def _keep(self, spec: CollectorSpec) -> None:
        """Take over what stepping the collector changed."""
        for i, held in self._held(spec):
            self.tips.put(i, held)
            self._is_open[i] = held.is_open
        if spec.running is not None:
            self._run.is_on[self.index[spec.name, spec.running.point]] = self.states[spec.name].timeline.is_on


@dataclass(slots=True)
class _RunPoints:
    """Which points say whether their collector runs, their thresholds, and the comparator's bit."""

    is_run: Bools
    on: Floats
    off: Floats
    is_on: Bools

    @classmethod
    def of(cls, points: list[tuple[CollectorSpec, PointSpec]]) -> _RunPoints:
        rules = [spec.running if spec.running and spec.running.point == point.name else None for spec, point in points]
        return cls(
            np.array([rule is not None for rule in rules], bool),
            np.array([rule.on if rule else np.nan for rule in rules], float),
            np.array([rule.off if rule else np.nan for rule in rules], float),
            np.zeros(len(points), bool),
        )


def _by_point_and_time(columns: Columns) -> Ints:
    """A stable order by point, then time. One key sorts faster than two, where the batch's span fits."""
    start_us = columns.at_us.min() if len(columns.at_us) else 0
    span_us = int(columns.at_us.max() - start_us) + 1 if len(columns.at_us) else 1
    if span_us * (int(columns.point.max(initial=0)) + 1) < np.iinfo(np.int64).max:
        return np.argsort(columns.point * span_us + (columns.at_us - start_us), kind="stable")
    return np.lexsort((columns.at_us, columns.point))


def _same(value: Floats, other: Floats, good: Bools, other_good: Bools) -> Bools:
    same: Bools = (good == other_good) & (~good | (value == other))
    return same


def _readings(news: Columns, part: slice) -> list[Reading]:
    columns = (news.at_us[part].tolist(), news.value[part].tolist(), news.good[part].tolist())
    return [Reading(*row) for row in zip(*columns, strict=True)]

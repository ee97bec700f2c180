"""A chunk of one collector's history judged on arrays: what is skipped, and what is looked at closely.

Rules of the replay:
- A block of readings of a point with nothing open whose extremes lie inside the innermost limits can decide
  nothing, wherever its readings lie in time. So of such a block only the values are read, once.
- Every other block is a window (`rules.columnar.window`) that each limit passes over at once.
- The running point is looked at first, as in the streaming engine. Its gaps and its quality always matter.
- What a chunk leaves behind is the streaming engine's state, so memory does not grow with history.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np

from rules import running
from rules.collector import CollectorState, PointState
from rules.columnar import runs
from rules.columnar.passage import pass_over
from rules.columnar.runs import Arming, Runs
from rules.columnar.spans import Bools, Floats, Ints, Readings
from rules.columnar.window import Extremes, window
from rules.delays import Owner
from rules.types import AlarmEvent, CollectorSpec, PointSpec, RunningRule

BLOCK_READINGS = 1 << 17  # one mebibyte of values: mostly still in the cache when they are read again
KNOWN = (runs.RUNNING, runs.STOPPED)
NO_READINGS = Readings(np.empty(0, np.int64), np.empty(0), None, np.empty(0, np.int64))
NO_EXTREMES = Extremes(np.inf, -np.inf)


class Column(NamedTuple):
    """Readings of one point, equally long arrays in ascending time; of equal instants the first counts."""

    at_us: Ints
    value: Floats
    good: Bools


def replay(spec: CollectorSpec, state: CollectorState, chunk: Mapping[str, Column]) -> list[AlarmEvent]:
    """Take one chunk of history, by point, and move the state past it, as `rules.collector.step` would.

    Chunks follow one another in event time, and may be cut anywhere. Values in canonical units. The events
    are those of `step`, in its order; what held values decide after the last chunk, `advance` says.
    ValueError where readings that matter to an answer are not in order of time.
    """
    ran = Runs.of(state.timeline)
    armed: Arming | None = None
    if spec.running is not None:
        ran = _extended(spec, spec.running, state, ran, chunk)
        armed = runs.arming(spec.running, ran, state.timeline.known_until_us)
    events: list[AlarmEvent] = []
    for point in spec.points:
        if point.name in chunk:
            events += _move(spec, point, state.points[point.name], chunk[point.name], armed)
    events += _forget_old_spans(spec, state, ran, armed)
    return sorted(events, key=lambda event: event.at_us)


def _extended(
    spec: CollectorSpec, rule: RunningRule, state: CollectorState, ran: Runs, chunk: Mapping[str, Column]
) -> Runs:
    """The spans of the running state up to the chunk's end."""
    if rule.point not in chunk:
        return ran
    point = next(point for point in spec.points if point.name == rule.point)
    timeline, last_us = state.timeline, state.points[point.name].last_us
    parts, before = [ran], int(ran.code[-1]) if len(ran.code) else runs.NOTHING
    for block in _blocks(chunk[point.name], _first_news(chunk[point.name], state.points[point.name])):
        if before in KNOWN and runs.is_steady(rule, timeline, _read(block), point.hold_us):
            timeline.known_until_us = int(block.at_us[-1]) + point.hold_us
        else:
            readings = _news(spec, point, block, last_us)
            if len(readings.at):
                parts.append(runs.observe(rule, timeline, before, readings, point.hold_us))
                before = int(parts[-1].code[-1]) if len(parts[-1].code) else before
        last_us = int(block.at_us[-1])
    return Runs(np.concatenate([part.start for part in parts]), np.concatenate([part.code for part in parts]))


def _move(
    spec: CollectorSpec, point: PointSpec, state: PointState, column: Column, armed: Arming | None
) -> list[AlarmEvent]:
    """Move one point past its readings, block by block."""
    low, high = point.inner_low, point.inner_high
    arming = None if point.always else armed
    events: list[AlarmEvent] = []
    for block in _blocks(column, _first_news(column, state)):
        extremes = Extremes(
            float(block.value.min()) if low > -np.inf or state.is_open else -np.inf,
            float(block.value.max()) if high < np.inf or state.is_open else np.inf,
        )
        # A value that is not a number makes every comparison false: such a block is never quiet.
        quiet = extremes.lowest >= low and extremes.highest <= high
        if not quiet or state.is_open:
            readings = _news(spec, point, block, state.last_us)
            if len(readings.at):
                events += _pass(spec, point, state, readings, extremes, to_us=int(readings.at[-1]), arming=arming)
        _keep_last(state, block)
    return events


def _pass(
    spec: CollectorSpec,
    point: PointSpec,
    state: PointState,
    readings: Readings,
    extremes: Extremes,
    *,
    to_us: int,
    arming: Arming | None,
) -> list[AlarmEvent]:
    """Let every limit of the point pass over the readings, and over time up to `to_us`."""
    part = window(
        readings,
        extremes,
        from_us=state.evaluated_us if state.last_us is not None else int(readings.at[0]),
        to_us=to_us,
        known_until_us=state.known_until_us(point.hold_us),
        hold_us=point.hold_us,
        arming=arming,
    )
    owner = Owner(spec.name, point.name)
    events: list[AlarmEvent] = []
    for track, limit in state.judged(point):
        events += pass_over(limit, owner, track, part)
    state.evaluated_us = to_us
    return sorted(events, key=lambda event: event.at_us)


def _keep_last(state: PointState, block: Column) -> None:
    """Keep the last reading of a block: of several at one instant, the first."""
    at_us = int(block.at_us[-1])
    if state.last_us is not None and at_us <= state.last_us:
        return
    index = int(np.searchsorted(block.at_us, at_us))
    state.last_us = state.evaluated_us = at_us
    state.good = bool(block.good[index])
    if state.good:
        state.value = float(block.value[index])


def _first_news(column: Column, state: PointState) -> int:
    """The index of the first reading that the point has not seen, and that does not come too late."""
    if state.last_us is None:
        return 0
    return int(np.searchsorted(column.at_us, max(state.last_us + 1, state.evaluated_us)))


def _blocks(column: Column, first: int) -> Iterator[Column]:
    for start in range(first, len(column.at_us), BLOCK_READINGS):
        part = slice(start, start + BLOCK_READINGS)
        yield Column(column.at_us[part], column.value[part], column.good[part])


def _read(block: Column) -> Readings:
    return Readings(*block, block.at_us[1:] - block.at_us[:-1])


def _news(spec: CollectorSpec, point: PointSpec, block: Column, last_us: int | None) -> Readings:
    """A block without its repeated instants."""
    readings, good = _read(block), block.good
    at, steps = block.at_us, readings.steps
    least = int(steps.min()) if len(steps) else 1
    if least < 0:
        index = int(np.flatnonzero(steps < 0)[0]) + 1
        raise ValueError(
            f"history of {spec.name}/{point.name}: a reading at {at[index]} us follows one at {at[index - 1]} us, "
            "expected ascending time; sort the readings, and begin again from a new state"
        )
    if least == 0 or (last_us is not None and at[0] <= last_us):
        new = np.append(True, steps > 0)
        if last_us is not None:
            new &= at > last_us
        good = good[new]
        readings = _read(Column(at[new], block.value[new], good))
    return readings._replace(good=None) if good.all() else readings


def _forget_old_spans(spec: CollectorSpec, state: CollectorState, ran: Runs, armed: Arming | None) -> list[AlarmEvent]:
    """Keep the timeline as short as the streaming engine does; points that need its old end are moved past it."""
    timeline = state.timeline
    timeline.spans = ran.spans_from(max(len(ran.start) - running.SPANS_AT_MOST - 1, 0))
    horizon_us = running.horizon_us(timeline)
    if len(ran.start) < 2 or int(ran.start[1]) > horizon_us:
        return []
    events: list[AlarmEvent] = []
    for point in spec.points:
        held = state.points[point.name]
        if held.is_open and held.evaluated_us < horizon_us:
            events += _pass(
                spec, point, held, NO_READINGS, NO_EXTREMES, to_us=horizon_us, arming=None if point.always else armed
            )
    running.prune(timeline, horizon_us)
    return events

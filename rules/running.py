"""The running rule: running, stopped or unknown as a piecewise-constant function of event time.

Owns the timeline of one collector. Spans ascend; the last one is open until the running point's
value expires. What lies before the first span, and after the value has expired, is unknown.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NamedTuple

from rules.types import HOUR_US, Reading, RunningRule, RunState

SPANS_AT_MOST = 256
KEEP_US = 24 * HOUR_US  # other points may bring stored data about this far back and still find the truth


class Stretch(NamedTuple):
    """A part of time in which nothing changes. `armed` time counts towards a delay."""

    start_us: int
    end_us: int
    state: RunState
    armed: bool
    forgets: bool  # a stop that has by `end_us` lasted longer than the rule remembers a delay


@dataclass(slots=True)
class Timeline:
    """Spans as (start_us, state), and the comparator's bit. `known_until_us` is where the value expires."""

    spans: list[tuple[int, RunState]] = field(default_factory=list)
    is_on: bool = False
    known_until_us: int = 0

    def state_at(self, at_us: int) -> RunState:
        if at_us >= self.known_until_us:
            return RunState.UNKNOWN
        for start_us, state in reversed(self.spans):
            if start_us <= at_us:
                return state
        return RunState.UNKNOWN


def observe(rule: RunningRule, timeline: Timeline, reading: Reading, hold_us: int) -> None:
    """Take one reading of the running point; readings come in ascending event time."""
    if timeline.spans and reading.at_us > timeline.known_until_us:
        _append(timeline, timeline.known_until_us, RunState.UNKNOWN)
    if not reading.good:
        _append(timeline, reading.at_us, RunState.UNKNOWN)
        timeline.known_until_us = reading.at_us
        return
    if reading.value > rule.on:
        timeline.is_on = True
    elif reading.value <= rule.off:
        timeline.is_on = False
    _append(timeline, reading.at_us, RunState.RUNNING if timeline.is_on else RunState.STOPPED)
    timeline.known_until_us = reading.at_us + hold_us


def _append(timeline: Timeline, at_us: int, state: RunState) -> None:
    if not timeline.spans or timeline.spans[-1][1] is not state:
        timeline.spans.append((at_us, state))


def horizon_us(timeline: Timeline) -> int:
    """The instant before which `prune` will drop spans: no point may be left unevaluated before it."""
    if not timeline.spans:
        return 0
    oldest_us = timeline.known_until_us - KEEP_US
    if len(timeline.spans) > SPANS_AT_MOST:
        oldest_us = max(oldest_us, timeline.spans[-SPANS_AT_MOST][0])
    return oldest_us


def prune(timeline: Timeline, before_us: int) -> None:
    """Drop the spans that ended at or before `before_us`; the one that contains it keeps its start."""
    kept = 0
    while kept + 1 < len(timeline.spans) and timeline.spans[kept + 1][0] <= before_us:
        kept += 1
    del timeline.spans[:kept]


def stretches(rule: RunningRule, timeline: Timeline, start_us: int, end_us: int) -> Iterator[Stretch]:
    """Cut [start_us, end_us) where running, settling, stopped or unknown changes, in order.

    A running span is armed only from `settle` after it began. A gap in the running point's data
    ends the span: whether the collector stopped meanwhile is not known, so it settles again.
    """
    for span_start_us, span_end_us, state in _spans_within(timeline, start_us, end_us):
        a_us, b_us = max(span_start_us, start_us), min(span_end_us, end_us)
        if state is RunState.RUNNING:
            armed_from_us = min(max(span_start_us + rule.settle_us, a_us), b_us)
            if a_us < armed_from_us:
                yield Stretch(a_us, armed_from_us, state, False, False)
            if armed_from_us < b_us:
                yield Stretch(armed_from_us, b_us, state, True, False)
        else:
            stopped = state is RunState.STOPPED
            yield Stretch(a_us, b_us, state, False, stopped and b_us - span_start_us > rule.forget_after_us)


def _spans_within(timeline: Timeline, start_us: int, end_us: int) -> Iterator[tuple[int, int, RunState]]:
    """The spans that touch [start_us, end_us), unknown where the timeline says nothing."""
    known_us = timeline.known_until_us
    first_us = timeline.spans[0][0] if timeline.spans else end_us
    if start_us < first_us:
        yield start_us, min(first_us, end_us), RunState.UNKNOWN
    for index, (span_us, state) in enumerate(timeline.spans):
        last = index + 1 == len(timeline.spans)
        next_us = max(known_us, span_us) if last else timeline.spans[index + 1][0]
        if span_us < end_us and next_us > start_us and next_us > span_us:
            yield span_us, next_us, state
    if timeline.spans and end_us > max(known_us, start_us):
        yield max(known_us, start_us), end_us, RunState.UNKNOWN

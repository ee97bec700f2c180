"""Start-of-shift drag: how hard the filters are to breathe through, after they were cleaned at rest.

Rules of the signal:
- Drag is differential pressure over filtration velocity, airflow over filter area (Pa s/m). Under cleaning on demand
  the value after cleaning is the set point of the cleaning, not the filters; so it is taken at the first start.
- A first start is one after a stop that is known to have lasted `rest_us`. From it, minutes 5 to 15 count: the median
  is given at their end, when a later sample shows that it is over.
- A stop, or data that break off, before that end make it unknown. Half of the samples or more must be good and flow.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from rules.signals.words import Derived, Signal, Why, median
from rules.types import HOUR_US, MINUTE_US, RunState

FROM_US, TO_US = 5 * MINUTE_US, 15 * MINUTE_US
LEAST_SAMPLES = 3
SAMPLES_AT_MOST = 4096
NEVER = -1


@dataclass(frozen=True, slots=True)
class DragSpec:
    """Filter area in m2, above zero, how long a sample holds, and how long a rest makes the next start a first one."""

    area_m2: float
    hold_us: int
    rest_us: int = 4 * HOUR_US


class DragSample(NamedTuple):
    """Differential pressure in Pa and airflow in m3/s at one instant; `good` where both are."""

    at_us: int
    dp: float
    airflow: float
    good: bool
    state: RunState


@dataclass(slots=True)
class DragState:
    """The last instant, since when it rests, since when it is measured, and what was measured."""

    last_us: int = NEVER
    rests_us: int = NEVER
    started_us: int = NEVER
    samples: int = 0
    good: int = 0
    drags: list[float] = field(default_factory=list)


def step(spec: DragSpec, state: DragState, samples: Iterable[DragSample]) -> list[Derived]:
    """Take samples in event-time order; one value for each first start. What is not news is passed over."""
    derived: list[Derived] = []
    for sample in samples:
        if sample.at_us <= state.last_us:
            continue
        gap = state.last_us != NEVER and sample.at_us - state.last_us > spec.hold_us
        if state.started_us != NEVER:
            derived += _measured(spec, state, sample, gap)
        if gap:
            state.rests_us = NEVER
        _rest_or_start(spec, state, sample)
        state.last_us = sample.at_us
    return derived


def _measured(spec: DragSpec, state: DragState, sample: DragSample, gap: bool) -> list[Derived]:
    """Take a sample into a measurement; its value where this one ends it."""
    age_us = sample.at_us - state.started_us
    if gap:
        found = Derived(sample.at_us, Signal.START_DRAG, None, Why.NO_DATA)
    elif sample.state is RunState.UNKNOWN:
        found = Derived(sample.at_us, Signal.START_DRAG, None, Why.RUN_UNKNOWN)
    elif sample.state is RunState.STOPPED:
        found = Derived(sample.at_us, Signal.START_DRAG, None, Why.SHORT_RUN)
    elif age_us > TO_US:
        why = _why(state)
        found = Derived(state.started_us + TO_US, Signal.START_DRAG, None if why else median(state.drags), why)
    else:
        if age_us >= FROM_US:
            _take(spec, state, sample)
        return []
    state.started_us = NEVER
    return [found]


def _take(spec: DragSpec, state: DragState, sample: DragSample) -> None:
    state.samples += 1
    if sample.good and sample.airflow > 0:
        state.good += 1
        if state.good <= SAMPLES_AT_MOST:
            state.drags.append(sample.dp / (sample.airflow / spec.area_m2))


def _why(state: DragState) -> Why:
    if state.samples < LEAST_SAMPLES:
        return Why.TOO_FEW
    if 2 * state.good <= state.samples:
        return Why.BAD_DATA
    return Why.TOO_MANY if state.good > SAMPLES_AT_MOST else Why.KNOWN


def _rest_or_start(spec: DragSpec, state: DragState, sample: DragSample) -> None:
    if sample.state is RunState.STOPPED:
        state.rests_us = sample.at_us if state.rests_us == NEVER else state.rests_us
        return
    rested = state.rests_us != NEVER and sample.at_us - state.rests_us >= spec.rest_us
    if sample.state is RunState.RUNNING and rested:
        state.started_us = sample.at_us
        state.samples = state.good = 0
        state.drags = []
    state.rests_us = NEVER

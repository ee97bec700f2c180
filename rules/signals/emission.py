"""The emission floor between pulses: what leaks all the time, without the peak that every healthy pulse gives.

Rules of the signal:
- Leaks are continuous, the media's own emission is a transient after each pulse (Kurtz, Meyer, Kasper, Particuology 30
  (2017) 40, abstract). So samples less than `SETTLES` time constants after a pulse do not count.
- A sample's pulses lie anywhere since the sample before, so the latest instant is taken: its own. A sample whose pulses
  nobody counts is not between pulses.
- Each hour of event time, (start, end], has one floor: the tenth percentile (nearest rank) of the samples that count,
  given at its end, when a later sample shows that it is over. The first hour without samples gives one unknown.
- It is a condition indicator in the unit of its readings, not a compliance measurement.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from rules.signals.words import Derived, Signal, Why
from rules.types import HOUR_US, RunState

SETTLES = 5  # time constants: less than one percent of a peak is left
TENTH = 10
LEAST_SAMPLES = 20
SAMPLES_AT_MOST = 8192
UNCOUNTED, NEVER = -1, -1


@dataclass(frozen=True, slots=True)
class EmissionSpec:
    """The time constant with which a pulse's peak decays."""

    decay_us: int


class EmissionSample(NamedTuple):
    """A reading of emission, the pulses since the sample before it, and whether the collector runs."""

    at_us: int
    value: float
    good: bool
    pulses: int
    state: RunState


@dataclass(slots=True)
class EmissionState:
    """The last instant, the last pulse, and what the open hour has: values that count, and how many do not and why."""

    last_us: int = NEVER
    pulsed_us: int | None = None
    values: list[float] = field(default_factory=list)
    counting: int = 0
    running: int = 0
    bad: int = 0
    uncounted: int = 0
    unknown: int = 0


def step(spec: EmissionSpec, state: EmissionState, samples: Iterable[EmissionSample]) -> list[Derived]:
    """Take samples in event-time order; one floor for each hour that they show to be over.

    A sample at or before the last one is not news, and is passed over.
    """
    derived: list[Derived] = []
    for sample in samples:
        if sample.at_us <= state.last_us:
            continue
        if state.last_us != NEVER:
            hours = (sample.at_us - 1) // HOUR_US - (state.last_us - 1) // HOUR_US
            if hours:
                derived += _close(state, skips=hours > 1)
        _take(spec, state, sample)
        state.last_us = sample.at_us
    return derived


def _take(spec: EmissionSpec, state: EmissionState, sample: EmissionSample) -> None:
    if sample.pulses > 0:
        state.pulsed_us = sample.at_us
    if sample.state is not RunState.RUNNING:
        state.unknown += sample.state is RunState.UNKNOWN
        return
    state.running += 1
    if not sample.good:
        state.bad += 1
    elif sample.pulses == UNCOUNTED:
        state.uncounted += 1
    elif state.pulsed_us is None or sample.at_us - state.pulsed_us >= SETTLES * spec.decay_us:
        state.counting += 1
        if state.counting <= SAMPLES_AT_MOST:
            state.values.append(sample.value)


def _close(state: EmissionState, *, skips: bool) -> list[Derived]:
    end_us = ((state.last_us - 1) // HOUR_US + 1) * HOUR_US
    why = _why(state)
    rank = -(-len(state.values) // TENTH) - 1
    derived = [Derived(end_us, Signal.EMISSION_FLOOR, None if why else sorted(state.values)[rank], why)]
    if skips:
        derived.append(Derived(end_us + HOUR_US, Signal.EMISSION_FLOOR, None, Why.NO_DATA))
    state.values = []
    state.counting = state.running = state.bad = state.uncounted = state.unknown = 0
    return derived


def _why(state: EmissionState) -> Why:
    if state.counting > SAMPLES_AT_MOST:
        return Why.TOO_MANY
    if state.counting >= LEAST_SAMPLES:
        return Why.KNOWN
    if not state.running:
        return Why.RUN_UNKNOWN if state.unknown else Why.STOPPED
    if 2 * state.bad >= state.running:
        return Why.BAD_DATA
    return Why.NOT_OBSERVABLE if state.uncounted else Why.TOO_FEW

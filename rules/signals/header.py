"""Between-pulse header pressure: one value per interval, or the reason why there is none.

Rules of the signal:
- A healthy pulse takes the header below its low limit for a few seconds, so a single sample is no evidence.
- A gateway that sends its own between-pulse value, or its maximum per report, is believed.
- Of spot samples the median counts, and only where no sampling phase can hide the pressure between pulses:
  `SAMPLES_PER_PULSE` or more in each pulse interval, over a whole one. A header that recovers with a time constant of
  a fifth of the interval then reads at most a fifth of its sag too low (simulated, not validated).
- Where the samples come with pulse counts, and all are zero, there is no dip to hide in, and any sampling will do.
- Intervals are aligned to event time and hold their end: (start, end]. A value is given at the end of its
  interval, when a later reading shows that it is over; the first interval without readings gives one unknown.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from rules.signals.words import Derived, Signal, Why, median
from rules.types import MINUTE_US

SAMPLES_PER_PULSE = 3  # with two, every other sample may lie in the dip, and the median with it
SAMPLES_AT_MOST = 4096  # good ones that are kept in one interval
UNCOUNTED = -1


class Sends(StrEnum):
    """What the gateway's readings are."""

    SPOT = "spot"  # the pressure at an instant
    BETWEEN = "between pulses"  # its own between-pulse value of the time since the last reading
    HIGHEST = "highest"  # the maximum of the time since the last reading


@dataclass(frozen=True, slots=True)
class HeaderSpec:
    """How the header is sampled and pulsed. Both intervals are longer than zero."""

    pulse_interval_us: int
    sends: Sends = Sends.SPOT
    interval_us: int = MINUTE_US


class HeaderSample(NamedTuple):
    """A header pressure in Pa, and the pulses since the sample before it (`UNCOUNTED` where nobody counts)."""

    at_us: int
    value: float
    good: bool = True
    pulses: int = UNCOUNTED


@dataclass(slots=True)
class HeaderState:
    """The interval that is open: its good values, when the first and last of them were, and what else came."""

    last_us: int | None = None
    values: list[float] = field(default_factory=list)
    first_good_us: int = 0
    last_good_us: int = 0
    good: int = 0
    bad: int = 0
    is_idle: bool = True  # every sample came with a pulse count, and it was zero


def step(spec: HeaderSpec, state: HeaderState, samples: Iterable[HeaderSample]) -> list[Derived]:
    """Take samples in event-time order; one value in Pa for each interval that they show to be over.

    A sample at or before the last one is not news, and is passed over.
    """
    derived: list[Derived] = []
    for sample in samples:
        if state.last_us is not None:
            if sample.at_us <= state.last_us:
                continue
            over = (sample.at_us - 1) // spec.interval_us - (state.last_us - 1) // spec.interval_us
            if over:
                derived += _close(spec, state, skips=over > 1)
        _take(state, sample)
    return derived


def _take(state: HeaderState, sample: HeaderSample) -> None:
    state.last_us = sample.at_us
    state.is_idle = state.is_idle and sample.pulses == 0
    if not sample.good:
        state.bad += 1
        return
    if not state.good:
        state.first_good_us = sample.at_us
    state.last_good_us = sample.at_us
    state.good += 1
    if state.good <= SAMPLES_AT_MOST:
        state.values.append(sample.value)


def _close(spec: HeaderSpec, state: HeaderState, *, skips: bool) -> list[Derived]:
    assert state.last_us is not None
    end_us = ((state.last_us - 1) // spec.interval_us + 1) * spec.interval_us
    why = _why(spec, state)
    value = None if why else median(state.values)
    derived = [Derived(end_us, Signal.HEADER_BETWEEN_PULSES, value, why)]
    if skips:
        derived.append(Derived(end_us + spec.interval_us, Signal.HEADER_BETWEEN_PULSES, None, Why.NO_DATA))
    state.values = []
    state.good = state.bad = 0
    state.is_idle = True
    return derived


def _why(spec: HeaderSpec, state: HeaderState) -> Why:
    """Why the interval has no value; `KNOWN` where it has one."""
    if state.good <= state.bad:
        return Why.BAD_DATA
    if state.good > SAMPLES_AT_MOST:
        return Why.TOO_MANY
    if spec.sends is not Sends.SPOT or state.is_idle:
        return Why.KNOWN
    steps = state.good - 1
    spanned_us = state.last_good_us - state.first_good_us
    if not steps or spanned_us * SAMPLES_PER_PULSE > spec.pulse_interval_us * steps:
        return Why.NOT_OBSERVABLE
    if spanned_us * state.good < spec.pulse_interval_us * steps:
        return Why.TOO_FEW  # they do not reach over a whole pulse interval
    return Why.KNOWN

"""Pulses per running hour, and cleaning duty: what cleaning on demand does not hide.

Rules of the signal:
- Only running time passes. It is cut into running minutes; each is given with those before it, back over `window_us`.
- Duty is the share of running minutes with at least one pulse. A rate cannot tell it, and neither can readings so far
  apart that a running minute lasts longer than `LONGEST_US`.
- Before one whole window of running time has passed, both are unknown.
- A reading that ends no running stretch makes both unknown, with the reason; it is said once, until it changes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from rules.signals.counting import MICRO, Counting, Stretch, count
from rules.signals.words import CountSample, Derived, Signal, Why
from rules.types import HOUR_US, MINUTE_US

LONGEST_US = 2 * MINUTE_US
WINDOW_AT_MOST_US = 24 * HOUR_US  # so a state keeps at most 1,441 running minutes


@dataclass(frozen=True, slots=True)
class PulsesSpec:
    """How long a reading holds, and the running time that is looked back over.

    ValueError where the window is not one minute to `WINDOW_AT_MOST_US`.
    """

    hold_us: int
    window_us: int = HOUR_US
    is_rate: bool = False

    def __post_init__(self) -> None:
        if not MINUTE_US <= self.window_us <= WINDOW_AT_MOST_US:
            raise ValueError(
                f"window of running time: {self.window_us} us, expected {MINUTE_US} to {WINDOW_AT_MOST_US}; "
                "choose one within"
            )


@dataclass(slots=True)
class PulsesState:
    """All running time so far, the running minute that is open, and the closed ones of the window."""

    counting: Counting = field(default_factory=Counting)
    ran_us: int = 0
    open_us: int = 0
    open_micropulses: int = 0
    minutes: list[tuple[int, int]] = field(default_factory=list)  # running time, micropulses
    said: Why = Why.KNOWN


def step(spec: PulsesSpec, state: PulsesState, samples: Iterable[CountSample]) -> list[Derived]:
    """Take readings in event-time order; both signals at each running minute's end, and where they become unknown.

    A reading at or before the last one is not news, and is passed over.
    """
    derived: list[Derived] = []
    for sample in samples:
        if state.counting.last_us is not None and sample.at_us <= state.counting.last_us:
            continue
        counted = count(state.counting, sample, hold_us=spec.hold_us, is_rate=spec.is_rate)
        if isinstance(counted, Stretch):
            if _closes(state, counted):
                derived += _figures(spec, state, sample.at_us)
        elif counted is not state.said:
            state.said = counted
            derived += _unknown(sample.at_us, counted)
    return derived


def _closes(state: PulsesState, stretch: Stretch) -> bool:
    """Whether running time passes a whole minute."""
    before = state.ran_us // MINUTE_US
    state.ran_us += stretch.length_us
    state.open_us += stretch.length_us
    state.open_micropulses += stretch.micropulses
    return state.ran_us // MINUTE_US > before


def _figures(spec: PulsesSpec, state: PulsesState, at_us: int) -> list[Derived]:
    minutes = state.minutes
    minutes.append((state.open_us, state.open_micropulses))
    state.open_us = state.open_micropulses = 0
    state.said = Why.KNOWN
    ran_us = sum(length_us for length_us, _ in minutes)
    while ran_us - minutes[0][0] >= spec.window_us:
        ran_us -= minutes.pop(0)[0]
    if ran_us < spec.window_us:
        return _unknown(at_us, Why.SHORT_RUN)
    pulses = sum(micropulses for _, micropulses in minutes) / MICRO
    per_hour = Derived(at_us, Signal.PULSES_PER_RUNNING_HOUR, pulses / (ran_us / HOUR_US))
    if spec.is_rate or any(length_us > LONGEST_US for length_us, _ in minutes):
        return [per_hour, Derived(at_us, Signal.CLEANING_DUTY, None, Why.NOT_OBSERVABLE)]
    pulsed = sum(micropulses > 0 for _, micropulses in minutes)
    return [per_hour, Derived(at_us, Signal.CLEANING_DUTY, pulsed / len(minutes))]


def _unknown(at_us: int, why: Why) -> list[Derived]:
    return [
        Derived(at_us, Signal.PULSES_PER_RUNNING_HOUR, None, why),
        Derived(at_us, Signal.CLEANING_DUTY, None, why),
    ]

"""The leak score: how far the emission floor lies above what was accepted as sound, in spreads of it.

Rules of the signal:
- A day (UTC) has the median of its known hourly floors, from `LEAST_HOURS` of them; its score is
  ln(floor / reference) / spread, and the spread counts as `LEAST_SPREAD` at least.
- Given is the mean over the last `days` days that have a floor, times the root of their number: a leak that lasts
  stands out of the noise of single days. A day without a floor adds nothing, and gives no score.
- The reference is accepted by a person; without one there is no score.

Formula and figures are from memory and a simulation, not validated against a plant. A score is no measurement.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from rules.signals.words import Derived, Signal, Why, median
from rules.types import HOUR_US

DAY_US = 24 * HOUR_US
LEAST_HOURS = 2
LEAST_SPREAD = 0.15  # of the logarithm
LEAST_DAYS = 7  # of a reference
DAYS_AT_MOST = 31
FLOORS_AT_MOST = 24  # in one day


class Reference(NamedTuple):
    """The accepted floor, above zero, and the spread of the logarithm of daily floors."""

    floor: float
    spread: float


@dataclass(frozen=True, slots=True)
class LeakSpec:
    """The accepted reference, None where there is none, and over how many days the score is averaged.

    ValueError where `days` is not 1 to `DAYS_AT_MOST`.
    """

    reference: Reference | None
    days: int = 1

    def __post_init__(self) -> None:
        if not 1 <= self.days <= DAYS_AT_MOST:
            raise ValueError(f"days of a leak score: {self.days}, expected 1 to {DAYS_AT_MOST}; choose one within")


@dataclass(slots=True)
class LeakState:
    """The last instant, the day that is open with its floors, and the scores of the days before it by day."""

    last_us: int | None = None
    floors: list[float] = field(default_factory=list)
    why: Why = Why.NO_DATA
    scores: list[tuple[int, float]] = field(default_factory=list)


def reference_of(floors: list[float]) -> Reference:
    """What daily floors of a sound, seasoned filter would give as a reference; a person accepts it.

    ValueError for fewer than `LEAST_DAYS`, or where one is not above zero.
    """
    if len(floors) < LEAST_DAYS or min(floors) <= 0:
        raise ValueError(
            f"floors for a reference: {floors}, expected {LEAST_DAYS} or more, all above zero; learn on more good days"
        )
    logs = [math.log(floor) for floor in floors]
    mean = math.fsum(logs) / len(logs)
    spread = math.sqrt(math.fsum((one - mean) ** 2 for one in logs) / (len(logs) - 1))
    return Reference(median(floors), spread)


def step(spec: LeakSpec, state: LeakState, floors: Iterable[Derived]) -> list[Derived]:
    """Take hourly floors in order of time; a score at the end of each day that they show to be over.

    A floor at or before the last one is not news, and is passed over.
    """
    derived: list[Derived] = []
    for floor in floors:
        if state.last_us is not None:
            if floor.at_us <= state.last_us:
                continue
            day = (state.last_us - 1) // DAY_US
            if (floor.at_us - 1) // DAY_US > day:
                derived.append(_close(spec, state, day))
                state.floors = []
        state.last_us, state.why = floor.at_us, floor.why
        if floor.value is not None and len(state.floors) <= FLOORS_AT_MOST:
            state.floors.append(floor.value)
    return derived


def _close(spec: LeakSpec, state: LeakState, day: int) -> Derived:
    end_us = (day + 1) * DAY_US
    why = _why(spec, state)
    if why or spec.reference is None:
        return Derived(end_us, Signal.LEAK_SCORE, None, why)
    spread = max(spec.reference.spread, LEAST_SPREAD)
    state.scores.append((day, math.log(median(state.floors) / spec.reference.floor) / spread))
    state.scores = [one for one in state.scores if one[0] > day - spec.days]
    mean = sum(score for _, score in state.scores) / len(state.scores)
    return Derived(end_us, Signal.LEAK_SCORE, mean * math.sqrt(len(state.scores)))


def _why(spec: LeakSpec, state: LeakState) -> Why:
    if spec.reference is None:
        return Why.NO_BASELINE
    if not state.floors:
        return state.why
    if not LEAST_HOURS <= len(state.floors) <= FLOORS_AT_MOST:
        return Why.TOO_FEW if len(state.floors) < LEAST_HOURS else Why.TOO_MANY
    return Why.KNOWN if median(state.floors) > 0 else Why.BAD_DATA

"""The words of derived signals: which there are, a derived value, and why there is none.

Instants are whole microseconds of event time, values are in canonical units (Pa, m3/s, degC, A, ratio, 1/h, count).
"""

from __future__ import annotations

from enum import StrEnum
from typing import NamedTuple

from rules.types import Reading, RunState


class Signal(StrEnum):
    """What is derived."""

    HEADER_BETWEEN_PULSES = "header-between-pulses"  # Pa
    PULSES_PER_RUNNING_HOUR = "pulses-per-running-hour"  # 1/h
    CLEANING_DUTY = "cleaning-duty"  # ratio
    PULSES_COUNTED = "pulses-counted"  # ratio of those expected
    ROWS_NOT_FIRING = "rows-not-firing"  # count
    AIRFLOW = "airflow"  # m3/s
    AIRFLOW_OF_BASELINE = "airflow-of-baseline"  # ratio
    START_DRAG = "start-drag"  # Pa s/m
    EMISSION_FLOOR = "emission-floor"  # the unit of its readings
    LEAK_SCORE = "leak-score"  # ratio


class Why(StrEnum):
    """Why a derived value is unknown; `KNOWN` where it is not."""

    KNOWN = ""
    NO_DATA = "no data"
    BAD_DATA = "bad data"
    TOO_FEW = "too few readings"
    TOO_MANY = "more readings than are kept"
    NOT_OBSERVABLE = "not observable at this sampling"
    STOPPED = "stopped"
    RUN_UNKNOWN = "not known whether it runs"
    COUNTER_RESET = "the counter began again"
    SHORT_RUN = "has not run long enough"
    MORE_THAN_EXPECTED = "more pulses than expected"
    DOES_NOT_FIT = "does not fit a whole number of rows"
    CONFLICT = "contact and amps disagree"
    NOT_REACHED = "not seen to reach flow"
    NO_BASELINE = "no accepted baseline"
    NO_TEMPERATURE = "no temperature"
    NO_AIRFLOW = "no airflow"


class Derived(NamedTuple):
    """One derived value at an instant; None where it is unknown, and then `why` says the reason."""

    at_us: int
    signal: Signal
    value: float | None
    why: Why = Why.KNOWN

    def as_reading(self) -> Reading:
        """As a limit is judged on it: an unknown value is a reading that is not good."""
        return Reading(self.at_us, 0.0 if self.value is None else self.value, self.value is not None)


class CountSample(NamedTuple):
    """A pulse counter's total, or a rate in 1/h, and whether the collector ran from this instant on.

    `boot` changes where the counter began again.
    """

    at_us: int
    value: float
    good: bool
    state: RunState
    boot: str = ""


def median(values: list[float]) -> float:
    """The middle of some values, or the mean of the two in the middle; at least one value."""
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else (ordered[half - 1] + ordered[half]) / 2

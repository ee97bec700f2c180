"""From one reading of a pulse counter, or of a pulse rate, to the next: how long it ran, and how many pulses.

A stretch counts whole or not at all. It belongs to the state in which the collector was at its start. Where the
counter began again in it, the pulses before that are not known, so neither its time nor its pulses count.
Pulses are whole millionths, so that sums are exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from rules.signals.words import CountSample, Why
from rules.types import HOUR_US, RunState

MICRO = 1_000_000


class Stretch(NamedTuple):
    """Running time, and the pulses in it."""

    length_us: int
    micropulses: int


@dataclass(slots=True)
class Counting:
    """The last reading."""

    last_us: int | None = None
    value: float = 0.0
    good: bool = False
    state: RunState = RunState.UNKNOWN
    boot: str = ""


def count(counting: Counting, sample: CountSample, *, hold_us: int, is_rate: bool) -> Stretch | Why:
    """Take one reading that is news; the running stretch that it ends, or why there is none."""
    why = _why(counting, sample, hold_us, is_rate)
    before_us, before = counting.last_us, counting.value
    counting.last_us, counting.value, counting.good, counting.state, counting.boot = sample
    counting.good = sample.good and sample.value >= 0
    if why or before_us is None:
        return why
    length_us = sample.at_us - before_us
    pulses = before * length_us / HOUR_US if is_rate else sample.value - before
    return Stretch(length_us, round(pulses * MICRO))


def _why(counting: Counting, sample: CountSample, hold_us: int, is_rate: bool) -> Why:
    if not sample.good or sample.value < 0:
        return Why.BAD_DATA
    if counting.last_us is None or sample.at_us - counting.last_us > hold_us:
        return Why.NO_DATA
    if not counting.good:
        return Why.BAD_DATA
    if not is_rate and (sample.boot != counting.boot or sample.value < counting.value):
        return Why.COUNTER_RESET
    return {RunState.RUNNING: Why.KNOWN, RunState.STOPPED: Why.STOPPED, RunState.UNKNOWN: Why.RUN_UNKNOWN}[
        counting.state
    ]

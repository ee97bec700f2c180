"""Readings and sets of time as arrays: spans, where two sets meet, and how much of a set has passed.

Spans are half-open [start, end), ascending and disjoint; they may touch. Nothing here knows what a
span means.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

FAR_US = 1 << 62  # after every instant, with room to add a delay


class Readings(NamedTuple):
    """Readings of one point in ascending time. `good` is None where all of them are known to be."""

    at: Ints
    value: Floats
    good: Bools | None
    steps: Ints  # from each reading to the next, in microseconds


class Spans(NamedTuple):
    """Half-open spans in microseconds, as two arrays of equal length."""

    start: Ints
    end: Ints

    @classmethod
    def that_last(cls, start: Ints, end: Ints) -> Spans:
        """The spans, without those that are empty."""
        lasting = start < end
        return cls(start[lasting], end[lasting])


def overlap(some: Spans, others: Spans) -> Spans:
    """Where both sets are."""
    first = np.searchsorted(others.end, some.start, side="right")
    count = np.maximum(np.searchsorted(others.start, some.end, side="left") - first, 0)
    mine = np.repeat(np.arange(len(count)), count)
    theirs = np.arange(len(mine)) + np.repeat(first - (np.cumsum(count) - count), count)
    return Spans(np.maximum(some.start[mine], others.start[theirs]), np.minimum(some.end[mine], others.end[theirs]))


@dataclass(frozen=True, slots=True)
class Measure:
    """How much of a set of spans lies before an instant, and when a given amount of it has passed.

    `start` has one element more than there are spans (FAR_US), and `passed` is what lies before each.
    """

    start: Ints
    end: Ints
    passed: Ints

    @classmethod
    def of(cls, spans: Spans) -> Measure:
        passed = np.zeros(len(spans.start) + 1, np.int64)
        np.cumsum(spans.end - spans.start, out=passed[1:])
        return cls(np.append(spans.start, FAR_US), spans.end, passed)

    def until(self, at_us: Ints) -> Ints:
        """The part of the set before each instant, in microseconds."""
        span = np.searchsorted(self.end, at_us, side="right")
        amount: Ints = self.passed[span] + np.maximum(at_us - self.start[span], 0)
        return amount

    def instant(self, amount_us: Ints) -> Ints:
        """The earliest instant at which each amount has passed and more of the set follows directly.

        FAR_US or later where the set has no more than that amount.
        """
        span = np.searchsorted(self.passed[1:], amount_us, side="right")
        return self.start[span] + (amount_us - self.passed[span])

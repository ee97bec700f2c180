"""Derived values as arrays, and which readings of a history are news."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rules.columnar.spans import Bools, Floats, Ints
from rules.signals.words import Why

Codes = npt.NDArray[np.int8]
CODE = {why: code for code, why in enumerate(Why)}
KNOWN = CODE[Why.KNOWN]


class Figures(NamedTuple):
    """Derived values in order of time: NaN where unknown, and then the code of the reason (`CODE`)."""

    at_us: Ints
    value: Floats
    why: Codes

    @classmethod
    def of(cls, at_us: Ints, value: Floats, why: Codes) -> Figures:
        return cls(at_us, np.where(why == KNOWN, value, np.nan), why)


def news(at_us: Ints) -> Bools:
    """Which readings are later than all before them."""
    new = np.ones(len(at_us), np.bool_)
    new[1:] = at_us[1:] > np.maximum.accumulate(at_us)[:-1]
    return new


def codes(size: int, *cases: tuple[Bools, Why]) -> Codes:
    """The first reason that holds, for each place; `KNOWN` where none does."""
    why = np.full(size, KNOWN, np.int8)
    for holds, reason in reversed(cases):
        why[holds] = CODE[reason]
    return why


def middles(ordered: Floats, first: Ints, count: Ints) -> Floats:
    """The median of each group of ordered values; groups of none give whatever value lies there."""
    if not len(ordered):
        return np.full(len(first), np.nan)
    last = len(ordered) - 1
    low = ordered[np.clip(first + (count - 1) // 2, 0, last)]
    high = ordered[np.clip(first + count // 2, 0, last)]
    middle: Floats = np.where(count % 2 == 1, high, (low + high) / 2)
    return middle


def with_gaps(figures: Figures, skips: Bools, interval_us: int) -> Figures:
    """One unknown after each interval that is followed by one without readings."""
    places = np.flatnonzero(skips) + 1
    return Figures(
        np.insert(figures.at_us, places, figures.at_us[skips] + interval_us),
        np.insert(figures.value, places, np.nan),
        np.insert(figures.why, places, CODE[Why.NO_DATA]),
    )

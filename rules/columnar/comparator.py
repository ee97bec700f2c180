"""The comparator with hysteresis over an array of values: where it turns."""

from __future__ import annotations

import numpy as np

from rules.columnar.spans import Bools, Floats, Ints


def turns(beyond: Bools, back: Bools, is_beyond: bool) -> Ints:
    """The ascending indices of the readings at which the comparator changes.

    `beyond` and `back` say what each reading alone says; where neither is set, the comparator keeps the
    state that the last decisive reading gave it, or `is_beyond` before any.
    """
    decisive = beyond | back
    if decisive.all():
        return _changes(beyond, is_beyond)
    index = np.flatnonzero(decisive)
    return index[_changes(beyond[index], is_beyond)]


def high(value: Floats, threshold: float, back: float) -> tuple[Bools, Bools]:
    """Per reading, whether it is beyond a high limit, and whether it has returned."""
    return value > threshold, value <= back


def low(value: Floats, threshold: float, back: float) -> tuple[Bools, Bools]:
    """Per reading, whether it is beyond a low limit, and whether it has returned."""
    return value < threshold, value >= back


def _changes(states: Bools, before: bool) -> Ints:
    changed = np.empty(len(states), bool)
    changed[:1] = states[:1] != before
    np.not_equal(states[1:], states[:-1], out=changed[1:])
    return np.flatnonzero(changed)

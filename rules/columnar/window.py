"""One stretch of one point's time, with the readings in it: which of that time counts towards a delay."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rules.columnar.runs import Arming
from rules.columnar.spans import Ints, Measure, Readings, Spans, overlap

NO_SPANS = Spans(np.empty(0, np.int64), np.empty(0, np.int64))


class Extremes(NamedTuple):
    """Between which values all readings lie; no nearer than they are, but perhaps further out, or not a number."""

    lowest: float
    highest: float


@dataclass(frozen=True, slots=True)
class Window:
    """Time from `from_us`, the point's last evaluated instant, to `to_us`, that of the last reading here."""

    from_us: int
    to_us: int
    readings: Readings
    extremes: Extremes
    counted: Measure  # the value is known and the point armed
    idle: Measure  # the value is known, and the collector known to be stopped or settling
    forgets: Ints  # where a pending delay is forgotten


def window(
    readings: Readings,
    extremes: Extremes,
    *,
    from_us: int,
    to_us: int,
    known_until_us: int,
    hold_us: int,
    arming: Arming | None,
) -> Window:
    """The window that the readings make after a value that was known until `known_until_us`.

    `arming` is None for a point that is always judged.
    """
    known = _known(readings, from_us, min(known_until_us, to_us), hold_us)
    if arming is None:
        counted, idle, forgets = known, NO_SPANS, NO_SPANS.start
    else:
        counted, idle = overlap(known, arming.armed), overlap(known, arming.idle)
        forgets = arming.forgets[np.searchsorted(arming.forgets, from_us, side="right") :]
        forgets = forgets[: np.searchsorted(forgets, to_us, side="right")]
    return Window(from_us, to_us, readings, extremes, Measure.of(counted), Measure.of(idle), forgets)


def _known(readings: Readings, from_us: int, known_until_us: int, hold_us: int) -> Spans:
    """Where the value is known: up to the first reading by the value held before it, and then by the readings."""
    at = readings.at
    if not len(at):
        return Spans.that_last(np.array([from_us]), np.array([known_until_us]))
    held = Spans(np.array([from_us]), np.array([min(known_until_us, int(at[0]))]))
    joined = readings.steps <= hold_us  # a reading at the very end of what is held continues it
    if readings.good is None:
        breaks = np.flatnonzero(~joined)
        start = np.concatenate((held.start, at[:1], at[breaks + 1]))
        end = np.concatenate((held.end, at[breaks] + hold_us, at[-1:]))
        return Spans.that_last(start, end)
    good = readings.good[:-1]
    goes_on = good[1:] & good[:-1] & joined[:-1]
    first = np.flatnonzero(good & ~np.append(False, goes_on)[: len(good)])
    last = np.flatnonzero(good & ~np.append(goes_on, False)[: len(good)])
    start = np.concatenate((held.start, at[first]))
    end = np.concatenate((held.end, np.minimum(at[last + 1], at[last] + hold_us)))
    return Spans.that_last(start, end)

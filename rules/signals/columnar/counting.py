"""A pulse counter's history as arrays: every stretch between two readings at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rules.columnar.spans import Bools, Floats, Ints
from rules.signals.columnar.figures import KNOWN, Codes, Figures, codes, news
from rules.signals.words import Why
from rules.types import HOUR_US, RunState

STATES = tuple(RunState)  # the codes of a history's states


class Counts(NamedTuple):
    """Readings of a counter or of a rate as equally long arrays; `state` holds places in `STATES`."""

    at_us: Ints
    value: Floats
    good: Bools
    state: npt.NDArray[np.int8]
    boot: npt.NDArray[np.str_]


class Stretches(NamedTuple):
    """What each reading ended: a running stretch where `why` is `KNOWN`; otherwise length and pulses are zero."""

    at_us: Ints
    length_us: Ints
    micropulses: Ints
    why: Codes


class Closings(NamedTuple):
    """Where running time passed a multiple of a unit: at which readings, and what had passed before each."""

    place: Ints
    ran_us: Ints
    micropulses: Ints


def stretches(counts: Counts, hold_us: int, is_rate: bool) -> Stretches:
    """What each reading that is news ended, as `rules.signals.counting.count` says."""
    new = news(counts.at_us)
    at, value, boot = counts.at_us[new], counts.value[new], counts.boot[new]
    good = counts.good[new] & (value >= 0)
    state = np.append(np.int8(0), counts.state[new])[:-1]  # the state before each reading
    length = np.diff(at, prepend=at[:1])
    rise = np.diff(value, prepend=value[:1])
    again = (rise < 0) | np.append(False, boot[1:] != boot[:-1])[: len(at)]
    gap = length > hold_us
    gap[:1] = True
    why = codes(
        len(at),
        (~good, Why.BAD_DATA),
        (gap, Why.NO_DATA),
        (np.append(True, ~good)[: len(at)], Why.BAD_DATA),
        (again & (not is_rate), Why.COUNTER_RESET),
        (state == STATES.index(RunState.STOPPED), Why.STOPPED),
        (state == STATES.index(RunState.UNKNOWN), Why.RUN_UNKNOWN),
    )
    pulses = np.append(0.0, value)[: len(at)] * length / HOUR_US if is_rate else rise
    runs = why == KNOWN
    return Stretches(at, np.where(runs, length, 0), np.rint(np.where(runs, pulses, 0) * 1e6).astype(np.int64), why)


def closings(passed: Stretches, unit_us: int) -> Closings:
    """Where running time passes a multiple of `unit_us`."""
    ran = np.cumsum(passed.length_us)
    place = np.flatnonzero(np.diff(ran // unit_us, prepend=0))
    return Closings(place, ran[place], np.cumsum(passed.micropulses)[place])


def told(passed: Stretches, closing: Closings, value: Floats, why: Codes) -> Figures:
    """The values at the closings, and between them the unknowns, each said once until its reason changes."""
    unknown = _said_once(passed, closing)
    place = np.append(closing.place, unknown)
    order = np.argsort(place)
    values = np.append(np.where(why == KNOWN, value, np.nan), np.full(len(unknown), np.nan))
    reasons = np.append(why, passed.why[unknown])
    return Figures(passed.at_us[place[order]], values[order], reasons[order])


def _said_once(passed: Stretches, closing: Closings) -> Ints:
    """The readings that make the signal unknown with a reason that was not the last thing said."""
    tells = passed.why != KNOWN
    tells[closing.place] = True
    places = np.flatnonzero(tells)
    said = np.append(np.int8(KNOWN), passed.why[places])
    once: Ints = places[(said[1:] != said[:-1]) & (said[1:] != KNOWN)]
    return once

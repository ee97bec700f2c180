"""Start-of-shift drag over arrays: all first starts are found at once, and then each is looked at."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rules.columnar.spans import Bools, Floats, Ints
from rules.signals.columnar.counting import STATES
from rules.signals.columnar.figures import CODE, KNOWN, Figures, news
from rules.signals.drag import FROM_US, LEAST_SAMPLES, SAMPLES_AT_MOST, TO_US, DragSpec
from rules.signals.words import Why
from rules.types import RunState

RUNNING, STOPPED = STATES.index(RunState.RUNNING), STATES.index(RunState.STOPPED)


class DragSamples(NamedTuple):
    """As `rules.signals.drag.DragSample`, equally long arrays; `state` holds places in `STATES`."""

    at_us: Ints
    dp: Floats
    airflow: Floats
    good: Bools
    state: npt.NDArray[np.int8]


def drag(spec: DragSpec, samples: DragSamples) -> Figures:
    """What `rules.signals.drag.step` gives for the same samples; Pa s/m."""
    new = news(samples.at_us)
    at, state = samples.at_us[new], samples.state[new]
    good = samples.good[new] & (samples.airflow[new] > 0)
    drags = samples.dp[new] / (np.where(good, samples.airflow[new], 1.0) / spec.area_m2)
    gap = np.diff(at, prepend=at[:1]) > spec.hold_us
    breaks = np.append(np.flatnonzero(gap | (state != RUNNING)), len(at))
    found = []
    for place in _first_starts(spec, at, state, gap).tolist():
        broken = int(breaks[np.searchsorted(breaks, place, side="right")])
        over = int(np.searchsorted(at, at[place] + TO_US, side="right"))
        if broken < len(at) and broken <= over:
            found.append((int(at[broken]), np.nan, CODE[_broken(bool(gap[broken]), int(state[broken]))]))
        elif over < len(at):
            first = int(np.searchsorted(at, at[place] + FROM_US))
            found.append((int(at[place]) + TO_US, *_measured(drags[first:over], good[first:over])))
    ends, values, why = zip(*found, strict=True) if found else ((), (), ())
    return Figures(np.array(ends, np.int64), np.array(values, np.float64), np.array(why, np.int8))


def _first_starts(spec: DragSpec, at: Ints, state: npt.NDArray[np.int8], gap: Bools) -> Ints:
    """Where it runs directly after a rest that has lasted."""
    rests = state == STOPPED
    begins = rests & (gap | ~np.append(False, rests)[:-1])
    began = np.maximum.accumulate(np.where(begins, np.arange(len(at)), 0))
    after = np.append(False, rests)[:-1] & (state == RUNNING) & ~gap
    starts: Ints = np.flatnonzero(after & (at - at[began] >= spec.rest_us))
    return starts


def _broken(gap: bool, state: int) -> Why:
    if gap:
        return Why.NO_DATA
    return Why.SHORT_RUN if state == STOPPED else Why.RUN_UNKNOWN


def _measured(drags: Floats, good: Bools) -> tuple[float, int]:
    count = int(np.count_nonzero(good))
    if len(good) < LEAST_SAMPLES:
        return np.nan, CODE[Why.TOO_FEW]
    if 2 * count <= len(good):
        return np.nan, CODE[Why.BAD_DATA]
    if count > SAMPLES_AT_MOST:
        return np.nan, CODE[Why.TOO_MANY]
    return float(np.median(drags[good])), KNOWN

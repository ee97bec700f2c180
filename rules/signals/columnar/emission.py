"""The emission floor over arrays: every hour of a history at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rules.columnar.spans import Bools, Floats, Ints
from rules.signals.columnar.counting import STATES
from rules.signals.columnar.figures import Figures, codes, news, with_gaps
from rules.signals.emission import LEAST_SAMPLES, SAMPLES_AT_MOST, SETTLES, UNCOUNTED, EmissionSpec
from rules.signals.words import Why
from rules.types import HOUR_US, RunState

RUNNING, UNKNOWN = STATES.index(RunState.RUNNING), STATES.index(RunState.UNKNOWN)
LONG_AGO_US = -(1 << 62)


class EmissionSamples(NamedTuple):
    """As `rules.signals.emission.EmissionSample`, equally long arrays; `state` holds places in `STATES`."""

    at_us: Ints
    value: Floats
    good: Bools
    pulses: Ints
    state: npt.NDArray[np.int8]


def emission(spec: EmissionSpec, samples: EmissionSamples) -> Figures:
    """What `rules.signals.emission.step` gives for the same samples."""
    new = news(samples.at_us)
    at, value, pulses = samples.at_us[new], samples.value[new], samples.pulses[new]
    if not len(at):
        return Figures(at, value, np.empty(0, np.int8))
    running, good = samples.state[new] == RUNNING, samples.good[new]
    pulsed = np.maximum.accumulate(np.where(pulses > 0, at, LONG_AGO_US))
    counted = running & good & (pulses != UNCOUNTED)
    counts = counted & (at - pulsed >= SETTLES * spec.decay_us)
    hour = (at - 1) // HOUR_US
    begins = np.flatnonzero(np.append(True, hour[1:] != hour[:-1]))

    def tally(holds: Bools) -> Ints:
        total: Ints = np.add.reduceat(holds.astype(np.int64), begins)
        return total

    usable, ran = tally(counts), tally(running)
    why = codes(
        len(begins),
        (usable > SAMPLES_AT_MOST, Why.TOO_MANY),
        (usable >= LEAST_SAMPLES, Why.KNOWN),
        ((ran == 0) & (tally(samples.state[new] == UNKNOWN) > 0), Why.RUN_UNKNOWN),
        (ran == 0, Why.STOPPED),
        (2 * tally(running & ~good) >= ran, Why.BAD_DATA),
        (tally(running & good & (pulses == UNCOUNTED)) > 0, Why.NOT_OBSERVABLE),
        (usable < LEAST_SAMPLES, Why.TOO_FEW),
    )
    floors = _tenths(hour[counts], value[counts], usable)
    closed = len(begins) - 1
    figures = Figures.of((hour[begins[:closed]] + 1) * HOUR_US, floors[:closed], why[:closed])
    return with_gaps(figures, np.diff(hour[begins]) > 1, HOUR_US)


def _tenths(hour: Ints, value: Floats, usable: Ints) -> Floats:
    """The value in each hour's samples that a tenth of them, rounded up, do not exceed; hours of none give any."""
    ordered = np.append(value[np.lexsort((value, hour))], np.nan)
    first = np.cumsum(usable) - usable
    tenths: Floats = ordered[first + np.maximum((usable + 9) // 10, 1) - 1]
    return tenths

"""The leak score over arrays: every day of a history at once."""

from __future__ import annotations

import math

import numpy as np

from rules.columnar.spans import Bools, Floats, Ints
from rules.signals.columnar.figures import KNOWN, Figures, codes, middles, news
from rules.signals.leak import DAY_US, FLOORS_AT_MOST, LEAST_HOURS, LEAST_SPREAD, LeakSpec
from rules.signals.words import Why


def leak(spec: LeakSpec, floors: Figures) -> Figures:
    """What `rules.signals.leak.step` gives for the same hourly floors."""
    if not len(floors.at_us):
        return floors
    new = news(floors.at_us)
    floors = Figures(floors.at_us[new], floors.value[new], floors.why[new])
    day = (floors.at_us - 1) // DAY_US
    begins = np.flatnonzero(np.append(True, day[1:] != day[:-1]))
    known = floors.why == KNOWN
    count = np.add.reduceat(known.astype(np.int64), begins)
    ordered = floors.value[known][np.lexsort((floors.value[known], day[known]))]
    middle = np.where(count > 0, middles(ordered, np.cumsum(count) - count, count), np.nan)
    why = codes(
        len(begins),
        (np.full(len(begins), spec.reference is None), Why.NO_BASELINE),
        ((count > 0) & (count < LEAST_HOURS), Why.TOO_FEW),
        (count > FLOORS_AT_MOST, Why.TOO_MANY),
        (middle <= 0, Why.BAD_DATA),
    )
    why = np.where((count == 0) & (why == KNOWN), floors.why[np.append(begins[1:], len(day)) - 1], why)
    score = _scores(spec, middle, why == KNOWN, day[begins])
    closed = len(begins) - 1
    return Figures.of((day[begins[:closed]] + 1) * DAY_US, score[:closed], why[:closed])


def _scores(spec: LeakSpec, middle: Floats, known: Bools, day: Ints) -> Floats:
    """The mean score of the last days times the root of their number; zero where there is none."""
    single = np.zeros(int(day[-1] - day[0]) + spec.days)
    there = np.zeros(len(single), np.int64)
    place = day - day[0] + spec.days - 1
    if spec.reference is not None:
        spread = max(spec.reference.spread, LEAST_SPREAD)
        # Logarithms one by one: those of arrays may differ in the last bit.
        single[place[known]] = [math.log(one / spec.reference.floor) / spread for one in middle[known].tolist()]
        there[place[known]] = 1
    total = np.zeros(len(day))
    number = np.zeros(len(day), np.int64)
    for back in range(spec.days - 1, -1, -1):
        total += single[place - back]
        number += there[place - back]
    mean: Floats = total / np.maximum(number, 1) * np.sqrt(number)
    return mean

"""Verdicts on valves over arrays: every position's turns of a history at once, between counter resets."""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rules.columnar.spans import Bools, Floats, Ints
from rules.signals.columnar.figures import CODE, KNOWN, Codes, codes
from rules.signals.columnar.sags import Sags
from rules.signals.valves import DEAD, LEARNS, LEAST_SHARE, TURNS, WEAK, ValvesSpec, Verdict
from rules.signals.words import Why

VERDICTS = tuple(Verdict)


class Valves(NamedTuple):
    """Verdicts in order of time, as in `rules.signals.valves.Valve`; `verdict` holds places in `VERDICTS`."""

    at_us: Ints
    position: Ints
    verdict: npt.NDArray[np.int8]
    ratio: Floats  # NaN where unknown
    why: Codes


def valves(spec: ValvesSpec, sags: Sags) -> Valves:
    """What `rules.signals.valves.step` gives for the same sags."""
    known = sags.why == KNOWN
    reference = np.full(len(known), np.nan)  # NaN while it is learned
    edges = [0, *(np.flatnonzero(sags.why == CODE[Why.COUNTER_RESET]) + 1), len(known)]
    epoch = np.searchsorted(np.array(edges[1:-1]), np.arange(len(known)), side="right")
    for start, end in pairwise(edges):
        _learn(spec, sags.position[start:end], sags.share[start:end], known[start:end], reference[start:end])
    learning = known & np.isnan(reference)
    faint = known & (reference < LEAST_SHARE)
    judged = known & ~learning & ~faint
    ratio = np.full(len(known), np.nan)
    ratio[judged] = sags.share[judged] / reference[judged]
    series = epoch * spec.rows + sags.position
    dead, weak = _in_a_row(series, judged, ratio < DEAD), _in_a_row(series, judged, ratio < WEAK)
    unseen = weak & ~dead & (not spec.sees_weak)
    why = codes(len(known), (learning | faint, Why.NO_BASELINE), (unseen, Why.NOT_OBSERVABLE))
    cases = [~known | faint | unseen, learning, dead, weak]
    names = [Verdict.UNKNOWN, Verdict.LEARNING, Verdict.DEAD, Verdict.WEAK]
    verdict = np.select(cases, [VERDICTS.index(name) for name in names], VERDICTS.index(Verdict.FIRES))
    return Valves(sags.at_us, sags.position, verdict.astype(np.int8), ratio, np.where(known, why, sags.why))


def _learn(spec: ValvesSpec, position: Ints, share: Floats, known: Bools, reference: Floats) -> None:
    """Write the reference behind where every position of one epoch has been learned."""
    places = [np.flatnonzero(known & (position == one))[:LEARNS] for one in range(spec.rows)]
    if min(len(place) for place in places) < LEARNS:
        return
    own = np.array([np.median(share[place]) for place in places])
    behind = max(int(place[-1]) for place in places) + 1
    reference[behind:] = np.maximum(own, np.median(own))[position[behind:]]


def _in_a_row(series: Ints, judged: Bools, low: Bools) -> Bools:
    """Where the last `TURNS` judged turns of a series were all low."""
    places = np.flatnonzero(judged)
    places = places[np.argsort(series[places], kind="stable")]
    lows = np.append(0, np.cumsum(low[places]))
    back = np.arange(TURNS, len(places) + 1) - TURNS  # where the last TURNS begin
    same = series[places[back]] == series[places[back + TURNS - 1]]
    found = np.zeros(len(low), np.bool_)
    found[places[back + TURNS - 1]] = same & (lows[back + TURNS] - lows[back] == TURNS)
    return found

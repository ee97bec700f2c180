"""Patterns of the header's air over arrays: every pulse of a history at once."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rules.columnar.spans import Bools, Floats, Ints
from rules.signals.columnar.figures import KNOWN, Codes, codes
from rules.signals.columnar.sags import Sags
from rules.signals.patterns import IDLE_US, IN_A_ROW, IN_PROPORTION, LEARNS, LEAST_SHARE, LOW, SLOW, STUCK_PA, Pattern
from rules.signals.sags import NEVER
from rules.signals.words import Why

PATTERNS = tuple(Pattern)
Places = npt.NDArray[np.int8]


class Patterns(NamedTuple):
    """As `rules.signals.patterns.Shown`; `pattern` holds places in `PATTERNS`."""

    at_us: Ints
    pattern: Places
    why: Codes


def patterns(sags: Sags) -> Patterns:
    """What `rules.signals.patterns.step` gives for the same sags."""
    known = np.flatnonzero(sags.why == KNOWN)
    learned, judged = known[:LEARNS], known[LEARNS:]
    if len(judged) and float(np.median(sags.share[learned])) < LEAST_SHARE:
        judged = judged[:0]
    pattern = np.zeros(len(sags.why), np.int8)
    if len(judged):
        pattern[judged] = _believed(_candidates(sags, learned, judged))
    shown = np.zeros(len(pattern), np.bool_)
    shown[judged] = True
    why = codes(len(pattern), (~shown, Why.NO_BASELINE), (pattern == 0, Why.TOO_FEW))
    return Patterns(sags.at_us, pattern, np.where(sags.why == KNOWN, why, sags.why))


def _candidates(sags: Sags, learned: Ints, judged: Ints) -> Places:
    before, recovery, idle = sags.before_pa[judged], sags.recovery_us[judged], sags.idle_us[judged]
    low = before < LOW * np.median(sags.before_pa[learned])
    low_idle = _last_known(np.where(idle >= IDLE_US, low.astype(np.int8), np.int8(-1)))
    times = sags.recovery_us[learned]
    times = times[times != NEVER]
    slow = recovery > SLOW * np.median(times) if len(times) else np.zeros(len(judged), np.bool_)
    ratio: Floats = sags.share[judged] / np.median(sags.share[learned])
    leaks: Bools = (low_idle == 1) & slow & (np.abs(ratio - 1) <= IN_PROPORTION)
    stuck = before < STUCK_PA
    cases = (
        (stuck & sags.supply_on[judged], Pattern.STUCK_OPEN),
        (stuck, Pattern.NO_AIR),
        (~low, Pattern.NORMAL),
        (low_idle == 0, Pattern.SMALL_SUPPLY),
        (leaks, Pattern.LEAKING_DIAPHRAGM),
    )
    names = [PATTERNS.index(name) for _, name in cases]
    return np.select([holds for holds, _ in cases], names, PATTERNS.index(Pattern.LOW_PRESSURE)).astype(np.int8)


def _last_known(bits: Places) -> Places:
    """Each place's bit, or where it is -1 the last one before that is not."""
    place = np.maximum.accumulate(np.where(bits >= 0, np.arange(len(bits)), -1))
    last: Places = np.where(place >= 0, bits[place], np.int8(-1))
    return last


def _believed(candidate: Places) -> Places:
    """The last candidate that came `IN_A_ROW` times in a row; 0 before there is one."""
    size = len(candidate)
    starts = np.maximum.accumulate(np.where(np.diff(candidate, prepend=np.int8(-1)) != 0, np.arange(size), 0))
    enough = np.where(np.arange(size) - starts + 1 >= IN_A_ROW, candidate, np.int8(-1))
    return np.maximum(_last_known(enough), np.int8(0))

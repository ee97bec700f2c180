"""What the bare numbers of a series say, whatever they measure: levels, codes for no measurement, counts, raw counts.

Knows no unit. Must never drop a value: it tells which ones stand for none, and whether that is beyond doubt.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isfinite
from statistics import median

from service.discover.readings import Series

RUNS_FROM = 0.3  # of the highest values: below it the collector is taken to stand still
FAR = 3.0  # a known code is beyond doubt so many times farther out than all values
BELOW_FAR = 0.25  # of their width: so far below nought, where no other value is, a known code is beyond doubt as well
ALONE = 0.05  # of their width: so far from all others a known code may be one
UNKNOWN_FAR, UNKNOWN_PART = 10.0, 0.25  # farther out than all values, and of all at most, for a number of no list
REPEATS_LEAST = 3  # of a code that is in doubt
LIVELY = 5  # different values beside a number of no list
CONVERTERS = (4_095, 27_648, 32_767, 65_535)  # full scale in counts; common practice, no source
RAW_LEAST, RAW_DISTINCT = 1_000, 8  # highest of raw counts, and different ones
RAW_BELOW = 0.05  # of full scale: under-range


@dataclass(frozen=True, slots=True)
class Levels:
    """Where values stand: `working` without the time in which the collector stands still."""

    lowest: float
    highest: float
    working: float


def levels_of(series: Series, values: Sequence[float], codes: Collection[float]) -> Levels | None:
    """Of the values that are kept, and the ends of all; both without the codes for no measurement."""
    if not values:
        return None
    ends = [*(series.codes.keys() - set(codes)), *(each for each in (series.lowest, series.highest) if isfinite(each))]
    ordered = sorted(map(abs, values))
    high = ordered[int(0.9 * (len(ordered) - 1))]
    return Levels(min(ends), max(ends), median(value for value in values if abs(value) >= RUNS_FROM * high))


def codes_of(series: Series) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Numbers that stand for no measurement: those beyond doubt, and those that a person has to judge."""
    if not isfinite(series.lowest):
        return (), ()  # nothing else was sent
    certain = {code for code, count in series.codes.items() if _is_certain(series, code, count)}
    doubtful = {code for code, count in series.codes.items() if count >= REPEATS_LEAST and _is_alone(series, code)}
    return tuple(sorted(certain)), tuple(sorted(doubtful - certain | _unknown(series)))


def _is_certain(series: Series, code: float, count: int) -> bool:
    if abs(code) > FAR * max(abs(series.lowest), abs(series.highest)) + 1:
        return True
    gap = series.lowest - code
    return _is_below(series, code) and count > 1 and gap >= BELOW_FAR * (series.highest - series.lowest)


def _is_below(series: Series, code: float) -> bool:
    """Whether a code is below nought and nothing else is by much."""
    return code < 0 and series.lowest >= code / 10


def _is_alone(series: Series, code: float) -> bool:
    others = [value for _, value in series.values if value not in series.codes]
    gap = min(abs(value - code) for value in (*others, series.lowest, series.highest))
    return _is_below(series, code) or gap > ALONE * (series.highest - series.lowest)


def _unknown(series: Series) -> set[float]:
    """A number of no list that comes again and again, far beyond all others."""
    counts = Counter(value for _, value in series.values if value not in series.codes)
    ordered = sorted(counts, key=abs)
    if len(ordered) <= LIVELY:
        return set()
    last, before = ordered[-1], ordered[-2]
    is_some = REPEATS_LEAST <= counts[last] <= UNKNOWN_PART * counts.total()
    return {last} if is_some and abs(last) > UNKNOWN_FAR * abs(before) else set()


def goes_up(values: Sequence[float], rises_least: int) -> bool:
    """Whether whole numbers only go up, but for a restart from near nought."""
    if len(set(values)) < rises_least or any(value != int(value) for value in values):
        return False
    falls = [(before, after) for before, after in pairwise(values) if after < before]
    return len(falls) <= len(values) // 10 and all(0 <= after < before / 2 for before, after in falls)


def raw_full(values: Sequence[float]) -> int:
    """Full scale of the converter whose raw counts these may be; 0 when they are none."""
    if len(set(values)) < RAW_DISTINCT or max(values) < RAW_LEAST or any(value != int(value) for value in values):
        return 0
    full = next((each for each in CONVERTERS if max(values) <= each), 0)
    return full if min(values) >= -RAW_BELOW * full else 0

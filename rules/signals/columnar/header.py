"""Between-pulse header pressure over arrays: every interval of a history at once."""

from __future__ import annotations

import numpy as np

from rules.columnar.spans import Bools, Floats, Ints
from rules.signals.columnar.figures import Codes, Figures, codes, middles, news, with_gaps
from rules.signals.header import SAMPLES_AT_MOST, SAMPLES_PER_PULSE, HeaderSpec, Sends
from rules.signals.words import Why


def header(spec: HeaderSpec, at_us: Ints, value: Floats, good: Bools, pulses: Ints) -> Figures:
    """What `rules.signals.header.step` gives for the same samples, as equally long arrays; Pa."""
    new = news(at_us)
    at, value, good, pulses = at_us[new], value[new], good[new], pulses[new]
    if not len(at):
        return Figures(at, np.empty(0), np.empty(0, np.int8))
    cell = (at - 1) // spec.interval_us
    begins = np.flatnonzero(np.append(True, cell[1:] != cell[:-1]))
    total = np.diff(np.append(begins, len(at)))
    count = np.add.reduceat(good.astype(np.int64), begins)
    busy = np.add.reduceat((pulses != 0).astype(np.int64), begins) > 0
    first = np.cumsum(count) - count
    when = at[good]
    ordered = value[good][np.lexsort((value[good], cell[good]))]
    why = _why(spec, total, count, busy, _spanned(when, first, count))
    closed = len(begins) - 1  # a later reading shows that an interval is over; after the last there is none
    ends = (cell[begins] + 1) * spec.interval_us
    figures = Figures.of(ends[:closed], middles(ordered, first, count)[:closed], why[:closed])
    return with_gaps(figures, np.diff(cell[begins]) > 1, spec.interval_us)


def _spanned(when: Ints, first: Ints, count: Ints) -> Ints:
    """The time from the first to the last good sample of each interval."""
    if not len(when):
        return np.zeros(len(first), np.int64)
    last = len(when) - 1
    spanned: Ints = when[np.clip(first + count - 1, 0, last)] - when[np.clip(first, 0, last)]
    return spanned


def _why(spec: HeaderSpec, total: Ints, count: Ints, busy: Bools, spanned_us: Ints) -> Codes:
    slow = (count < 2) | (spanned_us * SAMPLES_PER_PULSE > spec.pulse_interval_us * (count - 1))
    short = spanned_us * count < spec.pulse_interval_us * (count - 1)
    judged = busy if spec.sends is Sends.SPOT else np.zeros(len(busy), np.bool_)
    return codes(
        len(total),
        (2 * count <= total, Why.BAD_DATA),
        (count > SAMPLES_AT_MOST, Why.TOO_MANY),
        (judged & slow, Why.NOT_OBSERVABLE),
        (judged & short, Why.TOO_FEW),
    )

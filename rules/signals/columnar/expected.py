"""Expected against counted pulses over arrays: every block of cleaning time of a history at once."""

from __future__ import annotations

import numpy as np

from rules.signals.columnar.counting import Counts, closings, stretches, told
from rules.signals.columnar.figures import Figures, codes
from rules.signals.expected import FITS, ExpectedSpec
from rules.signals.words import Signal, Why


def expected(spec: ExpectedSpec, counts: Counts) -> dict[Signal, Figures]:
    """What `rules.signals.expected.step` gives for the same readings: a ratio, and a count of rows."""
    passed = stretches(counts, spec.hold_us, False)
    closing = closings(passed, spec.block_us)
    cleaned_us = np.diff(closing.ran_us, prepend=0)
    share = np.diff(closing.micropulses, prepend=0) / 1e6 / (cleaned_us / spec.interval_us)
    missing = (1 - share) * spec.rows
    whole = np.rint(missing)
    why = codes(len(share), (whole < 0, Why.MORE_THAN_EXPECTED), (np.abs(missing - whole) > FITS, Why.DOES_NOT_FIT))
    return {
        Signal.PULSES_COUNTED: told(passed, closing, share, codes(len(share))),
        Signal.ROWS_NOT_FIRING: told(passed, closing, whole, why),
    }

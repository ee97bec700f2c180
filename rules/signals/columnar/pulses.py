"""Pulses per running hour and cleaning duty over arrays: every running minute of a history at once."""

from __future__ import annotations

import numpy as np

from rules.signals.columnar.counting import Counts, closings, stretches, told
from rules.signals.columnar.figures import Figures, codes
from rules.signals.pulses import LONGEST_US, PulsesSpec
from rules.signals.words import Signal, Why
from rules.types import HOUR_US, MINUTE_US


def pulses(spec: PulsesSpec, counts: Counts) -> dict[Signal, Figures]:
    """What `rules.signals.pulses.step` gives for the same readings: 1/h, and a ratio."""
    passed = stretches(counts, spec.hold_us, spec.is_rate)
    closing = closings(passed, MINUTE_US)
    ran = np.append(0, closing.ran_us)
    fired = np.append(0, closing.micropulses)
    last = np.arange(1, len(ran))
    since = np.maximum(np.searchsorted(ran, ran[1:] - spec.window_us, side="right") - 1, 0)
    window_us = ran[last] - ran[since]
    short = window_us < spec.window_us
    per_hour = (fired[last] - fired[since]) / 1e6 / (window_us / HOUR_US)
    busy = np.append(0, np.cumsum(np.diff(fired) > 0))
    coarse = np.append(0, np.cumsum(np.diff(ran) > LONGEST_US))
    duty = (busy[last] - busy[since]) / (last - since)
    blind = (coarse[last] > coarse[since]) | spec.is_rate
    size = len(last)
    return {
        Signal.PULSES_PER_RUNNING_HOUR: told(passed, closing, per_hour, codes(size, (short, Why.SHORT_RUN))),
        Signal.CLEANING_DUTY: told(
            passed, closing, duty, codes(size, (short, Why.SHORT_RUN), (blind, Why.NOT_OBSERVABLE))
        ),
    }

"""Airflow at the gas's own density over arrays."""

from __future__ import annotations

import numpy as np

from rules.columnar.spans import Bools, Floats, Ints
from rules.signals.airflow import STANDARD_K, ZERO_C, AirflowSpec
from rules.signals.columnar.figures import Figures, codes
from rules.signals.words import Signal, Why


def airflow(spec: AirflowSpec, at_us: Ints, value: Floats, good: Bools, is_temperature: Bools) -> dict[Signal, Figures]:
    """What `rules.signals.airflow.step` gives for the same readings, as equally long arrays; m3/s, and a ratio."""
    kept = at_us >= np.maximum.accumulate(at_us)
    for mine in (np.flatnonzero(kept & is_temperature), np.flatnonzero(kept & ~is_temperature)):
        kept[mine[1:][np.diff(at_us[mine]) == 0]] = False
    warm = np.maximum.accumulate(np.where(kept & is_temperature, np.arange(len(at_us)), -1))
    flows = np.flatnonzero(kept & ~is_temperature)
    last = warm[flows]
    usable = (last >= 0) & good[last] & (value[last] > ZERO_C) & (at_us[flows] < at_us[last] + spec.hold_us)
    kelvin = np.where(usable, value[last] - ZERO_C, STANDARD_K)
    corrected = value[flows] * np.sqrt(kelvin / STANDARD_K)
    cases = ((~good[flows], Why.BAD_DATA), (~usable, Why.NO_TEMPERATURE))
    accepted = np.full(len(flows), spec.baseline is not None)
    share = corrected / (spec.baseline or 1.0)
    size = len(flows)
    return {
        Signal.AIRFLOW: Figures.of(at_us[flows], corrected, codes(size, *cases)),
        Signal.AIRFLOW_OF_BASELINE: Figures.of(at_us[flows], share, codes(size, *cases, (~accepted, Why.NO_BASELINE))),
    }

"""Airflow at the gas's own density, and as a share of an accepted baseline.

Rules of the signal:
- A velocity-pressure sensor that is scaled for standard air reads Q times the root of the density ratio. So the airflow
  is its reading times sqrt(T / T_standard), absolute temperatures (public instrument brochure; 70 degF is standard).
- The temperature holds for `hold_us`. Without one there is no airflow: an assumed temperature would be a guess of up
  to a tenth. At one instant the temperature goes first; one that comes after the airflow counts from then on.
- The baseline is accepted by a person, and given. It never adapts: it would learn the fault.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from rules.signals.words import Derived, Signal, Why

ZERO_C = -273.15
STANDARD_K = 294.26  # 70 degF
NEVER = -1


@dataclass(frozen=True, slots=True)
class AirflowSpec:
    """How long a temperature holds, and the accepted baseline in m3/s, above zero; None where there is none."""

    hold_us: int
    baseline: float | None = None


class AirReading(NamedTuple):
    """An indicated airflow in m3/s, or a gas temperature in degC."""

    at_us: int
    value: float
    good: bool = True
    is_temperature: bool = False


@dataclass(slots=True)
class AirflowState:
    """The last reading of each, and how long the temperature is known."""

    airflow_us: int = NEVER
    temperature_us: int = NEVER
    known_until_us: int = NEVER
    temperature: float = 0.0


def step(spec: AirflowSpec, state: AirflowState, readings: Iterable[AirReading]) -> list[Derived]:
    """Take readings in event-time order; both signals for each airflow reading.

    A reading before the last of either, or not later than the last of its kind, is passed over.
    """
    derived: list[Derived] = []
    for reading in readings:
        own_us = state.temperature_us if reading.is_temperature else state.airflow_us
        if reading.at_us <= own_us or reading.at_us < max(state.airflow_us, state.temperature_us):
            continue
        if reading.is_temperature:
            usable = reading.good and reading.value > ZERO_C
            state.temperature_us, state.temperature = reading.at_us, reading.value
            state.known_until_us = reading.at_us + spec.hold_us if usable else NEVER
        else:
            state.airflow_us = reading.at_us
            derived += _figures(spec, state, reading)
    return derived


def _figures(spec: AirflowSpec, state: AirflowState, reading: AirReading) -> list[Derived]:
    at_us = reading.at_us
    if not reading.good:
        return _unknown(at_us, Why.BAD_DATA)
    if at_us >= state.known_until_us:
        return _unknown(at_us, Why.NO_TEMPERATURE)
    airflow = reading.value * math.sqrt((state.temperature - ZERO_C) / STANDARD_K)
    found = Derived(at_us, Signal.AIRFLOW, airflow)
    if spec.baseline is None:
        return [found, Derived(at_us, Signal.AIRFLOW_OF_BASELINE, None, Why.NO_BASELINE)]
    return [found, Derived(at_us, Signal.AIRFLOW_OF_BASELINE, airflow / spec.baseline)]


def _unknown(at_us: int, why: Why) -> list[Derived]:
    return [Derived(at_us, signal, None, why) for signal in (Signal.AIRFLOW, Signal.AIRFLOW_OF_BASELINE)]

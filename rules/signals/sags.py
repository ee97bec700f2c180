"""The sag of the header at each pulse: how deep, at which valve position, and how long until it has recovered.

Rules of the signal:
- Samples are spot values at most `SAG_US` apart, or a gateway's lowest and highest of each report; each comes with the
  total of the pulse counter. A report with more than one pulse cannot be told apart.
- Position is the total modulo the rows; a counter that begins again loses it.
- Before the pulse is the highest of the sample before it and the one that shows it; the lowest is looked for until
  `SAG_US` after that one. The sag is a share of the absolute pressure before. Recovery is to within a tenth of the sag.
- A pulse is given when the next one, or a break in the data, ends it. A break is said once until its reason changes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from rules.signals.words import Why
from rules.types import SECOND_US

SAG_US = 2 * SECOND_US
NOT_RECOVERED = 0.1  # of the sag
STANDARD_ATMOSPHERE_PA = 101_325.0
NOWHERE, NEVER = -1, -1


@dataclass(frozen=True, slots=True)
class SagSpec:
    """The rows of the collector, and how its header is sampled. `ambient_pa` is 0 for an absolute sensor."""

    rows: int
    hold_us: int
    is_spot: bool = True
    ambient_pa: float = STANDARD_ATMOSPHERE_PA


class SagSample(NamedTuple):
    """Lowest and highest header pressure in Pa since the sample before (equal for a spot value), and the counter."""

    at_us: int
    lowest: float
    highest: float
    total: int
    good: bool = True
    boot: str = ""
    supply_on: bool = False  # known to be on


class Sag(NamedTuple):
    """One pulse. `share` is None where unknown; times are `NEVER` where they are not known."""

    at_us: int  # when it was known
    position: int  # 0 to rows - 1, or NOWHERE
    share: float | None
    why: Why
    before_pa: float = 0.0  # absolute
    recovery_us: int = NEVER
    idle_us: int = NEVER  # since the pulse before it
    supply_on: bool = False


@dataclass(slots=True)
class Pulse:
    """The pulse that is being looked at; pressures as they were sampled."""

    at_us: int
    position: int
    highest: float
    lowest: float
    idle_us: int
    supply_on: bool
    recovered_us: int = NEVER


@dataclass(slots=True)
class SagState:
    """The last sample, and the open pulse."""

    last_us: int | None = None
    highest: float = 0.0
    total: int = 0
    good: bool = False
    boot: str = ""
    pulsed_us: int = NEVER
    pulse: Pulse | None = None
    said: Why = Why.KNOWN


def step(spec: SagSpec, state: SagState, samples: Iterable[SagSample]) -> list[Sag]:
    """Take samples in event-time order; each pulse once it is over. What is not news is passed over."""
    sags: list[Sag] = []
    for sample in samples:
        if state.last_us is not None and sample.at_us <= state.last_us:
            continue
        why = _why(spec, state, sample)
        if why:
            sags += _break(state, sample.at_us, why)
        elif sample.total > state.total:
            if state.pulse is not None:
                sags.append(_over(spec, state.pulse, sample.at_us))
                state.said = Why.KNOWN
            _open(spec, state, sample)
        elif state.pulse is not None:
            _follow(spec, state.pulse, sample)
        state.last_us, state.highest, state.total = sample.at_us, sample.highest, sample.total
        state.good, state.boot = sample.good and sample.total >= 0, sample.boot
    return sags


def _why(spec: SagSpec, state: SagState, sample: SagSample) -> Why:
    if not sample.good or sample.total < 0:
        return Why.BAD_DATA
    if state.last_us is None or sample.at_us - state.last_us > spec.hold_us:
        return Why.NO_DATA
    if not state.good:
        return Why.BAD_DATA
    if sample.boot != state.boot or sample.total < state.total:
        return Why.COUNTER_RESET
    if sample.total > state.total + 1 or (spec.is_spot and sample.at_us - state.last_us > SAG_US):
        return Why.NOT_OBSERVABLE
    return Why.KNOWN


def _break(state: SagState, at_us: int, why: Why) -> list[Sag]:
    pulse, said = state.pulse, state.said
    state.pulse, state.pulsed_us, state.said = None, NEVER, why
    if pulse is None and why is said:
        return []
    return [Sag(at_us, NOWHERE if pulse is None else pulse.position, None, why)]


def _open(spec: SagSpec, state: SagState, sample: SagSample) -> None:
    highest = max(state.highest, sample.highest)
    idle_us = sample.at_us - state.pulsed_us if state.pulsed_us != NEVER else NEVER
    position = (sample.total - 1) % spec.rows
    state.pulse = Pulse(sample.at_us, position, highest, sample.lowest, idle_us, sample.supply_on)
    state.pulsed_us = sample.at_us


def _follow(spec: SagSpec, pulse: Pulse, sample: SagSample) -> None:
    if sample.at_us <= pulse.at_us + SAG_US:
        pulse.lowest = min(pulse.lowest, sample.lowest)
    elif spec.is_spot and pulse.recovered_us == NEVER:
        enough = pulse.highest - NOT_RECOVERED * (pulse.highest - pulse.lowest)
        if sample.highest >= enough:
            pulse.recovered_us = sample.at_us


def _over(spec: SagSpec, pulse: Pulse, at_us: int) -> Sag:
    before_pa = pulse.highest + spec.ambient_pa
    share = max(pulse.highest - pulse.lowest, 0.0) / before_pa
    recovery_us = pulse.recovered_us - pulse.at_us if pulse.recovered_us != NEVER else NEVER
    return Sag(at_us, pulse.position, share, Why.KNOWN, before_pa, recovery_us, pulse.idle_us, pulse.supply_on)

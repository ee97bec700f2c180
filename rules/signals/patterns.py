"""What is wrong with the header's air, by the pattern that its pulses make together.

Rules of the signal:
- The first `LEARNS` pulses that are known give the references, which are then frozen: absolute pressure before a pulse,
  sag, and recovery.
- Low before pulses, but not after `IDLE_US` without one: the supply is too small for the cleaning.
- Low after idle time too, with the sag in proportion and a slow recovery: a diaphragm leaks. Without the slow recovery
  a leak, a regulator and a weak supply look alike, and the pattern says no more than that the pressure is low.
- Below `STUCK_PA` with the supply known to be on: a valve is stuck open. Without that knowledge it is no air.
- A pattern is believed after `IN_A_ROW` pulses that show it, and until as many show another.

Patterns and thresholds are from memory and a simulation, not validated against a plant.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from rules.signals.sags import NEVER, STANDARD_ATMOSPHERE_PA, Sag
from rules.signals.words import Why, median
from rules.types import MINUTE_US

LEARNS = 40
IN_A_ROW = 5
IDLE_US = MINUTE_US
LOW = 0.95  # of the learned absolute pressure
SLOW = 1.5  # of the learned recovery
IN_PROPORTION = 0.15
LEAST_SHARE = 0.05  # a learned sag below this is no pulse
STUCK_PA = 30 * 6_894.757 + STANDARD_ATMOSPHERE_PA  # absolute


class Pattern(StrEnum):
    """What the pulses show together."""

    UNKNOWN = "unknown"
    NORMAL = "normal"
    SMALL_SUPPLY = "small supply"
    LEAKING_DIAPHRAGM = "leaking diaphragm"
    LOW_PRESSURE = "low pressure"
    STUCK_OPEN = "stuck open"
    NO_AIR = "no air"


class Shown(NamedTuple):
    """The pattern that is believed at a pulse, and why there is none."""

    at_us: int
    pattern: Pattern
    why: Why = Why.KNOWN


@dataclass(slots=True)
class PatternsState:
    """Pulses that are learned from; then what they gave, and what the last pulses showed."""

    before_pa: list[float] = field(default_factory=list)
    shares: list[float] = field(default_factory=list)
    recoveries_us: list[float] = field(default_factory=list)
    low_idle: bool | None = None
    candidate: Pattern = Pattern.UNKNOWN
    in_a_row: int = 0
    believed: Pattern = Pattern.UNKNOWN


def step(state: PatternsState, sags: Iterable[Sag]) -> list[Shown]:
    """Take sags in order, each once; the pattern that is believed at each."""
    return [_show(state, sag) for sag in sags]


def _show(state: PatternsState, sag: Sag) -> Shown:
    if sag.share is None:
        return Shown(sag.at_us, Pattern.UNKNOWN, sag.why)
    if len(state.shares) < LEARNS:
        state.before_pa.append(sag.before_pa)
        state.shares.append(sag.share)
        if sag.recovery_us != NEVER:
            state.recoveries_us.append(sag.recovery_us)
        return Shown(sag.at_us, Pattern.UNKNOWN, Why.NO_BASELINE)
    usual = median(state.shares)
    if usual < LEAST_SHARE:
        return Shown(sag.at_us, Pattern.UNKNOWN, Why.NO_BASELINE)
    candidate = _candidate(state, sag, sag.share / usual)
    state.in_a_row = min(state.in_a_row + 1, IN_A_ROW) if candidate is state.candidate else 1
    state.candidate = candidate
    if state.in_a_row == IN_A_ROW:
        state.believed = candidate
    return Shown(sag.at_us, state.believed, Why.TOO_FEW if state.believed is Pattern.UNKNOWN else Why.KNOWN)


def _candidate(state: PatternsState, sag: Sag, ratio: float) -> Pattern:
    low = sag.before_pa < LOW * median(state.before_pa)
    if sag.idle_us >= IDLE_US:
        state.low_idle = low
    if sag.before_pa < STUCK_PA:
        return Pattern.STUCK_OPEN if sag.supply_on else Pattern.NO_AIR
    if not low:
        return Pattern.NORMAL
    if state.low_idle is False:
        return Pattern.SMALL_SUPPLY
    slow = bool(state.recoveries_us) and sag.recovery_us > SLOW * median(state.recoveries_us)
    if state.low_idle and slow and abs(ratio - 1) <= IN_PROPORTION:
        return Pattern.LEAKING_DIAPHRAGM
    return Pattern.LOW_PRESSURE

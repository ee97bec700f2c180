"""Whether the fan runs, by the best evidence there is: off, starting, running, stopping, or unknown with the reason.

Rules of the signal:
- Evidence has an order: contact, amps, airflow, differential pressure. The first whose value is known decides; a value
  is known from a good reading until the next of its kind, at most `hold_us`. Header pressure is no evidence.
- A contact and amps that disagree for `CONFLICT_US` make it unknown; until then the contact counts.
- No evidence makes it unknown at once. Evidence must last `ON_US` to start it, and `OFF_US` to stop it.
- Starting ends when airflow or differential pressure has been at half of normal for `REACHED_US`, or after
  `STARTING_US`, and then with the reason that it was not seen to reach flow. Stopping ends after `STOPPING_US`.
- An instant is decided when time moves past it, so that readings at one instant count together, in any order. A timer
  that is due at an instant is judged by the evidence from that instant on; evidence goes before the other timers.

Times and shares are from memory; that they cover a fan's start and coast-down is simulated, not validated.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import NamedTuple

from rules.signals.words import Why
from rules.types import MINUTE_US, SECOND_US, RunState

CONFLICT_US = 30 * SECOND_US
ON_US, OFF_US = 5 * SECOND_US, 20 * SECOND_US
REACHED_US, STARTING_US, STOPPING_US = MINUTE_US, 5 * MINUTE_US, 2 * MINUTE_US
AMPS_SHARE, FLOW_SHARE, REACHED_SHARE = 0.25, 0.3, 0.5
DP_ON_PA = 0.3 * 249.08891  # 0.3 in. water, NIST SP 811 B.8
NEVER = -1


class Kind(IntEnum):
    """Kinds of evidence, the best first."""

    CONTACT = 0
    AMPS = 1
    AIRFLOW = 2
    DP = 3


class Phase(StrEnum):
    """What the fan does."""

    UNKNOWN = "unknown"
    OFF = "off"
    STARTING = "starting"
    RUNNING = "running"
    STOPPING = "stopping"

    @property
    def run_state(self) -> RunState:
        """As the other signals take it: only a fan that has started and does not stop counts as running."""
        if self is Phase.UNKNOWN:
            return RunState.UNKNOWN
        return RunState.RUNNING if self is Phase.RUNNING else RunState.STOPPED


@dataclass(frozen=True, slots=True)
class RunSpec:
    """What is normal: full-load current in A, airflow in m3/s, differential pressure in Pa. All above zero."""

    hold_us: int
    full_load_a: float
    airflow: float
    dp_pa: float


class RunReading(NamedTuple):
    """One reading of evidence; a contact is above 0.5 where closed."""

    at_us: int
    kind: Kind
    value: float
    good: bool = True


class RunChange(NamedTuple):
    """What the fan does from an instant on, and why that is not known or not as it should be."""

    at_us: int
    phase: Phase
    why: Why = Why.KNOWN


@dataclass(slots=True)
class Held:
    """The last reading of one kind."""

    at_us: int = NEVER
    until_us: int = NEVER
    is_on: bool = False
    reaches: bool = False


@dataclass(slots=True)
class RunPhaseState:
    """Evidence by kind, since when it says what it says, and what the fan does since when."""

    held: list[Held] = field(default_factory=lambda: [Held() for _ in Kind])
    at_us: int = NEVER
    evidence: RunState = RunState.UNKNOWN
    evidence_us: int = NEVER
    conflict_us: int = NEVER
    reached_us: int = NEVER
    phase: Phase = Phase.UNKNOWN
    phase_us: int = NEVER
    why: Why = Why.KNOWN


def step(spec: RunSpec, state: RunPhaseState, readings: Iterable[RunReading]) -> list[RunChange]:
    """Take readings in event-time order; what changed before the instant of the last one.

    A reading before the last instant, or a second of its kind at one instant, is passed over.
    """
    changes: list[RunChange] = []
    for reading in readings:
        held = state.held[reading.kind]
        if reading.at_us < state.at_us or reading.at_us == held.at_us:
            continue
        changes += advance(state, reading.at_us)
        held.at_us = reading.at_us
        held.until_us = reading.at_us + spec.hold_us if reading.good else NEVER
        held.is_on, held.reaches = _levels(spec, reading)
    return changes


def advance(state: RunPhaseState, to_us: int) -> list[RunChange]:
    """Let time pass to an instant, by what is held; what changed before it. The past is not moved."""
    changes: list[RunChange] = []
    while NEVER < state.at_us < to_us:
        change = _decide(state, state.at_us)
        if change is not None:
            changes.append(change)
        state.at_us = min(to_us, _next_us(state, state.at_us, to_us))
    state.at_us = max(state.at_us, to_us)
    return changes


def _levels(spec: RunSpec, reading: RunReading) -> tuple[bool, bool]:
    """Whether it is evidence of running, and whether of normal flow."""
    value = reading.value
    if reading.kind is Kind.CONTACT:
        return value > 0.5, False
    if reading.kind is Kind.AMPS:
        return value > AMPS_SHARE * spec.full_load_a, False
    if reading.kind is Kind.AIRFLOW:
        return value > FLOW_SHARE * spec.airflow, value >= REACHED_SHARE * spec.airflow
    return abs(value) > DP_ON_PA, abs(value) >= REACHED_SHARE * spec.dp_pa


def _next_us(state: RunPhaseState, at_us: int, to_us: int) -> int:
    """The next instant at which a value expires or a timer is due."""
    instants = [held.until_us for held in state.held]
    instants += [state.evidence_us + ON_US, state.evidence_us + OFF_US]
    if state.conflict_us != NEVER:
        instants.append(state.conflict_us + CONFLICT_US)
    if state.phase is Phase.STARTING:
        instants += [max(state.reached_us, state.phase_us) + REACHED_US, state.phase_us + STARTING_US]
    if state.phase is Phase.STOPPING:
        instants.append(state.phase_us + STOPPING_US)
    return min((instant for instant in instants if instant > at_us), default=to_us)


def _decide(state: RunPhaseState, at_us: int) -> RunChange | None:
    """Judge one instant; the change that it brings, if any."""
    evidence, why = _weigh(state, at_us)
    if evidence is not state.evidence or state.evidence_us == NEVER:
        state.evidence, state.evidence_us = evidence, at_us
    reached = any(held.reaches and at_us < held.until_us for held in state.held)
    state.reached_us = NEVER if not reached else at_us if state.reached_us == NEVER else state.reached_us
    if evidence is RunState.UNKNOWN:
        phase = Phase.UNKNOWN
    else:
        phase, why = _after(state, at_us)
    if (phase, why) == (state.phase, state.why):
        return None
    if phase is not state.phase:
        state.phase_us = at_us
    state.phase, state.why = phase, why
    return RunChange(at_us, phase, why)


def _weigh(state: RunPhaseState, at_us: int) -> tuple[RunState, Why]:
    """What the best evidence says, and why nothing can be said."""
    known = [held for held in state.held if at_us < held.until_us]
    contact, amps = state.held[Kind.CONTACT], state.held[Kind.AMPS]
    if at_us < min(contact.until_us, amps.until_us) and contact.is_on is not amps.is_on:
        state.conflict_us = at_us if state.conflict_us == NEVER else state.conflict_us
        if at_us >= state.conflict_us + CONFLICT_US:
            return RunState.UNKNOWN, Why.CONFLICT
    else:
        state.conflict_us = NEVER
    if not known:
        return RunState.UNKNOWN, Why.NO_DATA
    return (RunState.RUNNING if known[0].is_on else RunState.STOPPED), Why.KNOWN


def _after(state: RunPhaseState, at_us: int) -> tuple[Phase, Why]:
    """The phase by evidence that is known: what it was, or the next one where a timer is due."""
    lasted_us = at_us - state.evidence_us
    idle = state.phase in (Phase.OFF, Phase.STOPPING, Phase.UNKNOWN)
    if state.evidence is RunState.RUNNING and idle and lasted_us >= ON_US:
        return Phase.STARTING, Why.KNOWN
    if state.evidence is RunState.STOPPED and lasted_us >= OFF_US:
        if state.phase is Phase.UNKNOWN:
            return Phase.OFF, Why.KNOWN
        if not idle:
            return Phase.STOPPING, Why.KNOWN
    return _ripened(state, at_us)


def _ripened(state: RunPhaseState, at_us: int) -> tuple[Phase, Why]:
    """What time alone makes of starting and stopping."""
    phased_us = at_us - state.phase_us
    if state.phase is Phase.STARTING:
        if state.reached_us != NEVER and at_us - max(state.reached_us, state.phase_us) >= REACHED_US:
            return Phase.RUNNING, Why.KNOWN
        if phased_us >= STARTING_US:
            return Phase.RUNNING, Why.NOT_REACHED
    if state.phase is Phase.STOPPING and phased_us >= STOPPING_US:
        return Phase.OFF, Why.KNOWN
    return state.phase, state.why

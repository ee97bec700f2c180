"""Which valves fire: each position's sag against what it was when it was learned.

Rules of the signal:
- The first `LEARNS` sags of every position are learned, and then frozen: a reference never adapts to a fault.
- The reference is the position's own median, but not less than the median of all positions: a valve that was dead
  when it was learned does not become the measure of itself.
- `TURNS` turns one after the other below `DEAD` of the reference make a valve dead, below `WEAK` weak. Only one turn
  at or above ends it. A turn whose sag is unknown neither counts nor ends anything.
- Where samples are too slow to tell weak from late (`sees_weak` false), a valve that would be weak is unknown.
- A counter that begins again loses the positions, and with them all that was learned.

Thresholds are from memory. It is condition monitoring: it never says that a header is safe to open.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from rules.signals.sags import Sag
from rules.signals.words import Why, median

LEARNS = 20
TURNS = 5
DEAD, WEAK = 0.3, 0.7
LEAST_SHARE = 0.05  # a reference below this is no pulse


class Verdict(StrEnum):
    """What is known of a valve."""

    LEARNING = "learning"
    FIRES = "fires"
    WEAK = "weak"
    DEAD = "dead"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class ValvesSpec:
    """How many positions there are, and whether a weak pulse can be seen (samples of 1 s or faster, or lowest)."""

    rows: int
    sees_weak: bool = True


class Valve(NamedTuple):
    """One turn of one position: its verdict, its sag over the reference where both are known, and why not."""

    at_us: int
    position: int
    verdict: Verdict
    ratio: float | None
    why: Why = Why.KNOWN


@dataclass(slots=True)
class ValvesState:
    """Sags that are learned from, by position; then references, and for each position its low turns in a row."""

    learned: list[list[float]] = field(default_factory=list)
    references: list[float] = field(default_factory=list)
    weak_turns: list[int] = field(default_factory=list)
    dead_turns: list[int] = field(default_factory=list)


def step(spec: ValvesSpec, state: ValvesState, sags: Iterable[Sag]) -> list[Valve]:
    """Take sags in order, each once; a verdict on the position of each."""
    return [_judge(spec, state, sag) for sag in sags]


def _judge(spec: ValvesSpec, state: ValvesState, sag: Sag) -> Valve:
    if sag.share is None:
        if sag.why is Why.COUNTER_RESET:
            state.learned, state.references = [], []
        return Valve(sag.at_us, sag.position, Verdict.UNKNOWN, None, sag.why)
    if not state.references:
        _learn(spec, state, sag.position, sag.share)
        return Valve(sag.at_us, sag.position, Verdict.LEARNING, None, Why.NO_BASELINE)
    reference = state.references[sag.position]
    if reference < LEAST_SHARE:
        return Valve(sag.at_us, sag.position, Verdict.UNKNOWN, None, Why.NO_BASELINE)
    ratio = sag.share / reference
    for turns, below in ((state.weak_turns, WEAK), (state.dead_turns, DEAD)):
        turns[sag.position] = min(turns[sag.position] + 1, TURNS) if ratio < below else 0
    return Valve(sag.at_us, sag.position, *_verdict(spec, state, sag.position, ratio))


def _learn(spec: ValvesSpec, state: ValvesState, position: int, share: float) -> None:
    state.learned = state.learned or [[] for _ in range(spec.rows)]
    if len(state.learned[position]) < LEARNS:
        state.learned[position].append(share)
    if all(len(shares) == LEARNS for shares in state.learned):
        own = [median(shares) for shares in state.learned]
        usual = median(own)
        state.references = [max(one, usual) for one in own]
        state.weak_turns, state.dead_turns = [0] * spec.rows, [0] * spec.rows


def _verdict(spec: ValvesSpec, state: ValvesState, position: int, ratio: float) -> tuple[Verdict, float, Why]:
    if state.dead_turns[position] == TURNS:
        return Verdict.DEAD, ratio, Why.KNOWN
    if state.weak_turns[position] == TURNS:
        return (Verdict.WEAK, ratio, Why.KNOWN) if spec.sees_weak else (Verdict.UNKNOWN, ratio, Why.NOT_OBSERVABLE)
    return Verdict.FIRES, ratio, Why.KNOWN

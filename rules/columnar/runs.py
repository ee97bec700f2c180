"""The running rule over arrays: when the collector ran, stood or was not known to do either.

Gives the spans that `rules.running` gives reading by reading, and what they mean for delays: when a
point is armed, when it is idle, and when a stop has lasted so long that a pending delay is forgotten.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from rules.columnar.comparator import high, turns
from rules.columnar.spans import Ints, Readings, Spans
from rules.running import Timeline
from rules.types import RunningRule, RunState

Codes = npt.NDArray[np.int8]

STATES = (RunState.STOPPED, RunState.RUNNING, RunState.UNKNOWN)
STOPPED, RUNNING, UNKNOWN, NOTHING = 0, 1, 2, -1


class Runs(NamedTuple):
    """Where each span of the running state begins, and which state it is (an index into STATES)."""

    start: Ints
    code: Codes

    @classmethod
    def of(cls, timeline: Timeline) -> Runs:
        return cls(
            np.array([start_us for start_us, _ in timeline.spans], np.int64),
            np.array([STATES.index(state) for _, state in timeline.spans], np.int8),
        )

    def spans_from(self, first: int) -> list[tuple[int, RunState]]:
        """As the timeline keeps them, from an index on."""
        return [(at, STATES[code]) for at, code in zip(self.start[first:].tolist(), self.code[first:], strict=True)]


@dataclass(frozen=True, slots=True)
class Arming:
    """What the running state means for a point that is judged only while the collector runs."""

    armed: Spans
    idle: Spans  # known to be stopped or settling
    forgets: Ints  # the first microsecond at which a stop has lasted longer than a delay is remembered


def arming(rule: RunningRule, runs: Runs, known_until_us: int) -> Arming:
    """The meaning of the spans; the last one ends where the running point's value expires."""
    start = runs.start
    end = np.append(start[1:], max(known_until_us, int(start[-1]))) if len(start) else start
    ran, stood = runs.code == RUNNING, runs.code == STOPPED
    armed_from = np.where(ran, np.minimum(start + rule.settle_us, end), end)
    known = ran | stood
    forgets = (start + (rule.forget_after_us + 1))[stood]
    return Arming(
        Spans.that_last(armed_from, end),
        Spans.that_last(start[known], armed_from[known]),
        forgets[forgets <= end[stood]],
    )


def is_steady(rule: RunningRule, timeline: Timeline, readings: Readings, hold_us: int) -> bool:
    """Whether readings in order of time, the first of them in time, leave the comparator as it is, with no gap."""
    at, value, good, steps = readings
    if at[0] > timeline.known_until_us:
        return False
    same = bool(value.min() > rule.off) if timeline.is_on else bool(value.max() <= rule.on)
    return same and (good is None or bool(good.all())) and bool((steps <= hold_us).all())


def observe(rule: RunningRule, timeline: Timeline, before: int, readings: Readings, hold_us: int) -> Runs:
    """The spans that begin with readings in strictly ascending time, after a span of state `before`.

    Moves the timeline's comparator and the end of what is known; its spans are the caller's to extend.
    """
    at = readings.at
    good = readings.good if readings.good is not None else np.ones(len(at), bool)
    beyond, back = high(readings.value, rule.on, rule.off)
    turned = turns(beyond & good, back & good, timeline.is_on)
    phases = np.arange(len(turned) + 1) % 2 == int(not timeline.is_on)
    is_on = np.repeat(phases, np.diff(turned, prepend=0, append=len(at)))
    code = np.where(good, is_on, UNKNOWN).astype(np.int8)
    expired = np.append(timeline.known_until_us, at[:-1] + np.where(good[:-1], hold_us, 0))
    lapsed = at > expired
    lapsed[0] &= before != NOTHING
    new = lapsed.copy()
    new[1:] |= code[1:] != code[:-1]
    new[0] = True
    timeline.is_on = bool(is_on[-1])
    timeline.known_until_us = int(at[-1]) + (hold_us if good[-1] else 0)
    return _merged(expired[lapsed], at[new], code[new], before)


def _merged(lapsed_at: Ints, began_at: Ints, began: Codes, before: int) -> Runs:
    """Lapses and beginnings in order of time, without those that change nothing."""
    at = np.concatenate((began_at, lapsed_at))
    code = np.concatenate((began, np.full(len(lapsed_at), UNKNOWN, np.int8)))
    order = np.argsort(at, kind="stable")
    at, code = at[order], code[order]
    changed = code != np.append(np.int8(before), code[:-1])
    return Runs(at[changed], code[changed])

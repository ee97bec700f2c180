"""Expected against counted pulses: how many rows the cleaning board never reaches.

Rules of the signal:
- Expected are the seconds of cleaning over the pulse interval. `state` of a reading is RUNNING here where the collector
  runs and its cleaning is on; time in any other state does not count.
- It is judged over whole blocks of `turns` turns of all rows; readings that end no cleaning stretch make it unknown,
  with the reason, said once until it changes.
- A share that is nearer than `FITS` of a row to a whole number of rows says how many do not fire. The counter sees the
  board's outputs: a valve that gets its signal and stays shut is found by its missing sag, not here.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from rules.signals.counting import MICRO, Counting, Stretch, count
from rules.signals.words import CountSample, Derived, Signal, Why

FITS = 0.25


@dataclass(frozen=True, slots=True)
class ExpectedSpec:
    """The cleaning board: rows, the interval between pulses, and over how many turns it is judged. All above zero."""

    hold_us: int
    interval_us: int
    rows: int
    turns: int = 10

    @property
    def block_us(self) -> int:
        """Cleaning time in which every row has had all its turns."""
        return self.turns * self.rows * self.interval_us


@dataclass(slots=True)
class ExpectedState:
    """All cleaning time so far, and the block that is open."""

    counting: Counting = field(default_factory=Counting)
    cleaned_us: int = 0
    open_us: int = 0
    open_micropulses: int = 0
    said: Why = Why.KNOWN


def step(spec: ExpectedSpec, state: ExpectedState, samples: Iterable[CountSample]) -> list[Derived]:
    """Take counter readings in event-time order; the counted share and the rows not firing at each block's end.

    A reading at or before the last one is not news, and is passed over.
    """
    derived: list[Derived] = []
    for sample in samples:
        if state.counting.last_us is not None and sample.at_us <= state.counting.last_us:
            continue
        counted = count(state.counting, sample, hold_us=spec.hold_us, is_rate=False)
        if isinstance(counted, Stretch):
            if _closes(spec, state, counted):
                derived += _figures(spec, state, sample.at_us)
        elif counted is not state.said:
            state.said = counted
            derived += [
                Derived(sample.at_us, Signal.PULSES_COUNTED, None, counted),
                Derived(sample.at_us, Signal.ROWS_NOT_FIRING, None, counted),
            ]
    return derived


def _closes(spec: ExpectedSpec, state: ExpectedState, stretch: Stretch) -> bool:
    """Whether cleaning time passes a whole block."""
    before = state.cleaned_us // spec.block_us
    state.cleaned_us += stretch.length_us
    state.open_us += stretch.length_us
    state.open_micropulses += stretch.micropulses
    return state.cleaned_us // spec.block_us > before


def _figures(spec: ExpectedSpec, state: ExpectedState, at_us: int) -> list[Derived]:
    share = state.open_micropulses / MICRO / (state.open_us / spec.interval_us)
    state.open_us = state.open_micropulses = 0
    state.said = Why.KNOWN
    counted = Derived(at_us, Signal.PULSES_COUNTED, share)
    missing = (1 - share) * spec.rows
    whole = round(missing)
    if whole < 0:
        return [counted, Derived(at_us, Signal.ROWS_NOT_FIRING, None, Why.MORE_THAN_EXPECTED)]
    if abs(missing - whole) > FITS:
        return [counted, Derived(at_us, Signal.ROWS_NOT_FIRING, None, Why.DOES_NOT_FIT)]
    return [counted, Derived(at_us, Signal.ROWS_NOT_FIRING, float(whole))]

"""How a signal's two evaluators are compared: cut anywhere, saved and loaded between, and over whole arrays."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from typing import TypeVar

import msgspec
import numpy as np
from hypothesis import strategies as st

from rules.signals.columnar.counting import STATES, Counts
from rules.signals.columnar.figures import CODE, Figures
from rules.signals.words import CountSample, Derived, Signal
from rules.types import RunState

S = 1_000_000
EXAMPLES = int(os.environ.get("DUSTCAKE_EXAMPLES", "2000")) // 20
PLACES = st.lists(st.integers(0, 60), max_size=5)
REASONS = {code: why for why, code in CODE.items()}
Item = TypeVar("Item")
State = TypeVar("State")
Given = TypeVar("Given")


def saved(state: State) -> State:
    """The state as it comes back from a save."""
    return msgspec.msgpack.decode(msgspec.msgpack.encode(state), type=type(state))


def restored(
    step: Callable[[State, Sequence[Item]], Iterable[Given]],
    state: State,
    items: Sequence[Item],
    places: Iterable[int],
) -> list[Given]:
    """Batches cut at the places, the state saved and loaded between them."""
    derived: list[Given] = []
    edges = sorted({0, len(items), *(place for place in places if place < len(items))})
    for start, end in pairwise(edges):
        derived += step(state, items[start:end])
        state = saved(state)
    return derived


def as_derived(signal: Signal, figures: Figures) -> list[Derived]:
    return [
        Derived(int(at_us), signal, None if np.isnan(value) else float(value), REASONS[int(why)])
        for at_us, value, why in zip(*figures, strict=True)
    ]


def of(signal: Signal, derived: Iterable[Derived]) -> list[Derived]:
    return [one for one in derived if one.signal is signal]


def column(values: Iterable[object], dtype: type) -> np.ndarray:
    return np.array(list(values), dtype)


def counts_of(samples: Sequence[CountSample]) -> Counts:
    return Counts(
        column((one.at_us for one in samples), np.int64),
        column((one.value for one in samples), np.float64),
        column((one.good for one in samples), np.bool_),
        column((STATES.index(one.state) for one in samples), np.int8),
        column((one.boot for one in samples), np.str_),
    )


@st.composite
def count_samples(draw: st.DrawFn) -> list[CountSample]:
    """A counter's history: mostly rising and running, with gaps, stops, resets, bad readings, late ones, repeats."""
    at_us, value = 1_000 * S, 0.0
    samples: list[CountSample] = []
    for _ in range(draw(st.integers(0, 60))):
        at_us += draw(st.sampled_from((10 * S, 10 * S, 30 * S, 60 * S, 60 * S, 90 * S, 125 * S, 126 * S, 0, -5 * S)))
        value = max(value + draw(st.sampled_from((0, 0, 1, 3, 6, 6.5, -2))), -1.0)
        state = draw(st.sampled_from((*[RunState.RUNNING] * 6, RunState.STOPPED, RunState.UNKNOWN)))
        good = draw(st.sampled_from((*[True] * 9, False)))
        samples.append(CountSample(at_us, value, good, state, draw(st.sampled_from((*["a"] * 9, "b")))))
    return samples

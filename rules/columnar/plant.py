"""A whole plant's histories replayed, collector by collector, spread over whatever the caller has.

Collectors share nothing, so each is one piece of work. It must never read history itself: every piece brings the
function that makes its chunks, which is called where the piece is worked on, so that arrays need not travel.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import partial
from typing import NamedTuple, Protocol

from rules.collector import advance, new_state
from rules.columnar.chunks import Column, replay
from rules.types import AlarmEvent, CollectorSpec


class History(NamedTuple):
    """One collector and where its history comes from: chunks by point, following one another in event time."""

    spec: CollectorSpec
    chunks: Callable[[], Iterable[Mapping[str, Column]]]


class Spread(Protocol):
    """What `map` does; the `map` of a process pool does it over processes, if `chunks` can be pickled."""

    def __call__(
        self, work: Callable[[History], list[AlarmEvent]], histories: Iterable[History], /
    ) -> Iterator[list[AlarmEvent]]: ...


def replay_plant(histories: Iterable[History], until_us: int, spread: Spread = map) -> Iterator[list[AlarmEvent]]:
    """The events of each history, in their order; held values run on until `until_us`, as the watermark lets them."""
    return spread(partial(_replay, until_us=until_us), histories)


def _replay(history: History, *, until_us: int) -> list[AlarmEvent]:
    state = new_state(history.spec)
    events = [event for chunk in history.chunks() for event in replay(history.spec, state, chunk)]
    return events + advance(history.spec, state, until_us)

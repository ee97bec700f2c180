"""A plant's histories replayed collector by collector, in this process or spread over others."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from typing import NamedTuple

import numpy as np
import pytest

from rules.collector import advance, new_state, step
from rules.columnar import Column, History, replay_plant
from rules.types import MINUTE_US, AlarmEvent, CollectorSpec, Limit, PointSpec, Reading, Tier

SPEC = CollectorSpec("c", (PointSpec("dp", 10 * MINUTE_US, (Limit(Tier.HIGH, 6.0, 5.8, 30 * MINUTE_US),)),))
CHUNK = 100
END_US = 10_000 * MINUTE_US


class Made(NamedTuple):
    """A history that is made where it is judged: beyond the limit from a minute of its own on."""

    beyond_from: int

    def __call__(self) -> Iterator[Mapping[str, Column]]:
        for first in range(0, 4 * CHUNK, CHUNK):
            minutes = np.arange(first, first + CHUNK, dtype=np.int64)
            yield {"dp": Column(minutes * MINUTE_US, np.where(minutes < self.beyond_from, 5.0, 6.5), minutes >= 0)}


PLANT = [History(replace(SPEC, name=f"c{n}"), Made(n)) for n in (380, 0, 150, 1000)]


def streamed(history: History) -> list[AlarmEvent]:
    state, events = new_state(history.spec), list[AlarmEvent]()
    for chunk in history.chunks():
        readings = [Reading(int(at_us), float(value)) for at_us, value, _ in zip(*chunk["dp"], strict=True)]
        events += step(history.spec, state, {"dp": readings})[0]
    return events + advance(history.spec, state, END_US)


def test_each_collector_has_the_events_of_the_streaming_engine_in_the_order_of_the_plant() -> None:
    found = list(replay_plant(PLANT, END_US))
    assert found == [streamed(history) for history in PLANT]
    assert [[event.at_us // MINUTE_US for event in events] for events in found] == [[], [30], [180], []]


def test_what_is_held_runs_out_when_the_watermark_passes_it_and_not_before() -> None:
    late = History(SPEC, Made(375))  # beyond from 375 on, the last value of 399 held to 409: 34 minutes
    assert [event.at_us // MINUTE_US for event in next(replay_plant([late], END_US))] == [405]
    assert next(replay_plant([late], 405 * MINUTE_US)) == []


@pytest.mark.parametrize("processes", [1, 2])
def test_spread_over_processes_it_is_the_same(processes: int) -> None:
    with ProcessPoolExecutor(processes, get_context("spawn")) as pool:
        assert list(replay_plant(PLANT, END_US, pool.map)) == [streamed(history) for history in PLANT]

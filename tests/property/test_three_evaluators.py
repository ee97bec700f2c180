"""The streaming engine, the columnar engine and the SQL query say the same of any history, to the microsecond."""

from __future__ import annotations

import os
from collections.abc import Iterable
from copy import deepcopy
from unittest import mock

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from rules.collector import CollectorState, advance, new_state, step
from rules.columnar import Column, chunks, replay
from rules.types import AlarmEvent, Change, CollectorSpec, Limit, PointSpec, Reading, RunningRule, Tier
from tests.property.histories import HOLD_US, Item, S, histories, specs
from tests.property.oracle import Alarm, Case, alarms
from tests.property.test_batches import by_point, cut, one_by_one, ordered

EXAMPLES = int(os.environ.get("DUSTCAKE_EXAMPLES", "800"))
AT_ONCE = 20  # histories in one query
LATER_US = 100_000 * S
PLACES = st.lists(st.integers(0, 200), max_size=6)
BLOCKS = st.sampled_from([1, 2, 3, 5, chunks.BLOCK_READINGS])


def columns(items: Iterable[Item]) -> dict[str, Column]:
    return {name: column(readings) for name, readings in by_point(list(items)).items()}


def column(readings: list[Reading]) -> Column:
    return Column(
        np.array([reading.at_us for reading in readings], np.int64),
        np.array([reading.value for reading in readings], float),
        np.array([reading.good for reading in readings], bool),
    )


def streamed(spec: CollectorSpec, items: list[Item]) -> list[AlarmEvent]:
    state, events = new_state(spec), []
    for point, reading in items:
        events += step(spec, state, {point: [reading]})[0]
    return events + advance(spec, state, LATER_US)


def replayed(spec: CollectorSpec, items: list[Item], places: list[int], block: int) -> list[AlarmEvent]:
    state, events = new_state(spec), []
    with mock.patch.object(chunks, "BLOCK_READINGS", block):
        for part in cut(items, places):
            events += replay(spec, state, columns(part))
    return events + advance(spec, state, LATER_US)


def told(events: list[AlarmEvent]) -> set[Alarm]:
    """Each alarm with the instants at which it was raised and cleared; no change may come twice."""
    changes = {(event.alarm_id, event.change): event.at_us for event in events}
    assert len(changes) == len(events)
    raised = {name: at_us for (name, change), at_us in changes.items() if change is Change.RAISED}
    return {(name, at_us, changes.get((name, Change.CLEARED))) for name, at_us in raised.items()}


def smallest(spec: CollectorSpec, items: list[Item], places: list[int], block: int) -> list[Item]:
    """A history on which the evaluators disagree, less every reading that it disagrees without."""
    for index in reversed(range(len(items))):
        fewer = items[:index] + items[index + 1 :]
        by_stream, by_arrays = told(streamed(spec, fewer)), told(replayed(spec, fewer, places, block))
        if not by_stream == alarms([Case(spec, fewer)])[0] == by_arrays:
            items = fewer
    return items


def that_matters(state: CollectorState) -> CollectorState:
    """The state without what is left over: the value under a bad reading, a delay's count when none runs."""
    kept = deepcopy(state)
    for point in kept.points.values():
        point.value = point.value if point.good else 0.0
        for track in point.tracks:
            track.counted_us = 0 if track.is_beyond and track.is_active else track.counted_us
    return kept


@pytest.mark.filterwarnings("ignore:Generating overly large repr")  # or it would hide the history that failed
def test_three_evaluators_give_the_same_alarms(capsys: pytest.CaptureFixture[str]) -> None:
    seen = {"histories": 0, "readings": 0, "alarms": 0, "cleared": 0}

    @settings(max_examples=-(-EXAMPLES // AT_ONCE), deadline=None, phases=[Phase.generate])  # shrunk by `smallest`
    @given(st.lists(st.tuples(specs(), histories(25), PLACES, BLOCKS), min_size=AT_ONCE, max_size=AT_ONCE))
    def agree(stories: list[tuple[CollectorSpec, list[Item], list[int], int]]) -> None:
        queried = alarms([Case(spec, items) for spec, items, _, _ in stories])
        for (spec, items, places, block), by_query in zip(stories, queried, strict=True):
            by_stream = told(streamed(spec, items))
            by_arrays = told(replayed(spec, items, places, block))
            if not by_stream == by_query == by_arrays:
                pytest.fail(f"cut at {places}, blocks of {block}\n{spec}\n{smallest(spec, items, places, block)}")
            seen["histories"] += 1
            seen["readings"] += len(items)
            seen["alarms"] += len(by_query)
            seen["cleared"] += sum(cleared_us is not None for _, _, cleared_us in by_query)

    agree()
    with capsys.disabled():
        print("\nthree evaluators agree:", ", ".join(f"{count} {what}" for what, count in seen.items()))
    assert seen["histories"] >= EXAMPLES
    assert seen["cleared"] > EXAMPLES // 10  # the histories must not be mostly quiet, or this proves little


@pytest.mark.parametrize(("longer_us", "raised_s"), [(0, 1017), (1, 1022)], ids=["remembered", "forgotten"])
def test_three_evaluators_agree_on_a_stop_as_long_as_is_remembered(longer_us: int, raised_s: int) -> None:
    """Beyond from 1000 s with 9 s of delay, stopped from 1005 s for 8 s, or for one microsecond more."""
    dp = PointSpec("dp", HOLD_US, (Limit(Tier.HIGH, 5.5, 5.0, 9 * S),))
    spec = CollectorSpec("c", (dp, PointSpec("fan", HOLD_US, always=True)), RunningRule("fan", 4.0, 2.0, 0, 8 * S))
    items = []
    for second in range(1000, 1040):
        stopped = 1005 <= second < 1013
        late_us = longer_us if second >= 1013 else 0
        items.append(Item("fan", Reading(second * S + late_us, 0.0 if stopped else 5.0)))
        items.append(Item("dp", Reading(second * S + late_us, 6.0)))
    expected = [raised_s * S + longer_us]
    assert [raised_us for _, raised_us, _ in told(streamed(spec, items))] == expected
    assert [raised_us for _, raised_us, _ in told(replayed(spec, items, [], 7))] == expected
    assert [raised_us for _, raised_us, _ in alarms([Case(spec, items)])[0]] == expected


@settings(max_examples=EXAMPLES, deadline=None)
@given(specs(), histories(), PLACES, BLOCKS)
def test_arrays_give_the_events_and_the_state_of_the_streaming_engine_chunk_by_chunk(
    spec: CollectorSpec, items: list[Item], places: list[int], block: int
) -> None:
    by_reading, by_array = new_state(spec), new_state(spec)
    events: list[AlarmEvent] = []
    with mock.patch.object(chunks, "BLOCK_READINGS", block):
        for part in cut(items, places):
            decided = replay(spec, by_array, columns(part))
            assert decided == step(spec, by_reading, by_point(part))[0]
            assert that_matters(by_array) == that_matters(by_reading)
            events += decided
    assert ordered(events) == ordered(one_by_one(spec, items))


@settings(max_examples=EXAMPLES // 4, deadline=None)
@given(specs(), histories(), PLACES, st.integers(0, 200))
def test_streaming_goes_on_where_a_replay_stopped_and_a_replay_where_streaming_did(
    spec: CollectorSpec, items: list[Item], places: list[int], first: int
) -> None:
    state, events = new_state(spec), []
    for number, part in enumerate(cut(items, places)):
        if (number + first) % 2:
            events += replay(spec, state, columns(part))
        else:
            events += step(spec, state, by_point(part))[0]
            events += advance(spec, state, part[-1].reading.at_us if part else 0)
    assert told(events + advance(spec, state, LATER_US)) == told(streamed(spec, items))

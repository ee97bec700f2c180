"""The streaming engine, the columnar engine and the SQL query say the same of any history, to the microsecond."""

from __future__ import annotations

import os
import random
from unittest import mock

import pytest
from hypothesis import Phase, given, seed, settings
from hypothesis import strategies as st

from rules.collector import advance, new_state, step
from rules.columnar import chunks, replay
from rules.types import AlarmEvent, CollectorSpec, Limit, PointSpec, Reading, RunningRule, Tier
from tests.property.evaluators import (
    LATER_US,
    Plan,
    by_point,
    columns,
    cut,
    disagreement,
    least_history,
    one_by_one,
    ordered,
    parts,
    replayed,
    streamed,
    that_matters,
    told,
)
from tests.property.histories import HOLD_US, Item, S, histories, specs
from tests.property.oracle import Case, alarms

EXAMPLES = int(os.environ.get("DUSTCAKE_EXAMPLES", "2000"))
AT_ONCE = 25  # histories in one query
PLACES = st.lists(st.integers(0, 200), max_size=6)
BLOCKS = st.sampled_from([1, 2, 3, 5, chunks.BLOCK_READINGS])
PLANS = st.builds(Plan, PLACES, PLACES, BLOCKS)
LATE = st.booleans().flatmap(lambda late: histories(20, late=late))


@pytest.mark.filterwarnings("ignore:Generating overly large repr")  # or it would hide the history that failed
def test_three_evaluators_give_the_same_alarms(
    capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest
) -> None:
    seen = {"histories": 0, "readings": 0, "alarms": 0, "cleared": 0}
    chance = int(request.config.getoption("--hypothesis-seed", None) or random.randrange(1 << 32))
    repeat = f"pytest {request.node.nodeid} --hypothesis-seed={chance}"

    @seed(chance)
    @settings(max_examples=-(-EXAMPLES // AT_ONCE), deadline=None, phases=[Phase.generate])  # shrunk by `least_history`
    @given(st.lists(st.tuples(specs(), LATE, PLANS), min_size=AT_ONCE, max_size=AT_ONCE))
    def agree(stories: list[tuple[CollectorSpec, list[Item], Plan]]) -> None:
        queried = alarms([Case(spec, items) for spec, items, _ in stories])
        for (spec, items, plan), by_query in zip(stories, queried, strict=True):
            if disagreement(spec, items, plan, by_query):
                pytest.fail(f"{least_history(spec, items, plan)}\nrepeat: {repeat}")
            seen["histories"] += 1
            seen["readings"] += len(items)
            seen["alarms"] += len(by_query)
            seen["cleared"] += sum(cleared_us is not None for _, _, cleared_us in by_query)

    agree()
    with capsys.disabled():
        print(f"\nthree evaluators agree: {', '.join(f'{count} {what}' for what, count in seen.items())}; {repeat}")
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
@given(specs(), LATE, PLACES, BLOCKS)
def test_arrays_give_the_events_and_the_state_of_the_streaming_engine_chunk_by_chunk(
    spec: CollectorSpec, items: list[Item], places: list[int], block: int
) -> None:
    by_reading, by_array = new_state(spec), new_state(spec)
    events: list[AlarmEvent] = []
    with mock.patch.object(chunks, "BLOCK_READINGS", block):
        for part in parts(items, places):
            decided = replay(spec, by_array, columns(part))
            assert decided == step(spec, by_reading, by_point(part))[0]
            assert that_matters(by_array) == that_matters(by_reading)
            events += decided
    assert ordered(events) == ordered(one_by_one(spec, items))


@settings(max_examples=-(-EXAMPLES // 4), deadline=None)
@given(specs(), histories(), PLACES, st.integers(0, 200))
def test_streaming_goes_on_where_a_replay_stopped_and_a_replay_where_streaming_did(
    spec: CollectorSpec, items: list[Item], places: list[int], first: int
) -> None:
    state, events = new_state(spec), list[AlarmEvent]()
    for number, part in enumerate(cut(items, places)):
        if (number + first) % 2:
            events += replay(spec, state, columns(part))
        else:
            events += step(spec, state, by_point(part))[0]
            events += advance(spec, state, part[-1].reading.at_us if part else 0)
    assert told(events + advance(spec, state, LATER_US)) == told(streamed(spec, items))

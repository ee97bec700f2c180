"""However readings are cut into batches, saved and restored, or judged on a board: the events are the same."""

from __future__ import annotations

import os
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from rules.collector import advance, new_state, step
from rules.microbatch import Board
from rules.types import AlarmEvent, CollectorSpec, Reading
from tests.property.evaluators import (
    LATER_US,
    arrivals,
    boarded,
    cut,
    one_by_one,
    ordered,
    restored,
    streamed,
    together,
)
from tests.property.histories import Item, histories, specs

LATER = Item("none", Reading(LATER_US, 0.0))
EXAMPLES = int(os.environ.get("DUSTCAKE_EXAMPLES", "2000"))
PLACES = st.lists(st.integers(0, 200), max_size=6)
LATE = st.booleans().flatmap(lambda late: histories(20, late=late))


@settings(max_examples=EXAMPLES, deadline=None)
@given(specs(), LATE, PLACES)
def test_batches_cut_anywhere_and_restored_between_give_the_same_events(
    spec: CollectorSpec, items: list[Item], places: list[int]
) -> None:
    assert ordered(restored(spec, items, places)) == ordered(streamed(spec, items))


@settings(max_examples=EXAMPLES, deadline=None)
@given(specs(), histories(20))
def test_saved_and_restored_between_any_two_readings_it_is_the_same(spec: CollectorSpec, items: list[Item]) -> None:
    assert ordered(restored(spec, items, range(len(items)))) == ordered(streamed(spec, items))


@settings(max_examples=-(-EXAMPLES // 2), deadline=None)
@given(specs(), histories(20))
def test_the_watermark_only_makes_decisions_earlier_never_different(spec: CollectorSpec, items: list[Item]) -> None:
    state, events = new_state(spec), list[AlarmEvent]()
    for here, following in pairwise([*items, LATER]):
        events += step(spec, state, {here.point: [here.reading]})[0]
        events += advance(spec, state, following.reading.at_us)
    assert ordered(events) == ordered(streamed(spec, items))


@settings(max_examples=-(-EXAMPLES // 2), deadline=None)
@given(specs("a"), specs("b"), LATE, LATE, PLACES, st.booleans())
def test_arrays_over_many_points_give_the_events_of_the_streaming_engine(  # noqa: PLR0917 - drawn by hypothesis
    a: CollectorSpec,
    b: CollectorSpec,
    items_a: list[Item],
    items_b: list[Item],
    places: list[int],
    restoring: bool,
) -> None:
    story = together([(a, items_a), (b, items_b)])
    events = boarded([a, b], story, places, restoring=restoring)
    assert ordered(events) == ordered(streamed(a, items_a) + streamed(b, items_b))


@settings(max_examples=-(-EXAMPLES // 2), deadline=None)
@given(specs(), histories(20), PLACES, st.integers(0, 200))
def test_readings_sent_again_are_duplicates_or_late_and_decide_nothing(
    spec: CollectorSpec, items: list[Item], places: list[int], resent: int
) -> None:
    board, events = Board([spec]), list[AlarmEvent]()
    for part in cut(items, places):
        events += board.take(arrivals(board, [(spec.name, item) for item in part])).events
    again = [(spec.name, item) for item in items[: resent % (len(items) + 1)]]
    outcome = board.take(arrivals(board, again))
    assert outcome.events == []
    assert (outcome.is_duplicate | outcome.is_late).all()
    assert ordered(events) == ordered(one_by_one(spec, items))

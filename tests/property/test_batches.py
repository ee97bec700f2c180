"""However readings are cut into batches, saved and restored, or judged on arrays: the events are the same."""

from __future__ import annotations

import json
import os
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.codec import from_plain, to_plain
from rules.collector import advance, new_state, step
from rules.microbatch import Board, Columns
from rules.types import AlarmEvent, CollectorSpec, Reading
from tests.property.histories import Item, S, histories, specs

LATER = Item("none", Reading(100_000 * S, 0.0))
EXAMPLES = int(os.environ.get("DUSTCAKE_EXAMPLES", "700"))


def one_by_one(spec: CollectorSpec, items: list[Item]) -> list[AlarmEvent]:
    state, events = new_state(spec), []
    for point, reading in items:
        events += step(spec, state, {point: [reading]})[0]
    return events


def to_the_end(spec: CollectorSpec, items: list[Item]) -> list[AlarmEvent]:
    """As `one_by_one`, and then the watermark passes far beyond the last reading."""
    state, events = new_state(spec), []
    for point, reading in items:
        events += step(spec, state, {point: [reading]})[0]
    return events + advance(spec, state, LATER.reading.at_us)


def by_point(items: list[Item]) -> dict[str, list[Reading]]:
    grouped: dict[str, list[Reading]] = {}
    for point, reading in items:
        grouped.setdefault(point, []).append(reading)
    return grouped


def ordered(events: list[AlarmEvent]) -> list[AlarmEvent]:
    return sorted(events, key=lambda event: (event.at_us, event.collector, event.point, event.tier, event.change))


def cut(items: list[Item], places: list[int]) -> list[list[Item]]:
    bounds = [0, *sorted({place % (len(items) + 1) for place in places}), len(items)]
    return [items[a:b] for a, b in pairwise(bounds)]


@settings(max_examples=EXAMPLES, deadline=None)
@given(specs(), histories(), st.lists(st.integers(0, 200), max_size=6))
def test_batches_cut_anywhere_and_restored_between_give_the_same_events(
    spec: CollectorSpec, items: list[Item], places: list[int]
) -> None:
    state, events = new_state(spec), []
    for part in cut(items, places):
        state = from_plain(spec, json.loads(json.dumps(to_plain(spec, state))))
        events += step(spec, state, by_point(part))[0]
    assert ordered(events) == ordered(one_by_one(spec, items))


@settings(max_examples=EXAMPLES, deadline=None)
@given(specs(), histories())
def test_the_watermark_only_makes_decisions_earlier_never_different(spec: CollectorSpec, items: list[Item]) -> None:
    state, events = new_state(spec), []
    for here, following in pairwise([*items, LATER]):
        events += step(spec, state, {here.point: [here.reading]})[0]
        events += advance(spec, state, following.reading.at_us)
    assert ordered(events) == ordered(to_the_end(spec, items))


@settings(max_examples=EXAMPLES, deadline=None)
@given(specs("a"), specs("b"), histories(), histories(), st.lists(st.integers(0, 200), max_size=6), st.booleans())
def test_arrays_over_many_points_give_the_events_of_the_streaming_engine(  # noqa: PLR0917 - drawn by hypothesis
    a: CollectorSpec,
    b: CollectorSpec,
    items_a: list[Item],
    items_b: list[Item],
    places: list[int],
    restored: bool,
) -> None:
    story = [("a", item) for item in items_a] + [("b", item) for item in items_b]
    story.sort(key=lambda entry: entry[1].reading.at_us)
    board, events = Board([a, b]), []
    for part in cut(story, places):  # type: ignore[arg-type, type-var]  # the cut does not look inside
        if restored:
            board = _again(board, [a, b])
        events += board.take(_columns(board, part)).events  # type: ignore[arg-type]
        if part:
            now_us = part[-1][1].reading.at_us  # type: ignore[union-attr]
            events += board.advance(lambda _, now_us=now_us: now_us)[0]  # type: ignore[misc]
    events += board.advance(lambda _: LATER.reading.at_us)[0]
    assert ordered(events) == ordered(to_the_end(a, items_a) + to_the_end(b, items_b))


@settings(max_examples=EXAMPLES, deadline=None)
@given(specs(), histories(), st.lists(st.integers(0, 200), max_size=6), st.integers(0, 200))
def test_readings_sent_again_are_duplicates_or_late_and_decide_nothing(
    spec: CollectorSpec, items: list[Item], places: list[int], resent: int
) -> None:
    board, events = Board([spec]), []
    for part in cut(items, places):
        events += board.take(_columns(board, [(spec.name, item) for item in part])).events
    again = [(spec.name, item) for item in items[: resent % (len(items) + 1)]]
    outcome = board.take(_columns(board, again))
    assert outcome.events == []
    assert (outcome.is_duplicate | outcome.is_late).all()
    assert ordered(events) == ordered(one_by_one(spec, items))


def _again(board: Board, collectors: list[CollectorSpec]) -> Board:
    fresh = Board(collectors)
    fresh.tips = board.tips
    for spec in collectors:
        fresh.load(spec.name, from_plain(spec, json.loads(json.dumps(to_plain(spec, board.states[spec.name])))))
    return fresh


def _columns(board: Board, part: list[tuple[str, Item]]) -> Columns:
    return Columns(
        np.array([board.index[name, item.point] for name, item in part], np.int64),
        np.array([item.reading.at_us for _, item in part], np.int64),
        np.array([item.reading.value for _, item in part], float),
        np.array([item.reading.good for _, item in part], bool),
    )

"""Every way in which a history can be judged, and whether they all say the same of it.

Owns how a history is taken: reading by reading, in batches with the state saved and restored between, as columns, on
a board of several collectors, or by the SQL query. Nothing here decides anything itself.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Sequence
from copy import deepcopy
from heapq import merge
from itertools import accumulate, pairwise
from typing import NamedTuple, TypeVar
from unittest import mock

import numpy as np

from rules.codec import from_plain, to_plain
from rules.collector import CollectorState, advance, new_state, step
from rules.columnar import Column, chunks, replay
from rules.microbatch import Board, Columns
from rules.types import AlarmEvent, Change, CollectorSpec, Reading
from tests.property.histories import Choose, Item, S
from tests.property.oracle import Alarm, Case, alarms

T = TypeVar("T")
Story = Sequence[tuple[str, Item]]  # readings of several collectors, in order of arrival

LATER_US = 100_000 * S  # far beyond every history: what can run out has run out by then
EVERYWHERE = -1
SAVES = (*[0, 1, 1, 2, 2, 3] * 3, 6, EVERYWHERE)
CHUNKS = (*[0, 0, 0, 1, 1, 1, 2, 2] * 8, 6, EVERYWHERE)
BATCHES = (0, 1, 2, 3, 4, 6)
BLOCKS = (*[chunks.BLOCK_READINGS] * 16, 1, 2, 3, 5)


class Plan(NamedTuple):
    """Where a history is cut: where its state is saved, its chunks of columns, and their blocks of readings."""

    saves: list[int]
    chunks: list[int]
    block: int


def plan(choose: Choose, size: int) -> Plan:
    """A plan for a history of `size` readings: mostly few cuts and one block, for many of either take long."""
    return Plan(places(choose, size, SAVES), places(choose, size, CHUNKS), choose(BLOCKS))


def places(choose: Choose, size: int, counts: Sequence[int]) -> list[int]:
    """One of the counts of places in a history of `size` readings, or all of them."""
    count = choose(counts)
    return list(range(size)) if count == EVERYWHERE else [choose(range(size + 1)) for _ in range(count)]


def cut(items: list[T], places: Iterable[int]) -> list[list[T]]:
    """The parts between the places; a place counts modulo the length, both ends included."""
    bounds = [0, *sorted({place % (len(items) + 1) for place in places}), len(items)]
    return [items[a:b] for a, b in pairwise(bounds)]


def late_at(story: Story) -> list[int]:
    """Where a cut must be, or a late reading could be put in order before what had come before it."""
    last_us: dict[tuple[str, str], int] = {}
    heard: set[tuple[str, str, int]] = set()
    found = []
    for place, (name, (point, reading)) in enumerate(story):
        if reading.at_us > last_us.get((name, point), -1):
            last_us[name, point] = reading.at_us
            heard.add((name, point, reading.at_us))
        elif (name, point, reading.at_us) not in heard:
            found.append(place)
    return found


def parts(items: list[Item], places: Iterable[int]) -> list[list[Item]]:
    """The items cut at the places, and before late readings."""
    return cut(items, [*places, *late_at([("", item) for item in items])])


def by_point(items: Iterable[Item]) -> dict[str, list[Reading]]:
    """Each point's readings in ascending event time; at one instant, in order of arrival."""
    grouped: dict[str, list[Reading]] = {}
    for point, reading in items:
        grouped.setdefault(point, []).append(reading)
    for readings in grouped.values():
        readings.sort(key=lambda reading: reading.at_us)
    return grouped


def columns(items: Iterable[Item]) -> dict[str, Column]:
    """Each point's readings as a column in ascending event time."""
    return {name: column(readings) for name, readings in by_point(items).items()}


def column(readings: list[Reading]) -> Column:
    return Column(
        np.array([reading.at_us for reading in readings], np.int64),
        np.array([reading.value for reading in readings], float),
        np.array([reading.good for reading in readings], bool),
    )


def ordered(events: Iterable[AlarmEvent]) -> list[AlarmEvent]:
    return sorted(events, key=lambda event: (event.at_us, event.collector, event.point, event.tier, event.change))


def told(events: Sequence[AlarmEvent]) -> set[Alarm]:
    """Each alarm with the instants at which it was raised and cleared; no change may come twice."""
    changes = {(event.alarm_id, event.change): event.at_us for event in events}
    assert len(changes) == len(events)
    raised = {name: at_us for (name, change), at_us in changes.items() if change is Change.RAISED}
    return {(name, at_us, changes.get((name, Change.CLEARED))) for name, at_us in raised.items()}


def one_by_one(spec: CollectorSpec, items: Iterable[Item]) -> list[AlarmEvent]:
    """The streaming engine, a reading at a time, up to the last one."""
    state, events = new_state(spec), list[AlarmEvent]()
    for point, reading in items:
        events += step(spec, state, {point: [reading]})[0]
    return events


def streamed(spec: CollectorSpec, items: Iterable[Item]) -> list[AlarmEvent]:
    """As `one_by_one`, and then the watermark passes far beyond the last reading."""
    state, events = new_state(spec), list[AlarmEvent]()
    for point, reading in items:
        events += step(spec, state, {point: [reading]})[0]
    return events + advance(spec, state, LATER_US)


def restored(spec: CollectorSpec, items: list[Item], places: Iterable[int]) -> list[AlarmEvent]:
    """The streaming engine in batches cut at the places, its state written out and read back before each."""
    state, events = new_state(spec), list[AlarmEvent]()
    for part in parts(items, places):
        state = saved(spec, state)
        events += step(spec, state, by_point(part))[0]
    return events + advance(spec, saved(spec, state), LATER_US)


def replayed(spec: CollectorSpec, items: list[Item], places: Iterable[int], block: int) -> list[AlarmEvent]:
    """The columnar engine over chunks cut at the places, in blocks of so many readings."""
    state, events = new_state(spec), list[AlarmEvent]()
    with mock.patch.object(chunks, "BLOCK_READINGS", block):
        for part in parts(items, places):
            events += replay(spec, state, columns(part))
    return events + advance(spec, state, LATER_US)


def boarded(
    specs: Sequence[CollectorSpec], story: list[tuple[str, Item]], places: Iterable[int], *, restoring: bool
) -> list[AlarmEvent]:
    """The board of all collectors in batches cut at the places, with the watermark after each; perhaps made anew."""
    board, events, now_us = Board(specs), list[AlarmEvent](), 0
    for part in cut(story, [*places, *late_at(story)]):
        if restoring:
            board = again(board, specs)
        events += board.take(arrivals(board, part)).events
        now_us = max([now_us, *(item.reading.at_us for _, item in part)])
        events += board.advance(lambda _, now_us=now_us: now_us)[0]  # type: ignore[misc]
    return events + board.advance(lambda _: LATER_US)[0]


def together(histories: Iterable[tuple[CollectorSpec, list[Item]]]) -> list[tuple[str, Item]]:
    """Histories as one story, merged by time; each collector's readings stay in their order of arrival."""
    arriving = []
    for spec, items in histories:
        moments = accumulate((item.reading.at_us for item in items), max)
        arriving.append([(moment_us, spec.name, item) for moment_us, item in zip(moments, items, strict=True)])
    return [(name, item) for _, name, item in merge(*arriving, key=lambda entry: entry[:2])]


def again(board: Board, specs: Iterable[CollectorSpec]) -> Board:
    """Another board with the same last readings and with states that were written out and read back."""
    fresh = Board(specs)
    fresh.tips = board.tips
    for spec in fresh.specs.values():
        fresh.load(spec.name, saved(spec, board.states[spec.name]))
    return fresh


def arrivals(board: Board, part: Story) -> Columns:
    """A part of a story as the board takes it."""
    return Columns(
        np.array([board.index[name, item.point] for name, item in part], np.int64),
        np.array([item.reading.at_us for _, item in part], np.int64),
        np.array([item.reading.value for _, item in part], float),
        np.array([item.reading.good for _, item in part], bool),
    )


def saved(spec: CollectorSpec, state: CollectorState) -> CollectorState:
    """The state after it was written out as JSON and read back."""
    return from_plain(spec, json.loads(json.dumps(to_plain(spec, state))))


def that_matters(state: CollectorState) -> CollectorState:
    """The state without what is left over: the value under a bad reading, a delay's count when none runs."""
    kept = deepcopy(state)
    for point in kept.points.values():
        point.value = point.value if point.good else 0.0
        for track in point.tracks:
            track.counted_us = 0 if track.is_beyond and track.is_active else track.counted_us
    return kept


def disagreement(spec: CollectorSpec, items: list[Item], plan: Plan, by_query: set[Alarm]) -> str:
    """What differs between the evaluators' answers to one history; empty where they agree.

    The query says which alarms there are and when they were raised and cleared; the others must give the same
    events, with all their evidence. An evaluator that fails does not agree.
    """
    try:
        return _differences(ordered(streamed(spec, items)), spec, items, plan, by_query)
    except Exception as error:  # noqa: BLE001 - whatever an evaluator raises is an answer that no other gives
        return f"an evaluator failed: {error!r}"


def _differences(
    by_stream: list[AlarmEvent], spec: CollectorSpec, items: list[Item], plan: Plan, by_query: set[Alarm]
) -> str:
    if told(by_stream) != by_query:
        return f"streaming says {sorted(told(by_stream), key=str)}, the query {sorted(by_query, key=str)}"
    by_batches = ordered(restored(spec, items, plan.saves))
    if by_batches != by_stream:
        return f"streaming says {by_stream}, and in batches, saved and restored, {by_batches}"
    by_arrays = ordered(replayed(spec, items, plan.chunks, plan.block))
    if by_arrays != by_stream:
        return f"streaming says {by_stream}, columns {by_arrays}"
    return ""


def board_disagreement(
    specs: Sequence[CollectorSpec], story: list[tuple[str, Item]], places: Iterable[int], *, restoring: bool
) -> str:
    """What differs between the board's answer to a story and the streaming engine's, collector by collector."""
    by_stream = ordered(
        event for spec in specs for event in streamed(spec, [item for name, item in story if name == spec.name])
    )
    try:
        by_board = ordered(boarded(specs, story, places, restoring=restoring))
    except Exception as error:  # noqa: BLE001 - whatever the board raises is an answer that no other gives
        return f"the board failed: {error!r}"
    return "" if by_board == by_stream else f"streaming says {by_stream}, the board {by_board}"


def smallest(items: list[T], fails: Callable[[list[T]], bool]) -> list[T]:
    """The items on which something fails, less every one that it fails without; large parts are tried first."""
    span = len(items)
    while span:
        before = len(items)
        for index in reversed(range(0, before, span)):
            fewer = items[:index] + items[index + span :]
            if fails(fewer):
                items = fewer
        if span > 1 or len(items) == before:
            span //= 2
    return items


def least_history(spec: CollectorSpec, items: list[Item], plan: Plan) -> str:
    """The smallest history on which the evaluators disagree as on this one, in words."""

    def differs(fewer: list[Item]) -> str:
        return disagreement(spec, fewer, plan, alarms([Case(spec, fewer)])[0])

    least = smallest(items, lambda fewer: bool(differs(fewer)))
    return "\n".join(
        (
            f"saved at {plan.saves}; columns cut at {plan.chunks}, in blocks of {plan.block} readings",
            f"collector: {spec}",
            f"smallest history, {len(least)} of {len(items)} readings:",
            *(f"  {item}" for item in least),
            differs(least) or "the query says otherwise when it is asked about this history alone",
        )
    )

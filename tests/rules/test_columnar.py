"""History judged on arrays: the worked cases of the alarm semantics, whole and in pieces, and what is refused.

High limit 6.0, deadband 0.2, on-delay 240 min, off-delay 0, hold 15 min, a reading each 5 min unless said.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple
from unittest import mock

import numpy as np
import pytest

from rules.codec import from_plain, to_plain
from rules.collector import CollectorState, advance, new_state, step
from rules.columnar import Column, chunks, replay
from rules.running import SPANS_AT_MOST
from rules.types import (
    MINUTE_US,
    SECOND_US,
    AlarmEvent,
    CollectorSpec,
    Limit,
    PointSpec,
    Reading,
    RunningRule,
    Tier,
)
from tests.property.evaluators import that_matters
from tests.rules.worked import HIGH, every, minute, spec, told

Pairs = Iterable[tuple[float, float]]


class Story(NamedTuple):
    """One worked case: readings as (minute, value), and what is told when the watermark has passed."""

    dp: Pairs
    told: list[str]
    fan: Pairs = ()
    running: bool = False
    watermark_min: int | None = None


def column(pairs: Pairs, *, bad: Iterable[int] = ()) -> Column:
    """Minutes and values as a column; the readings at the places in `bad` are of bad quality."""
    rows = list(pairs)
    good = np.ones(len(rows), bool)
    good[list(bad)] = False
    return Column(
        np.array([round(at * MINUTE_US) for at, _ in rows], np.int64), np.array([value for _, value in rows]), good
    )


BEYOND = every("00:00", "04:05", 6.1)
CASES = {
    "1: beyond for the delay and after it": Story(BEYOND, ["raised high 04:00"]),
    "1: the reading at the delay's end does not decide it": Story(every("00:00", "04:00", 6.1), []),
    "2: back exactly at the delay's end": Story([*every("00:00", "03:55", 6.1), (240, 5.7), (245, 5.7)], []),
    "3: one reading inside the deadband": Story(
        [*every("00:00", "01:55", 6.1), (120, 5.9), *every("02:05", "04:05", 6.1)], ["raised high 04:00"]
    ),
    "4: one reading at the back value": Story(
        [*every("00:00", "01:55", 6.1), (120, 5.8), *every("02:05", "06:10", 6.1)], ["raised high 06:05"]
    ),
    "5: stopped for two hours, and settling": Story(
        every("00:00", "06:30", 6.1),
        ["raised high 06:05"],
        fan=[(at, 0.0 if 60 <= at < 180 else 1.0) for at in range(-60, 400, 5)],
        running=True,
    ),
    "6: no value for two hours": Story(
        [*every("00:00", "01:00", 6.1), *every("03:00", "05:50", 6.1)], ["raised high 05:45"]
    ),
    "7: the delay runs out on a held value": Story(
        every("00:00", "03:55", 6.1), ["raised high 04:00"], watermark_min=241
    ),
    "7: but not at the watermark itself": Story(every("00:00", "03:55", 6.1), [], watermark_min=240),
    "8: the value is not held long enough": Story(every("00:00", "03:40", 6.1), [], watermark_min=minute("23:00")),
    "9: exactly the limit": Story(every("00:00", "23:55", 6.0), [], watermark_min=minute("23:59")),
    "10: inside the deadband, then back": Story(
        [*BEYOND, (250, 5.81), (255, 5.80), (260, 5.80)], ["raised high 04:00", "cleared high 04:15"]
    ),
    "11: stays inside the deadband": Story([*BEYOND, *every("04:10", "09:00", 5.9)], ["raised high 04:00"]),
    "12: an outage, then the burst": Story(
        [*every("09:00", "10:00", 5.0), *every("10:05", "15:55", 6.1)], ["raised high 14:05"]
    ),
}


def play(story: Story, readings_at_once: int) -> list[AlarmEvent]:
    """Replay a story in pieces of so many minutes' readings, saving and restoring the state between them."""
    collector = spec(running=story.running)
    state, events = new_state(collector), []
    history = {"dp": column(story.dp), "fan": column(story.fan)}
    for at in range(-60, minute("24:00"), 5 * readings_at_once):
        span = (at * MINUTE_US, (at + 5 * readings_at_once) * MINUTE_US)
        events += replay(collector, state, {name: part(whole, *span) for name, whole in history.items()})
        state = from_plain(collector, to_plain(collector, state))
    if story.watermark_min is not None:
        events += advance(collector, state, story.watermark_min * MINUTE_US)
    return events


def part(whole: Column, start_us: int, end_us: int) -> Column:
    here = (whole.at_us >= start_us) & (whole.at_us < end_us)
    return Column(whole.at_us[here], whole.value[here], whole.good[here])


@pytest.mark.parametrize("readings_at_once", [1, 7, 10_000])
@pytest.mark.parametrize("name", CASES)
def test_worked_cases(name: str, readings_at_once: int) -> None:
    assert told(play(CASES[name], readings_at_once)) == CASES[name].told


@pytest.mark.parametrize("block", [1, 2, 50])
@pytest.mark.parametrize("name", CASES)
def test_worked_cases_in_blocks_of_any_size(name: str, block: int) -> None:
    with mock.patch.object(chunks, "BLOCK_READINGS", block):
        assert told(play(CASES[name], 10_000)) == CASES[name].told


def test_evidence_tells_what_was_not_counted() -> None:
    (stopped,) = play(CASES["5: stopped for two hours, and settling"], 10_000)
    (unknown,) = play(CASES["6: no value for two hours"], 10_000)
    assert (stopped.evidence.stopped_us, stopped.evidence.unknown_us) == (125 * MINUTE_US, 0)
    assert (unknown.evidence.stopped_us, unknown.evidence.unknown_us) == (0, 105 * MINUTE_US)
    assert unknown.evidence.evaluated_us == 240 * MINUTE_US


# ---------------------------------------------------------------- order, quality and values that are not numbers


def replayed(dp: Column, *, limits: tuple[Limit, ...] = (HIGH,)) -> tuple[list[AlarmEvent], CollectorState]:
    collector = spec(*limits)
    state = new_state(collector)
    return replay(collector, state, {"dp": dp}), state


def test_readings_out_of_order_are_refused() -> None:
    with pytest.raises(ValueError, match=r"c/dp: a reading at 300000000 us follows one at 600000000 us"):
        replayed(column([(10, 6.1), (5, 6.1)]))


def test_of_several_readings_at_one_instant_the_first_counts() -> None:
    events, state = replayed(column([(0, 6.1), (0, 5.0), *every("00:05", "04:05", 6.1), (245, 5.0), (245, 5.1)]))
    assert told(events) == ["raised high 04:00"]
    assert state.points["dp"].value == 6.1


def test_a_chunk_that_repeats_what_was_seen_decides_nothing() -> None:
    collector = spec()
    state = new_state(collector)
    assert told(replay(collector, state, {"dp": column(BEYOND)})) == ["raised high 04:00"]
    before = to_plain(collector, state)
    assert replay(collector, state, {"dp": column(BEYOND)}) == []
    assert to_plain(collector, state) == before


def test_a_bad_reading_makes_the_value_unknown_and_judges_nothing() -> None:
    beyond = column(every("00:00", "05:00", 6.1), bad=[12])
    assert told(replayed(beyond)[0]) == ["raised high 04:05"]
    back = column([*every("00:00", "00:55", 6.1), (60, 5.0), *every("01:05", "05:00", 6.1)], bad=[12])
    assert told(replayed(back)[0]) == ["raised high 04:05"]


def test_a_bad_reading_that_is_not_a_number_hides_nothing_beside_it() -> None:
    """The least and the greatest of values with one that is not a number are not numbers either."""
    story = column([(0, 5.0), (1, float("nan")), *((at, 7.0) for at in range(2, 300, 5))], bad=[1])
    assert told(replayed(story)[0]) == ["raised high 04:02"]


def test_only_bad_readings_leave_everything_unknown() -> None:
    events, state = replayed(column(BEYOND, bad=range(len(BEYOND))))
    assert events == []
    assert not state.points["dp"].is_open
    assert not state.points["dp"].good


def test_a_quiet_chunk_keeps_the_last_reading_only() -> None:
    events, state = replayed(column(every("00:00", "12:00", 5.0)))
    held = state.points["dp"]
    assert events == []
    assert (held.last_us, held.value, held.good, held.evaluated_us) == (720 * MINUTE_US, 5.0, True, 720 * MINUTE_US)


def test_a_low_limit_is_a_high_limit_upside_down() -> None:
    low = Limit(Tier.LOW, -6.0, -5.8, 240 * MINUTE_US)
    for story in CASES.values():
        if not story.running and story.watermark_min is None:
            dp = column(story.dp)
            events, _ = replayed(dp._replace(value=-dp.value), limits=(low,))
            assert told(events) == [text.replace("high", "low") for text in story.told]


def test_instants_before_1970_are_instants() -> None:
    dp = column(BEYOND)
    events, _ = replayed(dp._replace(at_us=dp.at_us - 10**15))
    assert [event.at_us for event in events] == [240 * MINUTE_US - 10**15]


@pytest.mark.parametrize("block", [1, 2, chunks.BLOCK_READINGS])
def test_instants_repeated_across_blocks_count_once(block: int) -> None:
    """A block may hold nothing but repeats, or begin with one; so may that of the running point."""
    twice = [pair for pair in BEYOND for _ in range(3)]
    fan = [(at, 1.0 if at < 60 else 0.0) for at in range(-15, 250, 5) for _ in range(3)]
    collector = spec(running=True)
    state = new_state(collector)
    with mock.patch.object(chunks, "BLOCK_READINGS", block):
        replay(collector, state, {"dp": column(twice), "fan": column(fan, bad=[0, 1, 2])})
    (track,) = state.points["dp"].tracks
    assert (track.readings, track.evaluated_us, track.stopped_us) == (50, 60 * MINUTE_US, 185 * MINUTE_US)


# ---------------------------------------------------------------- long histories of the running state


@pytest.mark.parametrize(
    ("stop_min", "expected"),
    [(120, ["raised high 06:00"]), (121, ["raised high 08:01"])],
    ids=["remembered", "forgotten"],
)
@pytest.mark.parametrize("chunk_min", [45, 10_000])
def test_a_stop_longer_than_what_is_remembered_lets_a_delay_begin_again(
    stop_min: int, expected: list[str], chunk_min: int
) -> None:
    """Beyond from 00:00, stopped from 02:00. Running readings are sent each minute; dp each five."""
    points = (PointSpec("dp", 15 * MINUTE_US, (HIGH,)), PointSpec("fan", MINUTE_US, always=True))
    collector = CollectorSpec("c", points, RunningRule("fan", 0.5, 0.5, 0, 120 * MINUTE_US))
    dp = column(every("00:00", "12:00", 6.1))
    fan = column((at, 0.0 if 120 <= at < 120 + stop_min else 1.0) for at in range(-1, 721))
    state, events = new_state(collector), []
    for at in range(-1, 721, chunk_min):
        span = (at * MINUTE_US, (at + chunk_min) * MINUTE_US)
        events += replay(collector, state, {"fan": part(fan, *span), "dp": part(dp, *span)})
    assert told(events) == expected


def test_a_gap_in_the_running_points_data_is_time_not_counted() -> None:
    """The fan is known from 00:00 to 01:15, and again from 02:00 after which it settles until 02:05."""
    fan = column([*every("00:00", "01:00", 1.0), *every("02:00", "06:00", 1.0)])
    collector = spec(running=True, settle_min=5)
    with mock.patch.object(chunks, "BLOCK_READINGS", 13):
        events = replay(collector, new_state(collector), {"fan": fan, "dp": column(every("00:05", "06:00", 6.1))})
    assert told(events) == ["raised high 04:55"]
    assert (events[0].evidence.unknown_us, events[0].evidence.stopped_us) == (45 * MINUTE_US, 5 * MINUTE_US)


def test_a_chunk_without_running_readings_goes_on_with_what_is_held() -> None:
    collector = spec(running=True, settle_min=0, hold_min=300)
    state = new_state(collector)
    assert replay(collector, state, {"fan": column([(0, 1.0)])}) == []
    assert told(replay(collector, state, {"dp": column(BEYOND)})) == ["raised high 04:00"]


def flickering(toggles: int) -> dict[str, Column]:
    """A fan that runs and stands in turn, 30 s each, beside a point that is beyond its limit at the beginning."""
    fan = [(index / 2, float(index % 2)) for index in range(toggles)]
    return {"fan": column(fan), "dp": column([(0.5, 6.1), (1.0, 6.1)]), "header": column([(0.5, 1.0)])}


def two_points() -> CollectorSpec:
    points = (
        PointSpec("dp", 200 * MINUTE_US, (Limit(Tier.HIGH, 6.0, 5.8, 60 * MINUTE_US),)),
        PointSpec("header", 15 * MINUTE_US, (Limit(Tier.LOW, 2.0, 2.5, 5 * MINUTE_US),), always=True),
        PointSpec("fan", MINUTE_US, always=True),
    )
    return CollectorSpec("c", points, RunningRule("fan", 0.5, 0.5))


@pytest.mark.parametrize("toggles", [3, SPANS_AT_MOST - 1, SPANS_AT_MOST, SPANS_AT_MOST + 1, 3 * SPANS_AT_MOST])
def test_the_timeline_is_kept_as_short_as_the_streaming_engine_keeps_it(toggles: int) -> None:
    """Points that are open and silent are first moved past what is dropped, and may be decided there."""
    collector, history = two_points(), flickering(toggles)
    by_array, by_reading = new_state(collector), new_state(collector)
    readings = {
        name: [Reading(*row) for row in zip(*(values.tolist() for values in whole), strict=True)]
        for name, whole in history.items()
    }
    assert replay(collector, by_array, history) == step(collector, by_reading, readings)[0]
    assert that_matters(by_array) == that_matters(by_reading)


def test_points_moved_past_the_timelines_old_end_are_decided_there() -> None:
    events = replay(two_points(), new_state(two_points()), flickering(3 * SPANS_AT_MOST))
    assert told(events) == ["raised low 00:06", "raised high 02:00"]


# ---------------------------------------------------------------- memory


def test_history_of_any_length_leaves_a_state_of_one_size() -> None:
    collector = spec(Limit(Tier.HIGH, 6.0, 5.8, 10 * SECOND_US), running=True, settle_min=0)
    state, sizes = new_state(collector), []
    for number in range(6):
        at = np.arange(number * 5000, (number + 1) * 5000, dtype=np.int64) * SECOND_US
        good = np.ones(len(at), bool)
        chunk = {
            "dp": Column(at, 5.0 + (at // SECOND_US // 20 % 2 * 2).astype(float), good),
            "fan": Column(at, (at // SECOND_US // 50 % 2).astype(float), good),
        }
        assert replay(collector, state, chunk)
        sizes.append(len(state.timeline.spans))
    assert max(sizes[2:]) <= SPANS_AT_MOST

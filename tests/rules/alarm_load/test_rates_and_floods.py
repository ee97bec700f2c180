"""Alarms per interval and per day, and floods.

"Trade article" beside a check: quoted from a trade article about ISA-18.2; the standard itself was not
at hand.
"""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.alarm_load import (
    DAY_US,
    FLOOD_ENDS_BELOW,
    FLOOD_STARTS_ABOVE,
    INTERVAL_US,
    Activation,
    Flood,
    alarms_between,
    alarms_per_day,
    flood_intervals,
    floods,
    fraction_in_flood,
    ten_minute_edges,
)
from rules.types import HOUR_US, SECOND_US

VECTOR = [2, 10, 11, 9, 6, 5, 4, 12, 3]  # a worked example, computed by hand from the definition
COUNTS = st.lists(st.integers(0, 20), max_size=40)


def raised_at(*instants_us: int) -> list[Activation]:
    return [Activation(at_us, None, "high", f"quay/cutting/dc-{at_us}") for at_us in instants_us]


def spread(counts: list[int]) -> list[Activation]:
    """Activations that give these counts, a second apart within each interval."""
    starts = (index * INTERVAL_US for index in range(len(counts)))
    return raised_at(
        *(start + n * SECOND_US for start, count in zip(starts, counts, strict=True) for n in range(count))
    )


def test_an_alarm_on_an_edge_counts_in_the_interval_that_begins_there() -> None:
    edges = ten_minute_edges(0, 3 * INTERVAL_US)
    alarms = raised_at(-1, 0, INTERVAL_US - 1, INTERVAL_US, 2 * INTERVAL_US, 3 * INTERVAL_US)
    assert alarms_between(alarms, edges) == [2, 1, 1]


def test_no_alarms_give_zeros() -> None:
    assert alarms_between([], ten_minute_edges(0, HOUR_US)) == [0] * 6
    assert alarms_per_day([], 0, DAY_US) == 0.0


@pytest.mark.parametrize(("start_us", "end_us"), [(0, 0), (INTERVAL_US, 0), (0, INTERVAL_US + 1)])
def test_part_of_an_interval_is_refused(start_us: int, end_us: int) -> None:
    with pytest.raises(ValueError, match="one or more whole intervals"):
        ten_minute_edges(start_us, end_us)


@pytest.mark.parametrize("edges_us", [[], [0], [0, 0], [0, 2, 1]])
def test_edges_must_rise(edges_us: list[int]) -> None:
    with pytest.raises(ValueError, match="two or more instants in rising order"):
        alarms_between([], edges_us)


def test_the_rate_per_day_is_a_mean_over_24_hours() -> None:
    assert alarms_per_day(raised_at(0, 1, 2), 0, DAY_US // 2) == 6.0
    assert alarms_per_day(raised_at(0, 1, 2, 2 * DAY_US), 0, 2 * DAY_US) == 1.5


def test_a_period_of_no_length_has_no_rate() -> None:
    with pytest.raises(ValueError, match="rising order"):
        alarms_per_day([], 5, 5)


def test_local_days_may_have_25_hours() -> None:
    """The clocks of Dublin went back in the night to 26 October 2025 (IANA time zone data)."""
    zone = ZoneInfo("Europe/Dublin")
    midnights = [int(datetime(2025, 10, day, tzinfo=zone).timestamp()) * SECOND_US for day in (25, 26, 27, 28)]
    assert [end - start for start, end in pairwise(midnights)] == [DAY_US, DAY_US + HOUR_US, DAY_US]
    every_hour = raised_at(*range(midnights[0], midnights[-1], HOUR_US))
    assert alarms_between(every_hour, midnights) == [24, 25, 24]


def test_a_flood_starts_above_ten_and_ends_below_five() -> None:
    """Trade article."""
    assert (FLOOD_STARTS_ABOVE, FLOOD_ENDS_BELOW) == (10, 5)
    assert flood_intervals(VECTOR) == [(2, 6), (7, 8)]


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ([], []),
        ([10, 10, 10], []),  # exactly ten starts none
        ([11], [(0, 1)]),
        ([11, 5, 5], [(0, 3)]),  # exactly five ends none, and the counts end first
        ([11, 4], [(0, 1)]),
        ([11, 0, 11, 0], [(0, 1), (2, 3)]),
        ([4, 11, 10, 4, 5, 9], [(1, 3)]),  # between five and ten goes on, but does not begin
    ],
)
def test_the_bounds_of_a_flood(counts: list[int], expected: list[tuple[int, int]]) -> None:
    """Trade article."""
    assert flood_intervals(counts) == expected


def test_a_flood_is_described_by_its_length_its_alarms_and_its_peak() -> None:
    """Trade article."""
    found = floods(spread(VECTOR), 0, len(VECTOR) * INTERVAL_US)
    assert found == [
        Flood(2 * INTERVAL_US, 6 * INTERVAL_US, alarms=31, peak=11, has_ended=True),
        Flood(7 * INTERVAL_US, 8 * INTERVAL_US, alarms=12, peak=12, has_ended=True),
    ]
    assert [flood.duration_us for flood in found] == [4 * INTERVAL_US, INTERVAL_US]


def test_a_flood_that_the_period_cuts_off_says_so() -> None:
    (flood,) = floods(spread([0, 11, 6]), 0, 3 * INTERVAL_US)
    assert (flood.end_us, flood.has_ended) == (3 * INTERVAL_US, False)


def test_the_fraction_of_time_in_flood() -> None:
    assert fraction_in_flood(VECTOR) == pytest.approx(5 / 9)
    assert fraction_in_flood([]) == 0.0
    assert fraction_in_flood([3, 3]) == 0.0


@given(COUNTS)
def test_floods_hold_every_busy_interval_and_no_quiet_one(counts: list[int]) -> None:
    inside = {index for first, end in flood_intervals(counts) for index in range(first, end)}
    assert {index for index, count in enumerate(counts) if count > 10} <= inside
    assert not {index for index, count in enumerate(counts) if count < 5} & inside
    for first, end in flood_intervals(counts):
        assert counts[first] > 10
        assert end == len(counts) or counts[end] < 5


@given(COUNTS.filter(bool))
def test_activations_and_their_counts_give_the_same_floods(counts: list[int]) -> None:
    activations = spread(counts)
    end_us = len(counts) * INTERVAL_US
    assert alarms_between(activations, ten_minute_edges(0, end_us)) == counts
    found = [(flood.start_us // INTERVAL_US, flood.end_us // INTERVAL_US) for flood in floods(activations, 0, end_us)]
    assert found == flood_intervals(counts)

"""Guide values of alarm load, put through the project's own measures.

The definitions (flood, chattering, fleeting, stale, shares) are checked in `tests/rules/alarm_load`. Here are the
figures that people compare them with, and what the engine's deadband does to them. "Trade article": quoted from an
article about ISA-18.2 or EEMUA 191; neither document was at hand. All are per operator, and the project judges none.
"""

from __future__ import annotations

import pytest

from rules.alarm_load import (
    DAY_US,
    INTERVAL_US,
    Activation,
    alarms_between,
    alarms_per_day,
    chattering,
    flood_intervals,
    floods,
    fraction_in_flood,
    stale,
    ten_minute_edges,
    top_sources,
)
from rules.types import HOUR_US, AlarmEvent, Change
from tests.rules.published.engines import EVERY_US, collector, judged, limit

VECTOR = [2, 10, 11, 9, 6, 5, 4, 12, 3]
WEEK_US = 7 * DAY_US


def evenly(per_day: int) -> list[Activation]:
    """A week of alarms at a steady rate, each from another source and cleared after a minute."""
    step_us = DAY_US // per_day
    return [Activation(n * step_us, n * step_us + 60_000_000, "low", f"dc-{n}") for n in range(7 * per_day)]


@pytest.mark.parametrize(
    ("per_day", "per_ten_minutes", "source"),
    [
        (120, {0, 1}, "EEMUA 191, trade article: about 5 an hour"),
        (144, {1}, "EEMUA 191, trade article: 1 in 10 minutes, manageable"),
        (150, {1, 2}, "ISA-18.2, trade article: acceptable up to 150 a day"),
        (288, {2}, "ISA-18.2, from memory: 12 an hour"),
        (300, {2, 3}, "ISA-18.2, trade article: 300 a day needs action"),
        (1440, {10}, "EEMUA 191, trade article: 10 in 10 minutes; exactly 10 starts no flood by ISA-18.2"),
    ],
)
def test_steady_guide_rates_are_what_they_say_and_no_flood(
    per_day: int, per_ten_minutes: set[int], source: str
) -> None:
    activations = evenly(per_day)
    assert alarms_per_day(activations, 0, WEEK_US) == per_day, source
    assert set(alarms_between(activations, ten_minute_edges(0, WEEK_US))) == per_ten_minutes
    assert floods(activations, 0, WEEK_US) == []


def test_a_flood_is_longer_than_its_intervals_above_ten() -> None:
    """Trade article: starts above 10, ends below 5. Counting only what is above 10 gives two of one interval each."""
    naive = [(index, index + 1) for index, count in enumerate(VECTOR) if count > 10]
    assert naive == [(2, 3), (7, 8)]
    assert flood_intervals(VECTOR) == [(2, 6), (7, 8)]


@pytest.mark.parametrize(("in_flood", "is_within"), [(43, True), (44, False)])
def test_one_percent_of_a_month_in_flood_is_forty_three_intervals(in_flood: int, is_within: bool) -> None:
    """Trade article: less than about 1 % of the time; 30 days have 4,320 intervals."""
    counts = [11] * in_flood + [0] * (30 * DAY_US // INTERVAL_US - in_flood)
    assert (fraction_in_flood(counts) < 0.01) is is_within


def test_stale_alarms_are_counted_at_any_instant_to_be_held_against_fewer_than_five() -> None:
    """24 h: trade article; fewer than five: ISA-18.2, from memory. A day to the hour is not stale."""
    activations = [Activation(n * HOUR_US, None, "low", f"dc-{n}") for n in range(6)]
    assert len(stale(activations, 24 * HOUR_US)) == 0
    assert [len(stale(activations, (24 + hour) * HOUR_US)) for hour in (1, 4, 5)] == [1, 4, 5]


def test_the_share_of_the_ten_busiest_sources_is_one_percent_when_all_are_alike() -> None:
    """ISA-18.2, from memory: the ten busiest together about 1 to 5 % of the load; of 1,000 like sources it is 1 %."""
    alike = [Activation(n, n, "low", f"dc-{n % 1000}") for n in range(3000)]
    assert sum(share.share for share in top_sources(alike)) == pytest.approx(0.01)
    one_bad_actor = [*alike, *(Activation(n, n, "low", "dc-0") for n in range(147))]
    assert sum(share.share for share in top_sources(one_bad_actor)) == pytest.approx(177 / 3147)  # 5.6 %


@pytest.mark.parametrize(("back", "activations", "chatters"), [(6.0, 180, {"dp": 4}), (5.8, 1, {})])
def test_a_signal_around_its_limit_chatters_without_a_deadband_and_not_with_one(
    back: float, activations: int, chatters: dict[str, int]
) -> None:
    """Chattering, two trade articles: 3 activations in 1 minute. An hour of 6.1 and 5.9 in turn, each 10 s.

    Activations 20 s apart are four in a minute that includes both its ends.
    """
    story = [(n * EVERY_US, (6.1, 5.9)[n % 2]) for n in range(361)]
    found = activations_of(judged(collector(limit(back=back, on_us=0)), story))
    assert (len(found), chattering(found)) == (activations, chatters)


def activations_of(events: list[AlarmEvent]) -> list[Activation]:
    cleared = {event.alarm_id: event.at_us for event in events if event.change is Change.CLEARED}
    return [
        Activation(event.at_us, cleared.get(event.alarm_id), event.priority, event.point)
        for event in events
        if event.change is Change.RAISED
    ]

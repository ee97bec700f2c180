"""Chattering, fleeting and stale alarms, the split by priority, and the busiest sources.

"Trade article" beside a check: quoted from a trade article about ISA-18.2; the standard itself was not
at hand.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.alarm_load import (
    CHATTER_ACTIVATIONS,
    CHATTER_US,
    STALE_US,
    Activation,
    Share,
    chattering,
    fleeting,
    priority_split,
    stale,
    top_sources,
)
from rules.types import HOUR_US, MINUTE_US, SECOND_US

DP = "quay/cutting/dc-1/dp/high"
FLOW = "quay/cutting/dc-1/airflow/low"


def activation(
    raised_s: float, cleared_s: float | None, source: str = DP, acknowledged_s: float | None = None
) -> Activation:
    def us(seconds: float) -> int:
        return round(seconds * SECOND_US)

    return Activation(
        us(raised_s),
        None if cleared_s is None else us(cleared_s),
        "high",
        source,
        None if acknowledged_s is None else us(acknowledged_s),
    )


def raised_at(*seconds: float, source: str = DP) -> list[Activation]:
    return [activation(at_s, at_s, source) for at_s in seconds]


def test_an_alarm_cannot_clear_before_it_is_raised() -> None:
    with pytest.raises(ValueError, match="expected not before it was raised"):
        activation(2, 1)


# ---------------------------------------------------------------- chattering


def test_three_activations_within_a_minute_chatter() -> None:
    """Two trade articles."""
    assert (CHATTER_ACTIVATIONS, CHATTER_US) == (3, MINUTE_US)
    assert chattering(raised_at(0, 30, 60)) == {DP: 3}


@pytest.mark.parametrize(
    "activations",
    [
        [],
        raised_at(0, 1),
        raised_at(0, 30, 60.000001),
        raised_at(0, 1) + raised_at(2, source=FLOW),  # each source for itself
    ],
)
def test_less_does_not_chatter(activations: list[Activation]) -> None:
    assert chattering(activations) == {}


def test_the_worst_minute_of_each_source_is_given_worst_first() -> None:
    activations = raised_at(0, 1, 2, 100, 110, 120, 130) + raised_at(5, 3, 1, 2, 4, source=FLOW)
    assert list(chattering(activations).items()) == [(FLOW, 5), (DP, 4)]


def test_equals_chatter_in_the_order_of_their_names() -> None:
    assert list(chattering(raised_at(0, 1, 2) + raised_at(0, 1, 2, source=FLOW))) == sorted([DP, FLOW])


@given(st.lists(st.integers(0, 300), max_size=30))
def test_chattering_is_the_most_that_any_minute_holds(instants_s: list[int]) -> None:
    most = max((sum(at <= other <= at + 60 for other in instants_s) for at in instants_s), default=0)
    assert chattering(raised_at(*instants_s)) == ({DP: most} if most >= 3 else {})


# ---------------------------------------------------------------- fleeting


@pytest.mark.parametrize(
    ("candidate", "is_fleeting"),
    [
        (activation(0, 9.999999), True),
        (activation(0, 10), False),  # not shorter than the bound
        (activation(0, None), False),  # still active
        (activation(0, 5, acknowledged_s=4), False),  # somebody acted on it
        (activation(0, 5, acknowledged_s=5), False),
        (activation(0, 5, acknowledged_s=6), True),  # nobody could act any more
    ],
)
def test_fleeting_is_short_and_not_acted_upon(candidate: Activation, is_fleeting: bool) -> None:
    """Trade article."""
    assert (fleeting([candidate], 10 * SECOND_US) == [candidate]) is is_fleeting


def test_what_repeats_at_once_chatters_and_is_not_fleeting() -> None:
    """Trade article: a fleeting alarm does not repeat."""
    alone, chatter = activation(1000, 1001), raised_at(0, 20, 40, 70)
    assert fleeting([*chatter, alone], 10 * SECOND_US) == [alone]


def test_another_source_that_chatters_does_not_matter() -> None:
    alone = activation(20, 21, FLOW)
    assert fleeting([*raised_at(0, 20, 40), alone], 10 * SECOND_US) == [alone]


# ---------------------------------------------------------------- stale


@pytest.mark.parametrize(
    ("cleared_us", "now_us", "is_stale"),
    [
        (None, 24 * HOUR_US, False),  # 24 hours are not more than 24 hours
        (None, 24 * HOUR_US + 1, True),
        (30 * HOUR_US, 29 * HOUR_US, True),  # it cleared later
        (30 * HOUR_US, 30 * HOUR_US, False),
        (None, -1, False),  # not raised yet
    ],
)
def test_stale_is_active_for_more_than_24_hours(cleared_us: int | None, now_us: int, is_stale: bool) -> None:
    """Trade article."""
    assert STALE_US == 24 * HOUR_US
    candidate = Activation(0, cleared_us, "high", DP)
    assert (stale([candidate], now_us) == [candidate]) is is_stale


def test_alarms_that_return_are_not_stale_together() -> None:
    """Continuously active: two halves of a day and more, with a return between them, are not."""
    halves = [Activation(0, 13 * HOUR_US, "low", DP), Activation(14 * HOUR_US, None, "low", DP)]
    assert stale(halves, 27 * HOUR_US) == []


# ---------------------------------------------------------------- distribution


def test_the_split_by_priority_is_in_parts_of_all() -> None:
    """The usual aim is about 80 % low, 15 % medium, 5 % high (trade article about EEMUA 191 and ISA-18.2)."""
    priorities = ["low"] * 16 + ["medium"] * 3 + ["high"]
    split = priority_split(Activation(0, None, priority, DP) for priority in priorities)
    assert split == {"low": 0.8, "medium": 0.15, "high": 0.05}


def test_nothing_splits_into_nothing() -> None:
    assert priority_split([]) == {}
    assert top_sources([]) == []


def test_the_busiest_sources_come_first_with_their_share_of_all() -> None:
    activations = raised_at(1, 2, 3, source="b") + raised_at(1, source="a") + raised_at(1, source="c")
    assert top_sources(activations) == [Share("b", 3, 0.6), Share("a", 1, 0.2), Share("c", 1, 0.2)]
    assert top_sources(activations, most=1) == [Share("b", 3, 0.6)]


def test_ten_sources_are_listed_and_shares_count_the_rest_too() -> None:
    activations = [item for n in range(12) for item in raised_at(*range(n + 1), source=f"dc-{n:02}")]
    listed = top_sources(activations)
    assert [share.source for share in listed] == [f"dc-{n:02}" for n in range(11, 1, -1)]
    assert sum(share.share for share in listed) == pytest.approx((78 - 3) / 78)

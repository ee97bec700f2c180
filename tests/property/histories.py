"""Histories as hypothesis draws them: irregular, gappy, noisy, with boundary values and times on purpose."""

from __future__ import annotations

from typing import NamedTuple

from hypothesis import strategies as st

from rules.types import CollectorSpec, Limit, PointSpec, Reading, RunningRule, Tier

S = 1_000_000
HOLD_US = 3 * S
VALUES = st.sampled_from([0.0, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 4.5, 5.0, 5.5, 6.0, 6.5, 7.0, 7.5, 8.0])
STEPS_US = st.sampled_from([1, S // 2, S, S, S, 2 * S, HOLD_US - 1, HOLD_US, HOLD_US + 1, 7 * S, 30 * S])
DELAYS_US = st.sampled_from([0, 0, 1, S, 2 * S, HOLD_US, 5 * S, 9 * S])


class Item(NamedTuple):
    """One reading in a history, of one point."""

    point: str
    reading: Reading


@st.composite
def specs(draw: st.DrawFn, name: str = "c") -> CollectorSpec:
    """A collector with two judged points and, mostly, a running rule on a third (or on the first)."""
    running_on = draw(st.sampled_from(["fan", "fan", "fan", "dp", None]))
    rule = None
    if running_on is not None:
        forget_us = draw(st.sampled_from([2 * S, 8 * S, 60 * S]))
        rule = RunningRule(running_on, 4.0, draw(st.sampled_from([2.0, 4.0])), draw(DELAYS_US), forget_us)
    points = (
        PointSpec("dp", HOLD_US, draw(_limits()), draw(st.booleans())),
        PointSpec("header", draw(st.sampled_from([HOLD_US, 20 * S])), draw(_limits())),
        PointSpec("fan", HOLD_US, always=True),
    )
    return CollectorSpec(name, points, rule)


@st.composite
def _limits(draw: st.DrawFn) -> tuple[Limit, ...]:
    tiers = draw(st.lists(st.sampled_from(list(Tier)), unique=True, max_size=4))
    at = {Tier.LOW_LOW: 1.5, Tier.LOW: 2.5, Tier.HIGH: 5.5, Tier.HIGH_HIGH: 6.5}
    made = []
    for tier in tiers:
        deadband = draw(st.sampled_from([0.0, 0.5, 1.0]))
        back = at[tier] - deadband if tier.is_high else at[tier] + deadband
        made.append(Limit(tier, at[tier], back, draw(DELAYS_US), draw(DELAYS_US)))
    return tuple(made)


@st.composite
def histories(draw: st.DrawFn, most: int = 40) -> list[Item]:
    """Readings in event-time order; at one instant the fan goes first. Some are bad, some come twice."""
    at_us = 1_000 * S
    items: list[Item] = []
    for _ in range(draw(st.integers(0, most))):
        at_us += draw(STEPS_US)
        names = draw(st.sampled_from([("dp",), ("fan",), ("fan", "dp"), ("fan", "dp", "header"), ("dp", "header")]))
        for point in names:
            good = draw(st.integers(0, 9)) > 0
            item = Item(point, Reading(at_us, draw(VALUES), good))
            items += [item] * (2 if draw(st.integers(0, 12)) == 0 else 1)
    return items

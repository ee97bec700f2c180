"""Histories made by chance: irregular, gappy, noisy, sent twice or late, with boundary values and times on purpose.

Owns the one generator: plain functions that ask `choose` for every decision. Hypothesis decides in `specs` and
`histories`, so that it can shrink; `random.Random(seed).choice` decides in a soak, so that a number repeats it.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import permutations, product
from typing import NamedTuple, Protocol, TypeVar

from hypothesis import strategies as st

from rules.types import CollectorSpec, Limit, PointSpec, Reading, RunningRule, Tier

T = TypeVar("T")

S = 1_000_000
HOLD_US = 3 * S
START_US = 1_000 * S
VALUES = (0.0, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 4.5, 5.0, 5.5, 6.0, 6.5, 7.0, 7.5, 8.0)
AS_BEFORE = None  # the point's last value once more, so that an excursion lasts
STEPS_US = (1, S // 2, S, S, S, 2 * S, HOLD_US - 1, HOLD_US, HOLD_US + 1, 7 * S, 30 * S)
DELAYS_US = (0, 0, 1, S, 2 * S, HOLD_US, 5 * S, 9 * S)
TOGETHER = (("dp",), ("fan",), ("fan", "dp"), ("fan", "dp", "header"), ("dp", "header"))  # at one instant, fan first
AT = {Tier.LOW_LOW: 1.5, Tier.LOW: 2.5, Tier.HIGH: 5.5, Tier.HIGH_HIGH: 6.5}
LATER_BY_US = (0, 0, 0, 1, -1, S // 2, -S, -40 * S)  # where a late reading lies, beside one that came before

# One choice instead of several: each of these stands for independent ones, the plainest first.
ONCE, TWICE, AND_LATE = range(3)
MOMENTS = tuple(product(STEPS_US, TOGETHER))
TAKEN = tuple(
    product((*VALUES, *[AS_BEFORE] * len(VALUES)), (*[True] * 9, False), (*[ONCE] * 11, TWICE, AND_LATE))
)  # value, good, how it comes
LIMITED = (
    *[()] * 4,
    *[(tier,) for tier in Tier] * 4,
    *[*permutations(Tier, 2)] * 2,
    *[*permutations(Tier, 3)][::2],
    *[*permutations(Tier, 4)][::3],
)  # in any order, about two; every limit costs each evaluator its time
NUMBERS = tuple(product((0.0, 0.5, 1.0), DELAYS_US, DELAYS_US))  # deadband, on-delay, off-delay
RULES = tuple(
    product(("fan", "fan", "fan", "dp"), (2.0, 4.0), DELAYS_US, (2 * S, 8 * S, 60 * S))
)  # point, off, settle, forget


class Choose(Protocol):
    """One of the options; by chance, or as a search for a small example wants it."""

    def __call__(self, options: Sequence[T], /) -> T: ...


class Item(NamedTuple):
    """One reading in a history, of one point."""

    point: str
    reading: Reading


def spec(choose: Choose, name: str = "c") -> CollectorSpec:
    """A collector with two points that mostly have limits and, mostly, a running rule on a third (or on the first)."""
    rule = None
    if choose((True, True, True, True, False)):
        point, off, settle_us, forget_us = choose(RULES)
        rule = RunningRule(point, 4.0, off, settle_us, forget_us)
    points = (
        PointSpec("dp", HOLD_US, _limits(choose), choose((False, True))),
        PointSpec("header", choose((HOLD_US, 20 * S)), _limits(choose)),
        PointSpec("fan", HOLD_US, always=True),
    )
    return CollectorSpec(name, points, rule)


def _limits(choose: Choose) -> tuple[Limit, ...]:
    made = []
    for tier in choose(LIMITED):
        deadband, on_us, off_us = choose(NUMBERS)
        back = AT[tier] - deadband if tier.is_high else AT[tier] + deadband
        made.append(Limit(tier, AT[tier], back, on_us, off_us))
    return tuple(made)


def history(choose: Choose, most: int = 40, *, late: bool = False) -> list[Item]:
    """Readings at up to `most` instants in event-time order. Some are bad, some come twice.

    With `late`, some are followed by one at or before the last instant of their point: none of these is news
    (semantics section 6), whatever it says. One at an instant that its point had no reading at must not be put
    in order within a batch that began before: `tests.property.evaluators.late_at` says where they are.
    """
    at_us, items = START_US, list[Item]()
    before: dict[str, float] = {}
    instants: dict[str, list[int]] = {}
    for _ in range(choose(range(most + 1))):
        step_us, names = choose(MOMENTS)
        at_us += step_us
        for point in names:
            value, good, comes = choose(TAKEN)
            before[point] = before.get(point, 0.0) if value is None else value
            item = Item(point, Reading(at_us, before[point], good))
            instants.setdefault(point, []).append(at_us)
            items.append(item)
            if comes == AND_LATE and late:
                items.append(_late(choose, point, instants[point]))
            elif comes != ONCE:
                items.append(item)
    return items


def _late(choose: Choose, point: str, instants: Sequence[int]) -> Item:
    """Another reading of the point, no later than its last."""
    at_us = min(choose(instants) + choose(LATER_BY_US), instants[-1])
    value, good, _ = choose(TAKEN)
    return Item(point, Reading(at_us, VALUES[0] if value is None else value, good))


@st.composite
def specs(draw: st.DrawFn, name: str = "c") -> CollectorSpec:
    """As `spec`, as hypothesis chooses."""
    return spec(_chooser(draw), name)


@st.composite
def histories(draw: st.DrawFn, most: int = 40, *, late: bool = False) -> list[Item]:
    """As `history`, as hypothesis chooses."""
    return history(_chooser(draw), most, late=late)


def _chooser(draw: st.DrawFn) -> Choose:
    def choose(options: Sequence[T], /) -> T:
        return options[draw(_places_in(len(options)))]

    return choose


@lru_cache(maxsize=1024)
def _places_in(size: int) -> st.SearchStrategy[int]:
    """Places in a sequence; made once per size, for making a strategy costs more than drawing from it."""
    return st.sampled_from(range(size))

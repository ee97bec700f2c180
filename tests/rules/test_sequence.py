"""Gaps in a gateway's numbers: exactly what was lost between first and last, whatever the order, and nothing else."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.sequence import (
    FAR,
    HOLD_AT_MOST_US,
    LEAP,
    RANGES_AT_MOST,
    RUNS_AT_MOST,
    SETTLE_US,
    Change,
    Tracker,
    due,
    has_unreported,
    joined,
    take,
)
from rules.types import MINUTE_US, SECOND_US

S = SECOND_US
SPENT_US = HOLD_AT_MOST_US + SETTLE_US


@dataclass
class Followed:
    """A tracker and what it has said so far. `missing` counts each number, so that one reported twice shows."""

    tracker: Tracker = field(default_factory=Tracker)
    now_us: int = 0
    missing: Counter[tuple[str | None, int]] = field(default_factory=Counter)

    def hear(self, *numbers: int, boot: str | None = "b", measured_s: int | None = None, step_us: int = 0) -> None:
        for seq in numbers:
            self.now_us += step_us
            self._note(take(self.tracker, boot, seq, None if measured_s is None else measured_s * S, self.now_us))

    def wait(self, span_us: int, heard_since_us: int = 0) -> None:
        self.now_us += span_us
        self._note(due(self.tracker, self.now_us, heard_since_us))

    def _note(self, changes: list[Change]) -> None:
        for one in changes:
            numbers = [(one.boot, seq) for seq in range(one.first, one.last + 1)]
            if one.is_filled:
                self.missing.subtract(numbers)
            else:
                self.missing.update(numbers)

    def numbers(self, boot: str | None = "b") -> list[int]:
        assert set(self.missing.values()) <= {0, 1}
        assert self.tracker.absent == self.missing.total()
        return sorted(seq for (of, seq), count in self.missing.items() if of == boot and count)


def after_settling(*numbers: int) -> list[int]:
    followed = Followed()
    followed.hear(*numbers)
    followed.wait(SPENT_US)
    return followed.numbers()


@pytest.mark.parametrize(
    ("heard", "missing"),
    [
        ([], []),
        ([7], []),
        ([7, 8, 9], []),
        ([0, 3], [1, 2]),
        ([1, 3, 5], [2, 4]),
        ([9, 8, 7], []),  # newest first
        ([9, 5], [6, 7, 8]),
        ([5, 9, 8, 7, 6], []),
        ([5, 9, 6, 8], [7]),
        ([5, 9, 6], [7, 8]),
        ([5, 9, 8], [6, 7]),
        ([5, 9, 7], [6, 8]),
        ([5, 9, 5, 9, 9, 5], [6, 7, 8]),  # sent twice
        ([5, 9, 7, 7, 7], [6, 8]),
        ([20, 21, 10, 22, 11, 23, 12], [13, 14, 15, 16, 17, 18, 19]),  # stored between live ones, oldest first
        ([20, 21, 12, 22, 11, 23, 10], [13, 14, 15, 16, 17, 18, 19]),  # and newest first
    ],
)
def test_missing_is_what_lies_between_and_has_not_come(heard: list[int], missing: list[int]) -> None:
    assert after_settling(*heard) == missing


@st.composite
def losses(draw: st.DrawFn) -> tuple[list[tuple[str, int]], set[tuple[str, int]]]:
    """(What arrives in order of arrival, what is lost): several boots, any loss, any order, any number of times."""
    sent: list[tuple[str, int]] = []
    for boot in draw(st.lists(st.sampled_from(["a", "b", "c"]), min_size=1, max_size=3, unique=True)):
        first = draw(st.integers(0, 2**63 - 1000))
        sent += [(boot, seq) for seq in range(first, first + draw(st.integers(1, 40)))]
    lost = set(draw(st.lists(st.sampled_from(sent), max_size=len(sent))))
    came = [each for each in sent if each not in lost]
    if came:
        came = draw(st.permutations(came + draw(st.lists(st.sampled_from(came), max_size=20))))
    return came, lost


@given(losses(), st.data())
def test_whatever_the_order_and_however_often_exactly_the_lost_ones_are_reported(
    story: tuple[list[tuple[str, int]], set[tuple[str, int]]], data: st.DataObject
) -> None:
    """Time passes by any steps between messages, so ranges are also reported early and filled afterwards."""
    came, lost = story
    followed = Followed()
    has_times = data.draw(st.booleans())
    for boot, seq in came:
        measured_s = "abc".index(boot) * 1_000_000 + seq % 1000 if has_times else None
        followed.hear(seq, boot=boot, measured_s=measured_s)
        followed.wait(data.draw(st.sampled_from([0, 0, S, SETTLE_US // 2, SETTLE_US, 20 * MINUTE_US])))
    followed.wait(SPENT_US)
    for boot in "abc":
        seen = [seq for of, seq in came if of == boot]
        between = [seq for of, seq in lost if of == boot and min(seen, default=0) < seq < max(seen, default=0)]
        assert followed.numbers(boot) == sorted(between)
    assert not has_unreported(followed.tracker)


# ---------------------------------------------------------------- when


def test_a_range_is_reported_once_it_has_been_open_for_the_settling_time() -> None:
    followed = Followed()
    followed.hear(1, 5)
    assert has_unreported(followed.tracker)
    followed.wait(SETTLE_US - 1)
    assert followed.numbers() == []
    followed.wait(1)
    assert followed.numbers() == [2, 3, 4]
    assert not has_unreported(followed.tracker)
    followed.wait(SPENT_US)
    assert followed.numbers() == [2, 3, 4]  # once


def test_the_settling_time_begins_anew_when_the_broker_was_not_heard() -> None:
    followed = Followed()
    followed.hear(1, 5)
    followed.wait(3 * SETTLE_US, heard_since_us=2 * SETTLE_US + 1)
    assert followed.numbers() == []
    followed.wait(1, heard_since_us=2 * SETTLE_US + 1)
    assert followed.numbers() == [2, 3, 4]


@pytest.mark.parametrize("newest_first", [True, False])
def test_a_long_burst_is_not_reported_while_it_comes_nor_is_what_else_is_missing(newest_first: bool) -> None:
    """Half an hour of stored data at one message a second; an older range of one number waits for its end."""
    followed = Followed()
    followed.hear(0, 2, 2000)
    burst = range(3, 1990)
    for seq in reversed(burst) if newest_first else burst:
        followed.hear(seq, step_us=S)
        followed.wait(0)
        assert followed.numbers() == []
    followed.wait(SETTLE_US - 1)
    assert followed.numbers() == []
    followed.wait(1)
    assert followed.numbers() == [1, *range(1990, 2000)]


def test_reordered_live_messages_hold_nothing_back() -> None:
    followed = Followed()
    followed.hear(0, 2)
    for seq in range(4, 400, 2):
        followed.hear(seq, seq - 1, step_us=S)
        followed.wait(0)
    assert followed.numbers() == [1]


def test_a_gateway_that_is_always_behind_is_reported_all_the_same() -> None:
    followed = Followed()
    followed.hear(0, 2, 10_000)
    for seq in range(3, 3 + HOLD_AT_MOST_US // MINUTE_US):
        followed.hear(seq, step_us=MINUTE_US)
        followed.wait(0)
        assert followed.numbers() == ([] if followed.now_us < HOLD_AT_MOST_US else [1])
    assert followed.numbers() == [1]


def test_what_comes_after_its_report_is_filled_number_by_number() -> None:
    followed = Followed()
    followed.hear(1, 9)
    followed.wait(SETTLE_US)
    followed.hear(5)
    assert followed.numbers() == [2, 3, 4, 6, 7, 8]
    followed.wait(SPENT_US)
    followed.hear(2, 8, 5)
    assert followed.numbers() == [3, 4, 6, 7]
    followed.hear(3, 4, 6, 7)
    assert followed.numbers() == []


# ---------------------------------------------------------------- boots and restarts of the counter


def test_a_boot_begins_anew_and_nothing_is_said_of_what_is_between_two_boots() -> None:
    followed = Followed()
    followed.hear(1, 2, 4, boot="a")
    followed.hear(700, 702, boot="b")
    followed.wait(SPENT_US)
    assert (followed.numbers("a"), followed.numbers("b")) == ([3], [701])


def test_a_boot_that_is_heard_again_goes_on_in_its_own_numbers() -> None:
    followed = Followed()
    followed.hear(1, 2, boot="a")
    for seq in range(1, 5):
        followed.hear(seq, boot="b")
        followed.hear(seq + 3, boot="a")
    followed.wait(SPENT_US)
    assert (followed.numbers("a"), followed.numbers("b")) == ([3], [])


def reset(after: int, *then: int, measured_s: int = 1000) -> list[int]:
    """Numbers 1 to `after` measured at their second, then others that were measured from `measured_s` on."""
    followed = Followed()
    for seq in range(1, after + 1):
        followed.hear(seq, boot=None, measured_s=seq)
    for n, seq in enumerate(then):
        followed.hear(seq, boot=None, measured_s=measured_s + n)
    followed.wait(SPENT_US)
    return followed.numbers(None)


@pytest.mark.parametrize(
    ("after", "then", "measured_s", "missing"),
    [
        (150, (0, 1, 3), 1000, [2]),  # far below and measured later: it counts anew
        (101, (1, 3), 1000, [2]),
        (100, (1, 3), 1000, []),  # not far enough below: seen as sent again
        (150, (0, 1, 3), 0, []),  # measured before: sent again
        (150, (2, 9, 5), 2, []),
        (150, (1, 140, 142), 1000, [*range(2, 140), 141]),  # numbers that the run before had are new in this one
    ],
)
def test_a_counter_that_begins_anew_within_a_boot(
    after: int, then: tuple[int, ...], measured_s: int, missing: list[int]
) -> None:
    assert reset(after, *then, measured_s=measured_s) == missing


def test_stored_messages_from_before_a_restart_of_the_counter_go_to_the_numbers_of_then() -> None:
    followed = Followed()
    for seq in (*range(1, 200), 203):
        followed.hear(seq, boot=None, measured_s=seq)
    followed.hear(0, 1, boot=None, measured_s=1000)
    for seq in (201, 200, 50):
        followed.hear(seq, boot=None, measured_s=seq)
    followed.hear(2, boot=None, measured_s=1001)
    followed.wait(SPENT_US)
    assert followed.numbers(None) == [202]


def test_messages_without_a_time_of_measurement_do_not_begin_anew() -> None:
    followed = Followed()
    for seq in range(1, FAR + 50):
        followed.hear(seq, measured_s=seq)
    followed.hear(1, 3, measured_s=None)
    assert len(followed.tracker.runs) == 1
    without = Followed()
    without.hear(1, FAR + 50)
    without.hear(1, measured_s=5)
    assert len(without.tracker.runs) == 1


def test_a_missing_number_is_filled_even_where_clocks_say_that_it_was_measured_later() -> None:
    """A gateway's clock that was set back must not turn its stored data into a new count."""
    followed = Followed()
    followed.hear(1, 500, measured_s=100)
    followed.hear(20, measured_s=3000)
    followed.wait(SPENT_US)
    assert 20 not in followed.numbers()
    assert len(followed.tracker.runs) == 1


@pytest.mark.parametrize("seq", [3 * LEAP, 2**63 - 1])
def test_a_leap_is_no_loss_and_neither_is_the_way_back(seq: int) -> None:
    followed = Followed()
    followed.hear(9, 10, seq, 11, 13)
    followed.wait(SPENT_US)
    assert followed.numbers() == [12]
    assert len(followed.tracker.runs) == 3


def test_a_jump_within_the_leap_is_a_loss_on_both_sides() -> None:
    followed = Followed()
    followed.hear(LEAP, 2 * LEAP, 0)
    assert len(followed.tracker.runs) == 1
    found = due(followed.tracker, SPENT_US, 0)
    assert [(one.first, one.last) for one in found] == [(1, LEAP - 1), (LEAP + 1, 2 * LEAP - 1)]
    assert followed.tracker.absent == 2 * LEAP - 2


# ---------------------------------------------------------------- bounds


def test_boots_without_end_take_no_memory_without_end_and_lose_no_report() -> None:
    followed = Followed()
    for n in range(1000):
        followed.hear(1, 3, boot=f"b{n}")
        assert len(followed.tracker.runs) <= RUNS_AT_MOST
    assert followed.missing.total() == 1000 - RUNS_AT_MOST  # the forgotten ones are reported at once
    followed.wait(SETTLE_US)
    assert followed.missing == Counter({(f"b{n}", 2): 1 for n in range(1000)})


def test_the_run_that_was_not_heard_for_longest_is_forgotten() -> None:
    followed = Followed()
    for n in range(RUNS_AT_MOST):
        followed.hear(1, boot=f"b{n}")
    followed.hear(2, boot="b0")
    followed.hear(1, boot="another")
    kept = {run.boot for run in followed.tracker.runs}
    assert "b0" in kept
    assert "b1" not in kept
    followed.hear(4, boot="b0")
    followed.wait(SETTLE_US)
    assert followed.numbers("b0") == [3]


def test_ranges_without_end_take_no_memory_without_end_and_all_are_reported() -> None:
    followed = Followed()
    for n in range(1000):
        followed.hear(2 * n)
        assert sum(len(run.missing) for run in followed.tracker.runs) <= RANGES_AT_MOST
    assert followed.missing.total() == 999 - RANGES_AT_MOST
    followed.wait(SETTLE_US)
    assert followed.numbers() == list(range(1, 1998, 2))


def test_ranges_that_were_reported_already_are_forgotten_first() -> None:
    followed = Followed()
    followed.hear(0, 2, 4)
    followed.wait(SETTLE_US)
    followed.hear(*range(100, 100 + 2 * (RANGES_AT_MOST - 1), 2))
    assert followed.numbers() == [1, 3]  # one of them was forgotten, and nothing had to be reported early
    followed.hear(1, 3)
    assert followed.numbers() == [1]  # what is forgotten stays on record as missing


@given(st.lists(st.tuples(st.sampled_from("abcdefghijklmnopqrstuvwxyz"), st.integers(0, 2000)), max_size=60))
def test_the_bounds_hold_and_no_number_is_reported_that_came(heard: list[tuple[str, int]]) -> None:
    """With few boots nothing is forgotten, and then what came is never among the missing."""
    followed = Followed()
    for boot, seq in heard:
        followed.hear(seq, boot=boot, step_us=S)
        followed.wait(0)
    assert len(followed.tracker.runs) <= RUNS_AT_MOST
    followed.wait(SPENT_US)
    if len({boot for boot, _ in heard}) <= RUNS_AT_MOST:
        assert not set(heard) & set(+followed.missing)


# ---------------------------------------------------------------- putting together


def test_numbers_that_follow_one_another_are_told_as_one_filled_ones_first() -> None:
    changes = [
        Change("b", 1, 30, 39),
        Change("b", 1, 7, 7, is_filled=True),
        Change("b", 1, 5, 5, is_filled=True),
        Change("a", 2, 8, 8, is_filled=True),
        Change("b", 1, 6, 6, is_filled=True),
    ]
    assert joined(changes) == [
        Change("b", 1, 5, 7, is_filled=True),
        Change("a", 2, 8, 8, is_filled=True),
        Change("b", 1, 30, 39),
    ]

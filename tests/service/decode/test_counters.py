"""Totals over starts and wraps, whatever comes late, again, or from the future; and what is remembered of them."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.decode import counters as module
from service.decode.counters import Counters
from service.model import BadInput

LATEST_US = 10_000
WRAPS = 65_536.0


def count(made: Counters, raw: float, at_us: int, wraps_at: float | None = None) -> float:
    return made.total("A/n", raw, at_us, wraps_at=wraps_at, latest_us=LATEST_US)


def counted(raws: list[float], wraps_at: float | None = None) -> list[float]:
    made = Counters()
    return [count(made, raw, at_us, wraps_at) for at_us, raw in enumerate(raws, 1)]


@pytest.mark.parametrize(
    ("wraps_at", "raws", "totals"),
    [
        (None, [10, 12, 12, 20], [10, 12, 12, 20]),
        (None, [10, 3, 5], [10, 13, 15]),  # it began anew: what it shows has been counted since
        (None, [10, 0, 0, 4], [10, 10, 10, 14]),
        (WRAPS, [65_530, 4], [65_530, 65_540]),
        (WRAPS, [100, 0, 5], [100, 100, 105]),  # far from its end: it was not the wrap
        (WRAPS, [65_000, 30_000], [65_000, 95_000]),  # far from nought: likewise
        (WRAPS, [49_152, 16_383], [49_152, 81_919]),
    ],
)
def test_it_counts_on_over_starts_and_wraps(wraps_at: float | None, raws: list[float], totals: list[float]) -> None:
    assert counted(raws, wraps_at) == totals


@pytest.mark.parametrize("raw", [WRAPS, 70_000.0, -1.0])
def test_what_a_counter_cannot_show_is_refused_and_not_remembered(raw: float) -> None:
    made = Counters()
    count(made, 65_000, 1, WRAPS)
    with pytest.raises(BadInput, match="less than wraps_at, 65536"):
        count(made, raw, 2, WRAPS)
    assert count(made, 65_001, 3, WRAPS) == 65_001


def test_a_total_that_no_longer_counts_ones_is_refused_and_not_remembered() -> None:
    made = Counters()
    with pytest.raises(BadInput, match=r"expected 0 to 2\*\*53"):
        count(made, 1.7e308, 1)
    assert [count(made, raw, at_us) for at_us, raw in [(2, 9e15), (3, 0.0)]] == [9e15, 9e15]
    with pytest.raises(BadInput, match="set highest for its tag"):
        count(made, 8e15, 4)
    assert count(made, 1.0, 5) == 9e15 + 1


def test_late_readings_and_those_that_come_again_have_the_totals_of_their_order() -> None:
    made = Counters()
    assert [count(made, raw, at_us) for raw, at_us in [(50, 1), (60, 3), (5, 5), (8, 7)]] == [50, 60, 65, 68]
    assert [count(made, raw, at_us) for raw, at_us in [(50, 1), (55, 2), (60, 3), (5, 5), (6, 6), (8, 7)]] == [
        50, 55, 60, 65, 66, 68,
    ]  # fmt: skip
    with pytest.raises(BadInput, match="which count it belongs to"):
        count(made, 61, 4)  # before or after the start? nobody knows
    assert count(made, 9, 8) == 69


@given(st.lists(st.integers(0, 50), min_size=1, max_size=30), st.randoms(use_true_random=False))
def test_all_of_it_again_in_any_order_changes_nothing(steps: list[int], random: object) -> None:
    raw, raws = 0, []
    for step in steps:
        raw = step if step > 40 else raw + step  # now and then it begins anew
        raws.append((float(raw), len(raws) + 1))
    made = Counters()
    starts = sum(later[0] < former[0] for former, later in pairwise(raws))
    totals = {at_us: count(made, value, at_us) for value, at_us in raws}
    made.changed()
    again = list(raws)
    random.shuffle(again)  # type: ignore[attr-defined]  # it is a random.Random
    for value, at_us in again:
        try:
            assert count(made, value, at_us) == totals[at_us]
        except BadInput:
            assert starts > module.RUNS_AT_MOST
    assert made.changed() == {}


def test_a_reading_of_the_future_is_counted_and_not_remembered() -> None:
    made = Counters()
    assert count(made, 100, 1) == 100
    assert count(made, 101, LATEST_US + 1) == 101
    assert [count(made, raw, at_us) for raw, at_us in [(150, 2), (200, 3)]] == [150, 200]
    assert count(Counters(), 7, LATEST_US + 1) == 7


@given(st.lists(st.integers(0, 50), min_size=1, max_size=30), st.data())
def test_saved_and_loaded_anywhere_it_counts_the_same(steps: list[int], data: st.DataObject) -> None:
    cut = data.draw(st.integers(0, len(steps)))
    whole, first, second = Counters(), Counters(), Counters()
    raw = 0
    for n, step in enumerate(steps, 1):
        raw = step if step > 40 else raw + step
        if n == cut:
            second.load(first.changed())
        assert count(first if n < cut else second, float(raw), n) == count(whole, float(raw), n) or cut == 0


def test_only_what_changed_is_saved() -> None:
    made = Counters()
    count(made, 1.0, 1)
    assert set(made.changed()) == {"A/n"}
    count(made, 1.0, 1)
    assert made.changed() == {}


@pytest.mark.parametrize("body", [b"", b"{", b'{"last":null,"total":null,"at_us":1}'])
def test_a_memory_that_cannot_be_read_keeps_nothing_from_starting(body: bytes) -> None:
    made = Counters()
    made.load({"A/n": body})
    assert count(made, 4.0, 1) == 4.0


def test_more_counters_than_are_remembered_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "COUNTERS_AT_MOST", 1)
    made = Counters()
    count(made, 1.0, 1)
    with pytest.raises(BadInput, match="more than 1 counters"):
        made.total("B/n", 1.0, 1, wraps_at=None, latest_us=LATEST_US)

"""The running rule: hysteresis, settling, gaps, bad quality, the bounds of what is remembered (semantics section 3)."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.running import SPANS_AT_MOST, Stretch, Timeline, horizon_us, observe, prune, stretches
from rules.types import HOUR_US, MINUTE_US, Reading, RunningRule, RunState

M = MINUTE_US
HOLD_US = 15 * M
RULE = RunningRule("airflow", on=4000.0, off=2000.0, settle_us=5 * M, forget_after_us=8 * HOUR_US)
RUNNING, STOPPED, UNKNOWN = RunState.RUNNING, RunState.STOPPED, RunState.UNKNOWN
Row = tuple[int, float | None]  # minute and value, None for a bad reading


def timeline_of(rows: list[Row], rule: RunningRule = RULE) -> Timeline:
    timeline = Timeline()
    for minute, value in rows:
        observe(rule, timeline, Reading(minute * M, value or 0.0, value is not None), HOLD_US)
    return timeline


def cut(rows: list[Row], start_min: int, end_min: int, rule: RunningRule = RULE) -> list[tuple[float, float, str]]:
    """(from, to, what) in minutes, `what` being armed, settling, stopped or unknown."""
    return [
        (part.start_us / M, part.end_us / M, name(part))
        for part in stretches(rule, timeline_of(rows, rule), start_min * M, end_min * M)
    ]


def name(part: Stretch) -> str:
    if part.armed:
        return "armed"
    return "settling" if part.state is RUNNING else part.state.value


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([4000.1], RUNNING),
        ([4000.0], STOPPED),  # equal to on is not above it
        ([5000, 4000.0], RUNNING),
        ([5000, 2000.1], RUNNING),
        ([5000, 2000.0], STOPPED),  # at off it has stopped
        ([0, 3999], STOPPED),
        ([0, 4001], RUNNING),
        ([5000, 0, 3000], STOPPED),  # between the thresholds it stays what it was
        ([5000, None], UNKNOWN),
        ([5000, None, 3000], RUNNING),  # hysteresis survives a bad reading
    ],
)
def test_it_runs_above_on_and_has_stopped_at_off(values: list[float | None], expected: RunState) -> None:
    rows: list[Row] = list(enumerate(values))
    assert timeline_of(rows).state_at(rows[-1][0] * M) is expected


@pytest.mark.parametrize(
    ("minute", "expected"),
    [(-1, UNKNOWN), (0, RUNNING), (9, RUNNING), (10, STOPPED), (24, STOPPED), (25, UNKNOWN), (1000, UNKNOWN)],
)
def test_before_the_first_reading_and_after_the_last_has_expired_nobody_knows(minute: int, expected: RunState) -> None:
    assert timeline_of([(0, 5000), (10, 0)]).state_at(minute * M) is expected


def test_without_readings_it_is_unknown_whether_it_runs() -> None:
    assert Timeline().state_at(0) is UNKNOWN
    assert cut([], 0, 10) == [(0, 10, "unknown")]


@pytest.mark.parametrize(
    ("rows", "span", "expected"),
    [
        # armed from settle after running began
        ([(0, 5000), (10, 5000)], (0, 25), [(0, 5, "settling"), (5, 25, "armed")]),
        ([(0, 5000), (10, 5000)], (5, 25), [(5, 25, "armed")]),
        ([(0, 5000), (10, 5000)], (2, 4), [(2, 4, "settling")]),
        # a stop disarms at once, a restart settles again
        (
            [(0, 5000), (10, 0), (20, 5000)],
            (0, 30),
            [(0, 5, "settling"), (5, 10, "armed"), (10, 20, "stopped"), (20, 25, "settling"), (25, 30, "armed")],
        ),
        # a run shorter than settle is never armed
        (
            [(0, 0), (10, 5000), (14, 0)],
            (0, 20),
            [(0, 10, "stopped"), (10, 14, "settling"), (14, 20, "stopped")],
        ),
        # a reading exactly at the expiry leaves no gap
        ([(0, 5000), (15, 5000)], (0, 20), [(0, 5, "settling"), (5, 20, "armed")]),
        # a gap in the data restarts settling, even where it ran on both sides
        (
            [(0, 5000), (16, 5000)],
            (0, 25),
            [(0, 5, "settling"), (5, 15, "armed"), (15, 16, "unknown"), (16, 21, "settling"), (21, 25, "armed")],
        ),
        # bad quality ends the span at once
        (
            [(0, 5000), (8, None), (9, 5000)],
            (0, 20),
            [(0, 5, "settling"), (5, 8, "armed"), (8, 9, "unknown"), (9, 14, "settling"), (14, 20, "armed")],
        ),
        ([(0, None)], (0, 5), [(0, 5, "unknown")]),
        ([(0, 5000), (8, None)], (0, 10), [(0, 5, "settling"), (5, 8, "armed"), (8, 10, "unknown")]),
        # a span that ends where the question begins
        ([(0, 0), (10, 5000)], (10, 12), [(10, 12, "settling")]),
        # before the first span
        ([(10, 0)], (0, 12), [(0, 10, "unknown"), (10, 12, "stopped")]),
        ([(10, 0)], (0, 5), [(0, 5, "unknown")]),
        # after the last value has expired
        ([(0, 0)], (10, 40), [(10, 15, "stopped"), (15, 40, "unknown")]),
        ([(0, 0)], (20, 40), [(20, 40, "unknown")]),
    ],
)
def test_time_is_cut_where_running_settling_stopped_or_unknown_changes(
    rows: list[Row], span: tuple[int, int], expected: list[tuple[float, float, str]]
) -> None:
    assert cut(rows, *span) == expected


def test_without_settle_it_is_armed_at_once() -> None:
    rule = RunningRule("airflow", 4000.0, 2000.0, settle_us=0)
    assert cut([(0, 0), (1, 5000)], 0, 3, rule) == [(0, 1, "stopped"), (1, 3, "armed")]


@pytest.mark.parametrize(
    ("stopped_min", "forgets"),
    [(60, False), (61, True), (62, True)],
)
def test_a_stop_forgets_once_it_has_lasted_longer_than_the_rule_remembers(stopped_min: int, forgets: bool) -> None:
    rule = RunningRule("airflow", 4000.0, 2000.0, forget_after_us=60 * M)
    rows: list[Row] = [(0, 5000), *((at, 0.0) for at in range(10, 10 + stopped_min, 5)), (10 + stopped_min, 5000)]
    timeline = timeline_of(rows, rule)
    found = [part.forgets for part in stretches(rule, timeline, 0, (11 + stopped_min) * M) if part.state is STOPPED]
    assert found == [forgets]


def test_unknown_time_never_forgets() -> None:
    rule = RunningRule("airflow", 4000.0, 2000.0, forget_after_us=M)
    parts = list(stretches(rule, timeline_of([(0, 5000), (1000, 5000)], rule), 0, 1001 * M))
    assert [part.state for part in parts] == [RUNNING, UNKNOWN, RUNNING]
    assert not any(part.forgets for part in parts)


def test_the_timeline_has_a_horizon_by_age_and_by_number() -> None:
    assert horizon_us(Timeline()) == 0
    quiet = timeline_of([(0, 5000), (10, 0)])
    assert horizon_us(quiet) == (10 + 15) * M - 24 * HOUR_US
    busy = timeline_of([(minute, 5000.0 * (minute % 2)) for minute in range(SPANS_AT_MOST + 44)])
    assert horizon_us(busy) == 44 * M


def test_pruning_keeps_the_span_that_contains_the_horizon_with_its_start() -> None:
    timeline = timeline_of([(0, 5000), (10, 0), (20, 5000), (30, 0)])
    prune(timeline, 9 * M)
    assert len(timeline.spans) == 4
    prune(timeline, 19 * M)
    assert timeline.spans == [(10 * M, STOPPED), (20 * M, RUNNING), (30 * M, STOPPED)]
    prune(timeline, 20 * M)
    assert timeline.spans == [(20 * M, RUNNING), (30 * M, STOPPED)]
    prune(timeline, 10_000 * M)
    assert timeline.spans == [(30 * M, STOPPED)]
    prune(Timeline(), 5)


ROWS = st.lists(
    st.tuples(st.integers(0, 30), st.sampled_from([None, 0.0, 2000.0, 2000.5, 4000.0, 4000.5, 9000.0])), max_size=20
)


@given(ROWS, st.integers(-5, 200), st.integers(1, 300))
def test_stretches_cover_the_time_asked_for_without_gap_or_overlap(
    steps: list[tuple[int, float | None]], start_min: int, length_min: int
) -> None:
    at, rows = 0, []
    for step, value in steps:
        at += step + 1
        rows.append((at, value))
    timeline = timeline_of(rows)
    parts = list(stretches(RULE, timeline, start_min * M, (start_min + length_min) * M))
    assert parts[0].start_us == start_min * M
    assert parts[-1].end_us == (start_min + length_min) * M
    assert all(a.end_us == b.start_us for a, b in pairwise(parts))
    assert all(part.start_us < part.end_us for part in parts)
    assert all(timeline.state_at(part.start_us) is part.state for part in parts)

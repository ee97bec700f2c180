"""One collector through its readings: holding, arming, delays, tiers, the watermark, change of limits; then arrays.

Minutes and plain numbers. Unless said: high limit 6.0, deadband 0.2, on-delay 30 min, hold 15 min, settle 5 min.
"""

from __future__ import annotations

from collections.abc import Iterable
from copy import deepcopy
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rules.collector import (
    CollectorState,
    Verdict,
    advance,
    change_limits,
    held_reason,
    is_due,
    new_state,
    step,
    verdict,
)
from rules.comparator import judge
from rules.microbatch import NEVER_US, Board, Columns
from rules.running import SPANS_AT_MOST
from rules.types import (
    HOUR_US,
    MINUTE_US,
    AlarmEvent,
    Change,
    CollectorSpec,
    Limit,
    PointSpec,
    Reading,
    RunningRule,
    Tier,
    alarm_id,
)

M = MINUTE_US
Story = Iterable[tuple[str, int, float | None]]  # point, minute, value (None: bad quality)


def limit(tier: str = "high", at: float = 6.0, deadband: float = 0.2, on: int = 30, off: int = 0, **more: Any) -> Limit:
    back = round(at - deadband if Tier(tier).is_high else at + deadband, 9)
    return Limit(Tier(tier), at, back, on * M, off * M, **more)


RULE = RunningRule("fan", 0.5, 0.5, 5 * M, 8 * HOUR_US)


def collector(*limits: Limit, rule: RunningRule | None = None, always: bool = False, hold: int = 15) -> CollectorSpec:
    dp = PointSpec("dp", hold * M, limits or (limit(),), always)
    return CollectorSpec("c", (dp, PointSpec("fan", hold * M, always=True)), rule)


def play(
    spec: CollectorSpec, story: Story, *, state: CollectorState | None = None, until: int | None = None
) -> list[str]:
    """Step one reading at a time, then let the watermark pass; 'raised high 30' for each event, in minutes."""
    held = new_state(spec) if state is None else state
    events: list[AlarmEvent] = []
    for point, minute, value in story:
        events += step(spec, held, {point: [Reading(minute * M, value or 0.0, value is not None)]})[0]
    if until is not None:
        events += advance(spec, held, until * M)
    return told(events)


def told(events: Iterable[AlarmEvent]) -> list[str]:
    return [f"{event.change.value} {event.tier.value} {event.at_us / M:g}" for event in events]


def dp(first: int, last: int, value: float | None, every: int = 5) -> list[tuple[str, int, float | None]]:
    return [("dp", minute, value) for minute in range(first, last + 1, every)]


def both(first: int, last: int, value: float, fan: float = 1.0) -> list[tuple[str, int, float | None]]:
    return [item for at in range(first, last + 1, 5) for item in (("fan", at, fan), ("dp", at, value))]


# ---------------------------------------------------------------- comparator (section 4)


@pytest.mark.parametrize(
    ("tier", "value", "was", "expected"),
    [
        ("high", 6.0, False, False),  # equal to the limit is not beyond it
        ("high", 6.0, True, True),  # inside the deadband it stays
        ("high", 6.0000001, False, True),
        ("high", 5.81, True, True),
        ("high", 5.8, True, False),
        ("high-high", 6.1, False, True),
        ("low", 6.0, False, False),
        ("low", 6.0, True, True),
        ("low", 5.9, False, True),
        ("low", 6.19, True, True),
        ("low", 6.2, True, False),
        ("low-low", 5.9, False, True),
    ],
)
def test_the_comparator_turns_on_beyond_off_at_back_and_keeps_its_state_between(
    tier: str, value: float, was: bool, expected: bool
) -> None:
    assert judge(limit(tier), was, value) is expected


def test_without_a_deadband_the_limit_itself_has_returned() -> None:
    assert judge(limit(deadband=0.0), True, 6.0) is False


@pytest.mark.parametrize(
    ("tier", "is_high", "is_outer"),
    [("low-low", False, True), ("low", False, False), ("high", True, False), ("high-high", True, True)],
)
def test_the_four_tiers(tier: str, is_high: bool, is_outer: bool) -> None:
    assert (Tier(tier).is_high, Tier(tier).is_outer) == (is_high, is_outer)


# ---------------------------------------------------------------- holding, arming, delays (sections 2, 3, 5)

STORIES: dict[str, tuple[CollectorSpec, Story, int | None, list[str]]] = {
    "a reading is held until it expires, and then counts no more": (
        collector(),
        [("dp", 0, 6.1), ("dp", 20, 6.1), ("dp", 35, 6.1), ("dp", 40, 6.1)],
        None,
        ["raised high 35"],  # 15 min from 0, unknown from 15 to 20, 15 min from 20
    ),
    "a bad reading makes the value unknown at once": (
        collector(),
        [*dp(0, 10, 6.1), ("dp", 12, None), *dp(20, 45, 6.1)],
        None,
        ["raised high 38"],
    ),
    "a bad reading neither ends an excursion nor an alarm": (
        collector(),
        [*dp(0, 35, 6.1), ("dp", 36, None), *dp(50, 60, 5.9)],
        None,
        ["raised high 30"],
    ),
    "unknown time does not count towards the off-delay": (
        collector(limit(off=10)),
        [*dp(0, 35, 6.1), ("dp", 40, 5.0), ("dp", 41, None), ("dp", 60, 5.0), ("dp", 65, 5.0), ("dp", 70, 5.0)],
        None,
        ["raised high 30", "cleared high 69"],
    ),
    "with no delay the alarm is raised where the excursion begins": (
        collector(limit(on=0)),
        [("dp", 0, 5.0), ("dp", 5, 6.1), ("dp", 10, 6.1)],
        None,
        ["raised high 5"],
    ),
    "with no delay, back before any time was judged is no alarm": (
        collector(limit(on=0), rule=RULE),
        [("fan", 0, 0.0), ("dp", 5, 6.1), ("fan", 10, 0.0), ("dp", 10, 5.0), *both(15, 40, 5.0)],
        40,
        [],
    ),
    "with no delay a stopped collector raises when it is armed": (
        collector(limit(on=0), rule=RULE),
        [("fan", 0, 0.0), ("dp", 5, 6.1), ("fan", 10, 1.0), *both(15, 25, 6.1)],
        None,
        ["raised high 15"],
    ),
    "the off-delay asks for so much time back": (
        collector(limit(off=10)),
        [*dp(0, 35, 6.1), ("dp", 40, 5.0), ("dp", 45, 5.0), ("dp", 50, 5.0), ("dp", 55, 5.0)],
        None,
        ["raised high 30", "cleared high 50"],
    ),
    "beyond again before the off-delay is over is the same alarm still": (
        collector(limit(off=10)),
        [*dp(0, 35, 6.1), ("dp", 40, 5.0), ("dp", 45, 6.1), ("dp", 50, 5.0), ("dp", 55, 5.0), ("dp", 61, 5.0)],
        None,
        ["raised high 30", "cleared high 60"],
    ),
    "beyond exactly at the end of the off-delay leaves it active": (
        collector(limit(off=10)),
        [*dp(0, 35, 6.1), ("dp", 40, 5.0), ("dp", 50, 6.1), ("dp", 60, 6.1)],
        None,
        ["raised high 30"],
    ),
    "a value inside the deadband does not start the off-delay": (
        collector(limit(off=0)),
        [*dp(0, 35, 6.1), *dp(40, 90, 5.9)],
        None,
        ["raised high 30"],
    ),
    "both tiers of a side are judged each for itself": (
        collector(limit(on=30), limit("high-high", 8.0, on=10)),
        [*dp(0, 10, 6.1), *dp(15, 30, 8.5), *dp(35, 40, 7.0), *dp(45, 50, 5.0)],
        None,
        ["raised high-high 25", "raised high 30", "cleared high-high 35", "cleared high 45"],
    ),
    "low and high limits of one point": (
        collector(limit("low", 1.0, on=10), limit("low-low", 0.5, on=0), limit("high", 6.0, on=10)),
        [*dp(0, 10, 0.9), *dp(15, 20, 0.4), *dp(25, 35, 6.5), *dp(40, 45, 3.0)],
        None,
        [
            "raised low 10",
            "raised low-low 15",
            "cleared low 25",
            "cleared low-low 25",
            "raised high 35",
            "cleared high 40",
        ],
    ),
    "time before running began and while settling is not counted": (
        collector(rule=RULE),
        [*both(0, 10, 6.1, fan=0.0), *both(15, 55, 6.1)],
        None,
        ["raised high 50"],
    ),
    "a gap in the running point restarts settling": (
        collector(rule=RULE),
        [*both(0, 10, 6.1), *dp(15, 30, 6.1), *both(35, 70, 6.1)],
        None,
        # armed 5..25 (the fan's value expires at 25), unknown to 35, settling to 40, 10 more minutes
        ["raised high 50"],
    ),
    "bad quality of the running point restarts settling": (
        collector(rule=RULE),
        [*both(0, 10, 6.1), ("fan", 12, None), *both(15, 60, 6.1)],
        None,
        ["raised high 43"],
    ),
    "a point that is judged always does not ask whether it runs": (
        collector(rule=RULE, always=True),
        both(0, 35, 6.1, fan=0.0),
        None,
        ["raised high 30"],
    ),
    "an active alarm is kept through a stop and judged again afterwards": (
        collector(rule=RULE),
        [*both(0, 40, 6.1), *both(45, 60, 0.0, fan=0.0), *both(65, 80, 5.0)],
        None,
        ["raised high 35", "cleared high 70"],
    ),
    "a short stop keeps the delay": (
        collector(rule=replace(RULE, forget_after_us=30 * M)),
        [*both(0, 20, 6.1), *both(25, 50, 6.1, fan=0.0), *both(55, 90, 6.1)],
        None,
        ["raised high 70"],  # 20 min from 5 to 25, settling to 60, 10 more
    ),
    "a long stop sets the delay back to zero": (
        collector(rule=replace(RULE, forget_after_us=29 * M)),
        [*both(0, 20, 6.1), *both(25, 50, 6.1, fan=0.0), *both(55, 95, 6.1)],
        None,
        ["raised high 90"],
    ),
    "a long stop leaves an active alarm as it is": (
        collector(rule=replace(RULE, forget_after_us=5 * M)),
        [*both(0, 40, 6.1), *both(45, 100, 6.1, fan=0.0), *both(105, 150, 6.1)],
        None,
        ["raised high 35"],
    ),
    "the running point itself may have limits": (
        CollectorSpec("c", (PointSpec("fan", 15 * M, (limit("low", 2.0, on=10),)),), RULE),
        [("fan", at, 1.0) for at in range(0, 25, 5)],
        None,
        ["raised low 15"],
    ),
}


@pytest.mark.parametrize("name", STORIES)
def test_story(name: str) -> None:
    spec, story, until, expected = STORIES[name]
    assert play(spec, story, until=until) == expected


def test_a_long_stop_keeps_the_excursion_and_so_its_identity() -> None:
    spec, state = collector(rule=replace(RULE, forget_after_us=5 * M)), None
    state = new_state(spec)
    events: list[AlarmEvent] = []
    for point, minute, value in [*both(0, 10, 6.1), *both(15, 30, 6.1, fan=0.0), *both(35, 80, 6.1)]:
        assert value is not None
        events += step(spec, state, {point: [Reading(minute * M, value)]})[0]
    assert [event.alarm_id for event in events] == [alarm_id("c", "dp", "high", 0)]
    assert events[0].evidence.stopped_us == (5 + 20 + 5) * M


def test_an_alarm_carries_its_evidence() -> None:
    spec, state = collector(limit(priority="high", revision=7), rule=RULE), None
    state = new_state(spec)
    story: Story = [
        *both(0, 10, 6.1),
        ("dp", 15, 6.9),
        ("fan", 15, 1.0),
        ("dp", 20, None),
        *both(30, 45, 6.2),
        ("dp", 50, 5.0),
        ("fan", 50, 1.0),
        ("dp", 51, 5.0),
    ]
    events = []
    for point, minute, value in story:
        events += step(spec, state, {point: [Reading(minute * M, value or 0.0, value is not None)]})[0]
    raised, cleared = events
    assert (raised.collector, raised.point, raised.tier, raised.priority) == ("c", "dp", Tier.HIGH, "high")
    found = raised.evidence
    assert (found.began_us, found.raised_us, found.cleared_us) == (0, 45 * M, None)
    assert (found.extreme, found.extreme_at_us) == (6.9, 15 * M)
    assert (found.threshold, found.back, found.on_delay_us, found.off_delay_us) == (6.0, 5.8, 30 * M, 0)
    assert (found.evaluated_us, found.stopped_us, found.unknown_us) == (30 * M, 5 * M, 10 * M)
    assert (found.readings, found.revision) == (8, 7)  # the good ones, up to the decision
    assert (cleared.at_us, cleared.evidence.cleared_us, cleared.evidence.raised_us) == (50 * M, 50 * M, 45 * M)
    assert cleared.evidence.evaluated_us == 35 * M
    assert cleared.alarm_id == raised.alarm_id


def test_the_extreme_of_a_low_limit_is_the_lowest_value() -> None:
    spec, state = collector(limit("low", 1.0, on=0)), None
    state = new_state(spec)
    events = step(spec, state, {"dp": [Reading(0, 0.9), Reading(M, 0.3), Reading(2 * M, 0.6), Reading(3 * M, 4.0)]})[0]
    events += step(spec, state, {"dp": [Reading(4 * M, 4.0)]})[0]
    assert told(events) == ["raised low 0", "cleared low 3"]
    assert (events[1].evidence.extreme, events[1].evidence.extreme_at_us) == (0.3, M)


# ---------------------------------------------------------------- what moves time (section 6)


@pytest.mark.parametrize(
    ("watermark", "expected"),
    [(30, []), (31, ["raised high 30"]), (10_000, ["raised high 30"])],
)
def test_a_delay_runs_out_on_a_held_value_when_the_watermark_has_passed_it(watermark: int, expected: list[str]) -> None:
    assert play(collector(), dp(0, 20, 6.1), until=watermark) == expected


def test_the_watermark_moves_a_point_no_further_than_its_last_decision() -> None:
    spec = collector()
    state = new_state(spec)
    assert play(spec, dp(0, 25, 6.1), state=state, until=38) == ["raised high 30"]
    assert state.points["dp"].evaluated_us == 30 * M + 1
    assert play(spec, [("dp", 31, 5.0), ("dp", 32, 5.0)], state=state) == ["cleared high 31"]


def test_a_reading_before_a_decision_by_the_watermark_is_late() -> None:
    spec = collector()
    state = new_state(spec)
    play(spec, dp(0, 25, 6.1), state=state, until=38)
    assert verdict(state.points["dp"], Reading(29 * M, 5.0)) is Verdict.LATE
    assert verdict(state.points["dp"], Reading(30 * M + 1, 5.0)) is Verdict.EVALUATED


def test_points_that_wait_for_their_data_are_left_alone_by_the_watermark() -> None:
    spec = collector()
    state = new_state(spec)
    play(spec, dp(0, 25, 6.1), state=state)
    assert advance(spec, state, 38 * M, waiting={"dp"}) == []
    assert state.points["dp"].evaluated_us == 25 * M
    assert told(advance(spec, state, 38 * M)) == ["raised high 30"]


def test_the_watermark_decides_a_clearing_too() -> None:
    spec = collector(limit(off=10))
    state = new_state(spec)
    story: Story = [*dp(0, 35, 6.1), ("dp", 40, 5.0)]
    assert play(spec, story, state=state, until=50) == ["raised high 30"]
    assert told(advance(spec, state, 51 * M)) == ["cleared high 50"]
    assert told(advance(spec, state, 10_000 * M)) == []


def test_a_timer_that_its_collector_holds_back_is_due_but_decides_nothing() -> None:
    spec = collector(limit(on=10), rule=RULE)
    state = new_state(spec)
    play(spec, [("fan", 0, 0.0), ("dp", 0, 6.1)], state=state)
    assert is_due(spec.points[0], state.points["dp"], 15 * M)
    assert advance(spec, state, 15 * M) == []
    assert state.points["dp"].evaluated_us == 0


@pytest.mark.parametrize(
    ("story", "watermark", "due"),
    [
        (dp(0, 20, 6.1), 30, False),  # the on-delay of 30 is over when time follows
        (dp(0, 20, 6.1), 31, True),
        (dp(0, 10, 6.1), 10_000, False),  # the value is held to 25 only
        (dp(0, 15, 6.1), 10_000, False),  # held to 30, and no time follows
        (dp(0, 40, 5.0), 10_000, False),
        (dp(0, 40, 6.1), 10_000, False),  # active and beyond: nothing is timed
        ([*dp(0, 40, 6.1), ("dp", 41, 5.0), ("dp", 44, 5.0)], 51, False),  # the off-delay of 10, from 41
        ([*dp(0, 40, 6.1), ("dp", 41, 5.0), ("dp", 44, 5.0)], 52, True),
    ],
)
def test_a_timer_is_due_when_time_follows_the_end_of_its_delay(story: Story, watermark: int, due: bool) -> None:
    spec = collector(limit(off=10))
    state = new_state(spec)
    play(spec, story, state=state)
    assert is_due(spec.points[0], state.points["dp"], watermark * M) is due


def test_one_watermark_decides_for_all_points() -> None:
    points = tuple(PointSpec(name, 60 * M, (limit(),)) for name in ("dp", "header"))
    spec = CollectorSpec("c", points)
    state = new_state(spec)
    play(spec, [("dp", 0, 7.0), ("header", 5, 7.0)], state=state)
    events = advance(spec, state, 40 * M)
    assert [(event.point, event.at_us, event.reason) for event in events] == [
        ("dp", 30 * M, ""),
        ("header", 35 * M, ""),
    ]


def test_verdicts_are_counted_over_all_points_of_a_call() -> None:
    spec = collector()
    news = {"dp": [Reading(0, 1.0), Reading(M, 7.0), Reading(M, 7.0), Reading(0, 3.0)], "fan": [Reading(0, 1.0)]}
    _, counts = step(spec, new_state(spec), news)
    assert counts == {Verdict.EVALUATED: 3, Verdict.DUPLICATE: 1, Verdict.LATE: 1}


def test_a_timeline_forgets_the_span_that_ended_a_day_ago() -> None:
    spec = collector(rule=RULE)
    state = new_state(spec)
    play(spec, [("fan", 0, 0.0), ("fan", 10, 1.0)], state=state)
    assert len(state.timeline.spans) == 2
    play(spec, [("fan", minute, 1.0) for minute in range(20, 25 * 60, 10)], state=state)
    assert state.timeline.spans == [(10 * M, "running")]


def test_a_point_never_heard_is_never_due() -> None:
    spec = collector()
    assert advance(spec, new_state(spec), 10**15) == []


@pytest.mark.parametrize(
    ("minute", "value", "expected"),
    [
        (10, 6.1, "duplicate"),
        (10, 6.2, "late"),
        (10, None, "late"),
        (9, 6.1, "late"),
        (11, 6.1, "evaluated"),
    ],
)
def test_readings_at_or_before_the_last_one_are_duplicates_or_late(
    minute: int, value: float | None, expected: str
) -> None:
    spec = collector()
    for at_once in (False, True):
        state = new_state(spec)
        news = Reading(minute * M, value or 0.0, value is not None)
        if at_once:
            counts = step(spec, state, {"dp": [Reading(10 * M, 6.1), news]})[1]
            counts[Verdict.EVALUATED] -= 1
        else:
            play(spec, [("dp", 10, 6.1)], state=state)
            counts = step(spec, state, {"dp": [news]})[1]
        assert [what.value for what, count in counts.items() if count] == [expected]


def test_a_bad_reading_sent_again_is_a_duplicate_whatever_its_value() -> None:
    spec = collector()
    state = new_state(spec)
    first, again = Reading(M, 1.0, good=False), Reading(M, 2.0, good=False)
    assert step(spec, state, {"dp": [first]})[1][Verdict.EVALUATED] == 1
    assert step(spec, state, {"dp": [again]})[1][Verdict.DUPLICATE] == 1
    other = new_state(spec)
    assert step(spec, other, {"dp": [first, again]})[1][Verdict.DUPLICATE] == 1


def test_readings_of_a_point_that_the_collector_does_not_have_are_not_looked_at() -> None:
    spec = collector()
    events, counts = step(spec, new_state(spec), {"elsewhere": [Reading(0, 99.0)]})
    assert (events, sum(counts.values())) == ([], 0)


def test_a_point_left_open_is_judged_to_the_end_of_what_the_timeline_remembers() -> None:
    """The running point changes so often that old spans go; the pending delay still counts each of them."""
    spec = CollectorSpec("c", (PointSpec("dp", 10_000 * M, (limit(on=98),)), PointSpec("fan", 15 * M)), RULE)
    state = new_state(spec)
    assert play(spec, [("dp", 0, 6.1)], state=state) == []
    events: list[str] = []
    for cycle in range(SPANS_AT_MOST):
        # each cycle of 20 min: runs for 10, of which 5 are armed
        events += play(spec, [("fan", 20 * cycle, 1.0), ("fan", 20 * cycle + 10, 0.0)], state=state)
    assert len(state.timeline.spans) <= SPANS_AT_MOST + 1
    assert events == ["raised high 388"]  # 19 cycles of 5 armed minutes, and 3 from 385 on


# ---------------------------------------------------------------- why a point is held


@pytest.mark.parametrize(
    ("spec", "story", "at", "expected"),
    [
        (collector(), [], 0, "value unknown"),
        (collector(), [("dp", 0, 1.0)], 14, ""),
        (collector(), [("dp", 0, 1.0)], 15, "value unknown"),
        (collector(), [("dp", 0, 1.0), ("dp", 1, None)], 1, "value unknown"),
        (collector(rule=RULE, always=True), [("dp", 0, 1.0)], 1, ""),
        (collector(rule=RULE), [("dp", 0, 1.0)], 1, "running state unknown"),
        (collector(rule=RULE), [("fan", 0, 1.0), ("dp", 0, 1.0)], 4, "settling"),
        (collector(rule=RULE), [("fan", 0, 1.0), ("dp", 0, 1.0)], 5, ""),
        (collector(rule=RULE), [("fan", 0, 0.0), ("dp", 0, 1.0)], 4, "stopped"),
        (collector(rule=RULE), [("fan", 0, 1.0), ("fan", 3, None), ("dp", 3, 1.0)], 4, "running state unknown"),
    ],
)
def test_why_a_point_is_not_being_judged(spec: CollectorSpec, story: Story, at: int, expected: str) -> None:
    state = new_state(spec)
    play(spec, story, state=state)
    assert held_reason(spec, state, spec.points[0], at * M) == expected


# ---------------------------------------------------------------- change of limits (section 8)

OLD = collector(limit(on=30), limit("high-high", 8.0, on=10))
ACTIVE_BOTH = dp(0, 40, 8.5)


def changed(spec: CollectorSpec, new: CollectorSpec, story: Story, at: int) -> tuple[CollectorState, list[AlarmEvent]]:
    state = new_state(spec)
    play(spec, story, state=state)
    return change_limits(spec, new, state, at * M)


@pytest.mark.parametrize(
    ("new", "closed", "later"),
    [
        # (a changed limit is judged anew from the held value, its delay from zero)
        (collector(limit(at=6.5, on=30), limit("high-high", 8.0, on=10)), ["closed high 42"], ["raised high 72"]),
        (collector(limit(on=20), limit("high-high", 8.0, on=10)), ["closed high 42"], ["raised high 62"]),
        (collector(limit(deadband=0.5), limit("high-high", 8.0, on=10)), ["closed high 42"], ["raised high 72"]),
        (collector(limit(off=1), limit("high-high", 8.0, on=10)), ["closed high 42"], ["raised high 72"]),
        (collector(limit(at=9.0), limit("high-high", 9.5, on=10)), ["closed high 42", "closed high-high 42"], []),
        # a limit that is gone
        (collector(limit(on=30)), ["closed high-high 42"], []),
        (collector(limit("high-high", 8.0, on=10)), ["closed high 42"], []),
        # what did not change keeps its alarm, in whatever order the file has it
        (collector(limit("high-high", 8.0, on=10), limit(on=30)), [], []),
        (collector(limit(on=30, priority="high", revision=2), limit("high-high", 8.0, on=10)), [], []),
        # a limit that is new begins at the change
        (collector(limit(on=30), limit("high-high", 8.0, on=10), limit("low", 9.0, on=5)), [], ["raised low 47"]),
        # the whole point is gone, or the whole collector
        (CollectorSpec("c", (PointSpec("fan", 15 * M, always=True),)), ["closed high 42", "closed high-high 42"], []),
        (CollectorSpec("c", ()), ["closed high 42", "closed high-high 42"], []),
    ],
)
def test_a_limit_whose_numbers_change_closes_its_alarm_and_begins_anew(
    new: CollectorSpec, closed: list[str], later: list[str]
) -> None:
    state, events = changed(OLD, new, ACTIVE_BOTH, 42)
    assert told(events) == closed
    assert all(event.reason == "limit changed" and event.change is Change.CLOSED for event in events)
    assert all(event.evidence.cleared_us == 42 * M and event.evidence.raised_us for event in events)
    if "dp" in {point.name for point in new.points}:
        assert play(new, dp(45, 120, 8.5), state=state) == later


def test_a_pending_limit_that_changes_closes_nothing_and_begins_anew() -> None:
    new = collector(limit(at=6.05), limit("high-high", 8.0, on=10))
    state, events = changed(OLD, new, dp(0, 20, 6.1), 22)
    assert events == []
    assert play(new, dp(25, 60, 6.1), state=state) == ["raised high 52"]


def test_a_limit_that_changes_nothing_keeps_its_delay() -> None:
    state, events = changed(OLD, OLD, dp(0, 20, 6.1), 22)
    assert events == []
    assert play(OLD, dp(25, 60, 6.1), state=state) == ["raised high 30"]


def test_a_delay_that_was_over_before_the_change_is_decided_before_it() -> None:
    state, events = changed(OLD, collector(limit(at=7.0)), dp(0, 25, 6.1), 35)
    assert told(events) == ["raised high 30", "closed high 35"]
    assert play(collector(limit(at=7.0)), dp(40, 80, 6.1), state=state) == []


def test_an_unknown_value_cannot_be_judged_at_the_change() -> None:
    new = collector(limit(at=6.05))
    state, _ = changed(OLD, new, dp(0, 20, 6.1), 100)
    assert not state.points["dp"].is_open
    assert play(new, dp(105, 140, 6.1), state=state) == ["raised high 135"]


@pytest.mark.parametrize(("at", "is_open"), [(34, True), (35, False)])
def test_a_value_is_known_until_its_hold_has_passed_and_not_at_that_instant(at: int, is_open: bool) -> None:
    state, _ = changed(OLD, collector(limit(at=6.05)), dp(0, 20, 6.1), at)
    assert state.points["dp"].is_open is is_open


def test_what_a_changed_limit_begins_is_dated_at_the_change() -> None:
    new = collector(limit(at=6.05))
    state, _ = changed(OLD, new, dp(0, 20, 6.1), 22)
    track = state.points["dp"].tracks[0]
    assert (track.began_us, track.extreme, track.extreme_at_us) == (22 * M, 6.1, 22 * M)


def test_after_a_change_the_last_reading_is_still_known() -> None:
    """Otherwise a gateway that sends it again would be evaluated twice."""
    new = collector(limit(at=6.05))
    state, _ = changed(OLD, new, dp(0, 20, 6.1), 22)
    assert verdict(state.points["dp"], Reading(20 * M, 6.1)) is Verdict.DUPLICATE
    assert verdict(state.points["dp"], Reading(15 * M, 6.1)) is Verdict.LATE


def test_a_change_elsewhere_leaves_a_pending_limit_alone() -> None:
    """A reading on its way, older than the change, is still news to a point that did not change."""
    new = CollectorSpec("c", (OLD.points[0], PointSpec("fan", 15 * M, (limit("low", 1.0),), always=True)))
    state, _ = changed(OLD, new, dp(0, 20, 6.1), 24)
    assert state.points["dp"].evaluated_us == 20 * M
    assert play(new, [("dp", 23, 5.0)], state=state) == []
    assert not state.points["dp"].is_open


def test_alarms_of_several_points_are_all_decided_before_the_change_and_all_closed() -> None:
    points = tuple(PointSpec(name, 60 * M, (limit(),)) for name in ("dp", "header"))
    state, events = changed(
        CollectorSpec("c", points), CollectorSpec("c", ()), [("dp", 0, 7.0), ("header", 0, 7.0)], 40
    )
    assert [(event.point, event.change.value) for event in events] == [
        ("dp", "raised"), ("dp", "closed"), ("header", "raised"), ("header", "closed"),
    ]  # fmt: skip
    assert state.points == {}


def test_a_running_rule_on_another_point_does_not_take_over_what_the_old_one_said() -> None:
    old = collector(rule=RULE)
    state, _ = changed(old, replace(old, running=replace(RULE, point="dp")), both(0, 20, 0.1), 22)
    assert state.timeline.spans == [(22 * M, "stopped")]


def test_a_held_value_says_nothing_of_a_new_running_rule_once_its_hold_has_passed() -> None:
    old = collector(rule=RULE)
    new = replace(old, running=replace(RULE, on=2.0, off=1.5))
    story = both(0, 20, 5.0)
    assert changed(old, new, story, 34)[0].timeline.spans == [(0, "running"), (34 * M, "stopped")]
    assert changed(old, new, story, 35)[0].timeline.spans == [(0, "running")]


def test_a_new_point_begins_unknown() -> None:
    new = CollectorSpec("c", (*OLD.points, PointSpec("header", 15 * M, (limit("low", 75.0, on=0),))))
    state, events = changed(OLD, new, dp(0, 10, 5.0), 12)
    assert events == []
    assert state.points["header"].last_us is None
    assert play(new, [("header", 15, 60.0), ("header", 16, 60.0)], state=state) == ["raised low 15"]


def test_a_change_that_is_dated_before_what_was_decided_takes_effect_after_it() -> None:
    state, events = changed(OLD, collector(limit(at=7.0, on=5)), ACTIVE_BOTH, 1)
    assert told(events) == ["closed high 40", "closed high-high 40"]
    assert play(collector(limit(at=7.0, on=5)), [("dp", 50, 8.5)], state=state) == ["raised high 45"]


@pytest.mark.parametrize(
    ("rule", "held_fan", "at", "expected"),
    [
        (RULE, 1.0, 22, ""),  # nothing changed
        (replace(RULE, settle_us=30 * M), 1.0, 22, "settling"),
        (replace(RULE, on=2.0, off=1.5), 1.0, 22, "stopped"),  # by the new thresholds the held value has stopped
        (replace(RULE, on=2.0, off=0.8), 1.0, 22, ""),  # inside the new deadband: as it was
        (replace(RULE, on=2.0, off=0.8), 1.0, 40, "value unknown"),
        (None, 0.0, 22, ""),
        (replace(RULE, point="dp", settle_us=0), 0.0, 22, ""),  # another point says it now
        (replace(RULE, point="dp", settle_us=10 * M), 0.0, 22, "settling"),
    ],
)
def test_a_changed_running_rule_is_judged_from_the_held_value(
    rule: RunningRule | None, held_fan: float, at: int, expected: str
) -> None:
    old = collector(rule=RULE)
    new = replace(old, running=rule)
    state, events = changed(old, new, both(0, 20, 5.0, fan=held_fan), at)
    assert events == []
    assert held_reason(new, state, new.points[0], at * M) == expected


def test_a_running_rule_on_a_point_that_was_never_heard_begins_unknown() -> None:
    old = collector()
    new = CollectorSpec("c", (*old.points, PointSpec("amps", 15 * M)), replace(RULE, point="amps"))
    state, _ = changed(old, new, dp(0, 10, 5.0), 11)
    assert held_reason(new, state, new.points[0], 11 * M) == "running state unknown"


def test_a_running_rule_whose_point_expired_stays_unknown_under_new_thresholds() -> None:
    old = collector(rule=RULE)
    new = replace(old, running=replace(RULE, on=0.9))
    state, _ = changed(old, new, [("fan", 0, 1.0), ("dp", 20, 5.0)], 21)
    assert held_reason(new, state, new.points[0], 21 * M) == "running state unknown"
    assert state.timeline.spans == [(0, "running")]


@pytest.mark.parametrize(
    ("old", "new", "story"),
    [
        (collector(rule=RULE), collector(), [*both(0, 10, 6.1), ("fan", 11, 0.0)]),
        (
            collector(rule=RULE),
            replace(collector(), running=replace(RULE, point="dp", settle_us=0)),
            both(0, 10, 6.1),
        ),
        (collector(rule=RULE), collector(rule=RULE, always=True), both(0, 10, 6.1, fan=0.0)),
        (collector(hold=5), collector(hold=600), dp(0, 10, 6.1)),
    ],
    ids=["rule removed", "rule on another point", "judged always", "longer hold"],
)
def test_time_before_a_change_is_judged_by_what_was_in_force_then(
    old: CollectorSpec, new: CollectorSpec, story: Story
) -> None:
    by_old = new_state(old)
    play(old, story, state=by_old)
    play(old, [("dp", 20, 6.1)], state=by_old)
    state, _ = changed(old, new, story, 20)
    play(new, [("dp", 20, 6.1)], state=state)
    assert state.points["dp"].tracks[0].counted_us == by_old.points["dp"].tracks[0].counted_us


# ---------------------------------------------------------------- the same on arrays


def columns(board: Board, rows: Story) -> Columns:
    listed = [(board.index["c", point], minute * M, value) for point, minute, value in rows]
    return Columns(
        np.array([point for point, _, _ in listed], np.int64),
        np.array([at_us for _, at_us, _ in listed], np.int64),
        np.array([value or 0.0 for _, _, value in listed], float),
        np.array([value is not None for _, _, value in listed], bool),
    )


@pytest.mark.parametrize("name", STORIES)
def test_the_board_tells_the_same_story_in_one_batch(name: str) -> None:
    spec, story, until, expected = STORIES[name]
    board = Board([spec])
    events = board.take(columns(board, story)).events
    if until is not None:
        events += board.advance(lambda _: until * M)[0]
    assert sorted(told(events)) == sorted(expected)


def test_a_batch_without_news_changes_nothing() -> None:
    board = Board([collector()])
    assert board.take(columns(board, [])).changed == set()
    board.take(columns(board, dp(0, 10, 5.0)))
    again = board.take(columns(board, dp(0, 10, 5.0)))
    assert again.is_duplicate.tolist() == [False, False, True]
    assert again.is_late.tolist() == [True, True, False]
    assert (again.events, again.changed) == ([], set())


def test_the_board_marks_duplicates_and_late_readings_within_one_batch() -> None:
    board = Board([collector()])
    rows: Story = [("dp", 5, 1.0), ("dp", 0, 1.0), ("dp", 5, 1.0), ("dp", 5, 2.0), ("dp", 5, None), ("fan", 5, 2.0)]
    outcome = board.take(columns(board, rows))
    marks = dict(zip(outcome.order.tolist(), zip(outcome.is_duplicate, outcome.is_late, strict=True), strict=True))
    assert [("duplicate", "late")[int(marks[i][1])] if any(marks[i]) else "news" for i in range(6)] == [
        "news",
        "news",
        "duplicate",
        "late",
        "late",
        "news",
    ]


def test_readings_millennia_apart_are_still_sorted_by_point_and_time() -> None:
    """The years 1 to 9999 over so many points are more than one sort key holds."""
    first, last = -1_035_593_280, 4_223_371_680  # in minutes
    board = Board([CollectorSpec("c", tuple(PointSpec(name, M) for name in "abcdefghijklmnopqrstuvwxyzABCDEF"))])
    rows: Story = [("F", last, 1.0), ("a", last, 2.0), ("a", 0, 1.0), ("F", first, 3.0)]
    outcome = board.take(columns(board, rows))
    assert outcome.order.tolist() == [2, 1, 3, 0]
    assert board.tips.last_us[[0, -1]].tolist() == [last * M, last * M]


def test_the_saved_state_gives_way_to_last_readings_that_are_newer_and_to_no_others() -> None:
    spec = collector()
    state = new_state(spec)
    play(spec, dp(0, 10, 6.1), state=state)
    newer = Board([spec])
    newer.take(columns(newer, [("dp", 20, 5.0)]))
    newer.load("c", deepcopy(state))
    assert (newer.tips.last_us[0], newer.tips.value[0]) == (20 * M, 5.0)
    older = Board([spec])
    older.take(columns(older, [("dp", 5, 5.0)]))
    older.load("c", deepcopy(state))
    assert (older.tips.last_us.tolist(), older.tips.value[0]) == ([10 * M, NEVER_US], 6.1)


def test_the_watermark_moves_only_boards_with_something_open() -> None:
    quiet = Board([collector()])
    quiet.take(columns(quiet, dp(0, 25, 5.0)))
    assert quiet.advance(lambda _: 10**15) == ([], set())
    open_one = Board([collector()])
    open_one.take(columns(open_one, dp(0, 25, 6.1)))
    waiting = np.array([True, False])
    assert open_one.advance(lambda _: 31 * M, waiting) == ([], set())
    assert open_one.advance(lambda _: 30 * M) == ([], set())
    events, names = open_one.advance(lambda _: 31 * M)
    assert (told(events), names) == (["raised high 30"], {"c"})


def test_the_state_that_a_board_shows_has_the_readings_that_decided_nothing() -> None:
    spec = collector(rule=RULE)
    board = Board([spec])
    board.take(columns(board, both(0, 10, 5.0)))
    board.take(columns(board, both(15, 20, 5.5)))
    by_step = new_state(spec)
    play(spec, both(0, 20, 5.5), state=by_step)
    shown = board.state("c")
    assert shown.points["dp"] == by_step.points["dp"]
    assert shown.timeline == by_step.timeline

"""No data: one alarm per gateway, by time, by the last will, never for time without listening (semantics section 9)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.silence import LIMIT, GatewaySpec, Silence, SilenceChange, SilenceEvent, closed, judge
from rules.types import MINUTE_US, alarm_id

M = MINUTE_US
SPEC = GatewaySpec("gw-1", silent_after_us=30 * M, will_after_us=1 * M)
CALM = Silence()
NO_DATA, LOST = "no good reading", "the gateway's connection to the broker was lost"


def told(event: SilenceEvent | None) -> tuple[str, int, str] | None:
    return None if event is None else (event.change.value, event.at_us // M, event.reason)


@pytest.mark.parametrize(
    ("last_min", "offline_min", "listening_min", "watermark_min", "expected"),
    [
        # by time: decided only when time has passed beyond it
        ({"dp": 0}, None, -100, 30, None),
        ({"dp": 0}, None, -100, 31, ("raised", 30, NO_DATA)),
        ({"dp": 0}, None, -100, 5000, ("raised", 30, NO_DATA)),  # dated by when it was due, not by when it was found
        # one silent point is enough
        ({"dp": 100, "fan": 0}, None, -100, 31, ("raised", 30, NO_DATA)),
        # nobody is silent for time in which the service did not listen
        ({"dp": 0}, None, 60, 90, None),
        ({"dp": 0}, None, 60, 91, ("raised", 90, NO_DATA)),
        # without points nothing is expected
        ({}, None, -100, 5000, None),
        ({}, 0, -100, 5000, None),
        # by the will, after its own delay
        ({"dp": 0}, 2, -100, 3, None),
        ({"dp": 0}, 2, -100, 4, ("raised", 3, LOST)),
        ({"dp": 2, "fan": 0}, 2, -100, 4, ("raised", 3, LOST)),
        # data newer than the will: it speaks again
        ({"dp": 3}, 2, -100, 33, None),
        ({"dp": 3}, 2, -100, 34, ("raised", 33, NO_DATA)),
        # whichever is due first
        ({"dp": 0}, 29, -100, 35, ("raised", 30, NO_DATA)),
        ({"dp": 0}, 28, -100, 35, ("raised", 29, LOST)),
    ],
)
def test_when_a_gateway_counts_as_silent(
    last_min: dict[str, int],
    offline_min: int | None,
    listening_min: int,
    watermark_min: int,
    expected: tuple[str, int, str] | None,
) -> None:
    state = Silence(None if offline_min is None else offline_min * M)
    last_us = {name: minute * M for name, minute in last_min.items()}
    after, event = judge(SPEC, state, last_us, watermark_min * M, listening_min * M)
    assert told(event) == expected
    assert after.is_active is (expected is not None)
    assert after.offline_us == state.offline_us


def test_the_alarm_names_the_points_without_data_and_its_identity_is_when_data_ended() -> None:
    after, event = judge(SPEC, CALM, {"dp": 100 * M, "fan": 5 * M, "amps": 1 * M}, 36 * M, 4 * M)
    assert event is not None
    assert event.points == ("amps",)  # due 30 min after listening began at 4, when fan was not yet silent
    assert event.alarm_id == alarm_id("gw-1", "", LIMIT, 1 * M)
    assert (after.began_us, after.raised_us) == (1 * M, event.at_us)
    assert judge(SPEC, after, {"dp": 100 * M, "fan": 5 * M, "amps": 1 * M}, 37 * M, 4 * M) == (after, None)  # once


def test_a_lost_connection_concerns_all_points_that_are_not_silent_by_time() -> None:
    _, event = judge(SPEC, Silence(10 * M), {"dp": 9 * M, "fan": 8 * M}, 12 * M, 0)
    assert event is not None
    assert event.points == ("dp", "fan")
    assert event.began_us == 8 * M


ACTIVE = Silence(None, 0, 30 * M)


@pytest.mark.parametrize(
    ("offline_min", "last_min", "watermark_min", "cleared_min"),
    [
        (None, {"dp": 40}, 41, 40),
        (None, {"dp": 40, "fan": 41}, 41, 40),
        (None, {"dp": 40, "fan": 0}, 41, None),  # every point must be back
        (None, {"dp": 30}, 41, None),  # data from before it was raised
        (None, {"dp": 31}, 41, 31),  # stored data that fill the gap close it
        (None, {"dp": 31}, 61, 31),
        (None, {"dp": 31}, 62, None),  # a burst of old data does not say that it speaks now
        (35, {"dp": 35}, 41, None),  # lost again, nothing since
        (35, {"dp": 36}, 41, 36),
    ],
)
def test_when_data_count_as_back(
    offline_min: int | None, last_min: dict[str, int], watermark_min: int, cleared_min: int | None
) -> None:
    state = replace(ACTIVE, offline_us=None if offline_min is None else offline_min * M)
    after, event = judge(SPEC, state, {name: at * M for name, at in last_min.items()}, watermark_min * M, 0)
    assert told(event) == (None if cleared_min is None else ("cleared", cleared_min, "data are back"))
    assert after == (state if cleared_min is None else Silence(state.offline_us, ended_us=cleared_min * M))


def test_the_alarm_that_clears_is_the_one_that_was_raised() -> None:
    state, raised = judge(SPEC, CALM, {"dp": 0}, 31 * M, 0)
    _, cleared = judge(SPEC, state, {"dp": 40 * M}, 41 * M, 0)
    assert raised is not None
    assert cleared is not None
    assert raised.alarm_id == cleared.alarm_id
    assert (raised.began_us, raised.raised_us) == (cleared.began_us, cleared.raised_us)


def test_an_alarm_that_follows_another_is_another_alarm() -> None:
    """A point that stays silent through a change of points must not give the next alarm the identity of the last."""
    state, first = judge(SPEC, CALM, {"dp": 0}, 31 * M, 0)
    state, _ = judge(SPEC, state, {"dp": 40 * M}, 41 * M, 0)
    state, second = judge(SPEC, state, {"dp": 40 * M, "new": 0}, 71 * M, 0)
    assert first is not None
    assert second is not None
    assert second.change is SilenceChange.RAISED
    assert (second.began_us, second.alarm_id == first.alarm_id) == (40 * M, False)


def test_a_gateway_that_is_no_longer_registered_closes_its_alarm() -> None:
    event = closed(SPEC, ACTIVE, 50 * M)
    assert (event.change, event.at_us, event.points) == (SilenceChange.CLOSED, 50 * M, ())
    assert event.reason == "gateway no longer registered"
    assert event.alarm_id == alarm_id("gw-1", "", LIMIT, 0)


@given(st.lists(st.tuples(st.integers(1, 50), st.sampled_from(["good", "will", "birth", "pass"])), max_size=40))
def test_raised_and_cleared_alternate_whatever_happens(story: list[tuple[int, str]]) -> None:
    state, now, last = CALM, 0, 0
    changes = []
    for minutes, what in story:
        now += minutes
        if what == "good":
            last = now
        elif what == "will":
            state = replace(state, offline_us=state.offline_us or now * M)
        elif what == "birth":
            state = replace(state, offline_us=None)
        before = state
        state, event = judge(SPEC, state, {"dp": last * M}, now * M, 0)
        assert (event is None) == (state == before)
        if event is not None:
            changes.append(event.change.value)
            assert event.at_us <= now * M
    assert changes == ["raised", "cleared"] * (len(changes) // 2) + ["raised"] * (len(changes) % 2)

"""OPC 10000-9 (v1.05.03) on limits: on-delay, off-delay, deadband, several limits at once, and restart.

The clause stands beside each check. Where the clause leaves the boundary open, the comment says what this
project decided. Every story is told to the streaming and to the columnar engine.
"""

from __future__ import annotations

import json

import pytest

from rules.codec import from_plain, to_plain
from rules.collector import new_state
from rules.delays import Track
from rules.types import MINUTE_US, CollectorSpec, Tier
from tests.rules.published.engines import EVERY_US, Pairs, collector, judged, limit, steady, stream, told

DELAY_US = 10 * MINUTE_US
HIGH = collector(limit())  # 6.0, deadband 0.2, on-delay 10 min, off-delay 0

# ---------------------------------------------------------------- on-delay: B.1.5, 5.8.2


@pytest.mark.parametrize(
    ("length_us", "alarms"),
    [
        (EVERY_US, 0),
        (DELAY_US - 1, 0),
        # B.1.5 asks for "above the threshold for the duration". Here the delay has to be outlasted: a value that is
        # back at the very end of it was not beyond for a moment longer, and is no alarm.
        (DELAY_US, 0),
        (DELAY_US + 1, 1),
    ],
)
def test_a_spike_alarms_only_if_it_outlasts_the_on_delay(length_us: int, alarms: int) -> None:
    """OPC 10000-9 B.1.5, 5.8.2."""
    story = [*steady(0, length_us, 6.1), *steady(length_us, length_us + MINUTE_US, 5.0)]
    events = judged(HIGH, story)
    assert told(events)[:1] == [("raised", "high", DELAY_US)] * alarms
    assert len(events) == 2 * alarms  # raised, and cleared at the end of the spike


def test_a_value_still_beyond_at_the_end_of_the_on_delay_alarms_there() -> None:
    """OPC 10000-9 B.1.5: beyond for the duration of the on-delay, and not later than that."""
    assert told(judged(HIGH, steady(0, DELAY_US + 2 * EVERY_US, 6.1))) == [("raised", "high", DELAY_US)]


def test_many_spikes_shorter_than_the_on_delay_do_not_add_up() -> None:
    """OPC 10000-9 B.1.5: a motor that starts often is no alarm, however often it starts."""
    spike = [*steady(0, 9 * MINUTE_US, 6.1), *steady(9 * MINUTE_US, DELAY_US, 5.0)]
    assert judged(HIGH, [(at_us + n * DELAY_US, value) for n in range(20) for at_us, value in spike]) == []


# ---------------------------------------------------------------- deadband: B.1.5

ACTIVE_UNTIL_US = DELAY_US + MINUTE_US


@pytest.mark.parametrize(
    ("tier", "at", "back", "value", "clears"),
    [
        (Tier.HIGH, 6.0, 5.8, 5.81, False),
        # B.1.5: back to normal once it "drops below the limit by the amount of the deadband". Here exactly that
        # amount is enough: 5.80 has dropped by 0.2.
        (Tier.HIGH, 6.0, 5.8, 5.80, True),
        (Tier.HIGH, 6.0, 5.8, 5.79, True),
        (Tier.HIGH_HIGH, 8.0, 7.5, 7.51, False),
        (Tier.HIGH_HIGH, 8.0, 7.5, 7.5, True),
        (Tier.LOW, 1.0, 1.1, 1.09, False),
        (Tier.LOW, 1.0, 1.1, 1.1, True),
        (Tier.LOW_LOW, 0.5, 0.7, 0.69, False),
        (Tier.LOW_LOW, 0.5, 0.7, 0.7, True),
    ],
)
def test_an_alarm_stays_until_the_value_is_back_by_the_deadband(
    tier: Tier, at: float, back: float, value: float, clears: bool
) -> None:
    """OPC 10000-9 B.1.5: and every limit may have its own deadband."""
    beyond = at + 0.1 if tier.is_high else at - 0.1
    story = [*steady(0, ACTIVE_UNTIL_US, beyond), *steady(ACTIVE_UNTIL_US, ACTIVE_UNTIL_US + MINUTE_US, value)]
    events = told(judged(collector(limit(tier, at, back)), story))
    assert events == [
        ("raised", tier.value, DELAY_US),
        *[("cleared", tier.value, ACTIVE_UNTIL_US)] * clears,
    ]


@pytest.mark.parametrize(("back", "alarms"), [(5.8, 1), (6.0, 180)])
def test_the_deadband_makes_one_alarm_of_a_signal_that_jumps_around_the_limit(back: float, alarms: int) -> None:
    """OPC 10000-9 B.1.5: an hour of 6.1 and 5.9 in turn, each 10 s; without a deadband each 6.1 is an alarm."""
    story = [(n * EVERY_US, (6.1, 5.9)[n % 2]) for n in range(361)]
    events = judged(collector(limit(back=back, on_us=0)), story)
    assert [event.change.value for event in events].count("raised") == alarms


# ---------------------------------------------------------------- off-delay: B.1.5, 5.8.2


@pytest.mark.parametrize(
    ("length_us", "clears"),
    [
        (EVERY_US, False),
        (5 * MINUTE_US - 1, False),
        (5 * MINUTE_US, False),  # beyond again at the very end of the off-delay: it was not outlasted either
        (5 * MINUTE_US + 1, True),
    ],
)
def test_a_return_shorter_than_the_off_delay_neither_clears_nor_alarms_again(length_us: int, clears: bool) -> None:
    """OPC 10000-9 B.1.5, 5.8.2: with no on-delay, so that nothing but the off-delay holds a second alarm back."""
    back_us = MINUTE_US
    beyond_us = back_us + length_us
    story = [*steady(0, back_us, 6.1), *steady(back_us, beyond_us, 5.0), *steady(beyond_us, beyond_us + MINUTE_US, 6.1)]
    again = [("cleared", "high", back_us + 5 * MINUTE_US), ("raised", "high", beyond_us)]
    events = told(judged(collector(limit(on_us=0, off_us=5 * MINUTE_US)), story))
    assert events == [("raised", "high", 0), *(again if clears else [])]


# ---------------------------------------------------------------- several limits: 4.9, 5.8.20


def test_a_jump_past_both_limits_makes_two_alarms_and_each_clears_for_itself() -> None:
    """OPC 10000-9 4.9, 5.8.20, non-exclusive: high and high-high may be active at once."""
    spec = collector(limit(), limit(Tier.HIGH_HIGH, 8.0, 7.8))
    past_us, down_us = 20 * MINUTE_US, 30 * MINUTE_US
    both = [*steady(0, past_us, 8.5), (past_us, 7.0)]
    events = judged(
        spec, [*both, *steady(past_us + EVERY_US, down_us, 7.0), *steady(down_us, down_us + MINUTE_US, 5.0)]
    )
    assert told(events) == [
        ("raised", "high", DELAY_US),
        ("raised", "high-high", DELAY_US),
        ("cleared", "high-high", past_us),  # exclusive limits would go over from high-high to high here
        ("cleared", "high", down_us),
    ]
    assert len({event.alarm_id for event in events}) == 2


def test_the_outer_limit_does_not_wait_for_the_inner_one() -> None:
    """OPC 10000-9 5.8.20: with the longer delay on the inner limit, high-high is active alone at first."""
    spec = collector(limit(on_us=240 * MINUTE_US), limit(Tier.HIGH_HIGH, 8.0, 7.8))
    assert told(judged(spec, steady(0, 30 * MINUTE_US, 8.5))) == [("raised", "high-high", DELAY_US)]


# ---------------------------------------------------------------- restart: 4.12, 5.8.18

BOTH_LIMITS = collector(limit(off_us=2 * MINUTE_US), limit(Tier.HIGH_HIGH, 8.0, 7.5, off_us=2 * MINUTE_US))
RISE = steady(0, 12 * MINUTE_US, 8.5)
FALL = [*steady(18 * MINUTE_US, 19 * MINUTE_US, 5.9), *steady(19 * MINUTE_US, 30 * MINUTE_US, 5.0)]


@pytest.mark.parametrize(
    ("before", "active"),
    [
        (steady(0, DELAY_US, 8.5), []),  # pending: not an alarm yet, and its delay must not begin again
        (RISE, ["high", "high-high"]),
        ([*RISE, *steady(12 * MINUTE_US, 18 * MINUTE_US, 7.6)], ["high", "high-high"]),  # inside the outer deadband
        ([*RISE, *steady(12 * MINUTE_US, 18 * MINUTE_US, 7.0)], ["high"]),
        ([*RISE, *steady(12 * MINUTE_US, 18 * MINUTE_US, 5.9)], ["high"]),  # inside the inner deadband
        ([*RISE, *steady(12 * MINUTE_US, 13 * MINUTE_US, 5.0)], ["high", "high-high"]),  # the off-delay runs
    ],
)
def test_what_is_in_alarm_is_in_alarm_after_a_restart_and_nothing_is_told_twice(
    before: Pairs, active: list[str]
) -> None:
    """OPC 10000-9 4.12, 5.8.18: the state of the limits is recovered, that inside a deadband too."""
    state = new_state(BOTH_LIMITS)
    events = stream(BOTH_LIMITS, state, before)
    restored = from_plain(BOTH_LIMITS, json.loads(json.dumps(to_plain(BOTH_LIMITS, state))))
    assert active_limits(BOTH_LIMITS, restored.points["dp"].tracks) == active
    afterwards = stream(BOTH_LIMITS, restored, FALL)
    assert told(events + afterwards) == told(judged(BOTH_LIMITS, [*before, *FALL]))
    assert not set(told(events)) & set(told(afterwards))


def active_limits(spec: CollectorSpec, tracks: list[Track]) -> list[str]:
    limits = spec.points[0].limits
    return [item.tier.value for item, track in zip(limits, tracks, strict=True) if track.is_active]

"""Why there was an alarm, or none: the worked cases asked at telling instants, and every count held against the rules.

High limit 6.0, deadband 0.2, on-delay 240 min, off-delay 0, hold 15 min, a reading each 5 min unless said.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.account import account
from rules.collector import new_state, step
from rules.explain import Explanation, explain_alarm, explain_instant, explain_silence, lasting
from rules.silence import SilenceChange, SilenceEvent
from rules.types import HOUR_US, MINUTE_US, SECOND_US, CollectorSpec, Limit, PointSpec, Reading, RunningRule, Tier
from tests.property.histories import Item, histories, specs
from tests.rules.worked import HIGH, every, minute, play, readings, spec

Pairs = Iterable[tuple[int, float]]
FAN_ALWAYS = [(at, 1.0) for at in range(-60, 24 * 60, 5)]


def clock(at_us: int) -> str:
    return f"{at_us // MINUTE_US // 60:02d}:{at_us / MINUTE_US % 60:02.0f}"


def shown(value: float) -> str:
    return f"{value:g} inH2O"


def why(
    at: str, dp: Pairs, fan: Pairs = (), collector: CollectorSpec | None = None, tier: Tier = Tier.HIGH
) -> Explanation:
    given_readings = {"dp": readings(dp), "fan": readings(fan)}
    return explain_instant(
        collector or spec(),
        given_readings,
        point="dp",
        tier=tier,
        at_us=minute(at) * MINUTE_US,
        shown=shown,
        when=clock,
    )


def test_case_1_the_alarm_is_there_from_the_end_of_its_delay_and_not_a_minute_before() -> None:
    story = every("00:00", "04:05", 6.1)
    before = why("03:59", story)
    assert before.answer == (
        "There was no high alarm at 03:59: the value was beyond 6 inH2O since 00:00, but only 3 h 59 min of the "
        "on-delay of 4 h had been counted."
    )
    at = why("04:00", story)
    assert at.answer == "The high alarm was active at 04:00: it was raised at 04:00."
    assert at.sentences == (
        "The value was 6.1 inH2O, measured at 04:00.",
        "That is beyond the limit: above 6 inH2O.",
        "The excursion began at 00:00, when the value was above 6 inH2O, with the first reading looked at; it may have "
        "begun before.",
        "The on-delay of 4 h was used up at 04:00.",
        "Judged by revision 0 of the plant file.",
    )


def test_case_2_back_at_the_end_of_the_delay_is_told_with_the_reading_that_ended_it() -> None:
    found = why("04:10", [*every("00:00", "03:55", 6.1), *every("04:00", "04:10", 5.7)])
    assert found.answer == "There was no high alarm at 04:10: the value was 5.7 inH2O, and not beyond 6 inH2O."
    assert "That is not beyond the limit: it is at or below 5.8 inH2O, where an excursion ends." in found.sentences
    assert (
        "It ended without an alarm at 04:00, by a reading of 5.7 inH2O, when 4 h of the on-delay of 4 h had been "
        "counted." in found.sentences
    )


def test_case_3_inside_the_deadband_the_excursion_goes_on() -> None:
    story = [*every("00:00", "01:55", 6.1), (minute("02:00"), 5.9), *every("02:05", "04:05", 6.1)]
    found = why("02:02", story)
    assert found.facts["state"] == "pending"
    assert "That is within the deadband, between 5.8 inH2O and 6 inH2O: an excursion goes on there." in found.sentences
    assert "Up to then 2 h 2 min of the on-delay of 4 h had been counted." in found.sentences


def test_inside_the_deadband_no_excursion_begins() -> None:
    found = why("02:00", every("00:00", "02:00", 5.9))
    assert found.answer.endswith("the value was 5.9 inH2O, and not beyond 6 inH2O.")
    assert found.sentences[1].endswith("an excursion does not begin there.")


def test_case_4_a_reading_at_the_back_value_ended_the_first_excursion() -> None:
    story = [*every("00:00", "01:55", 6.1), (minute("02:00"), 5.8), *every("02:05", "06:10", 6.1)]
    ended = why("02:00", story)
    assert ended.facts["excursion"]["ended_us"] == minute("02:00") * MINUTE_US
    assert "by a reading of 5.8 inH2O, when 2 h of the on-delay" in " ".join(ended.sentences)
    assert "since 02:05, but only 1 h 55 min of the on-delay of 4 h" in why("04:00", story).answer
    assert why("06:05", story).facts["raised_us"] == minute("06:05") * MINUTE_US


def test_case_5_stopped_and_settling_time_is_named_with_its_instants() -> None:
    fan = [(at, 0.0 if 60 <= at < 180 else 1.0) for at in range(-60, 400, 5)]
    collector, story = spec(running=True, settle_min=5), every("00:00", "06:30", 6.1)
    found = why("04:10", story, fan, collector)
    assert "but only 2 h 5 min of the on-delay of 4 h had been counted" in found.answer
    assert "From 01:00 to 03:00 nothing was counted: the collector was stopped." in found.sentences
    assert (
        "From 03:00 to 03:05 nothing was counted: the collector had just started and was settling." in found.sentences
    )
    assert found.facts["excursion"]["sums_us"] == {
        "counted": 125 * MINUTE_US, "stopped": 120 * MINUTE_US, "settling": 5 * MINUTE_US,
    }  # fmt: skip
    assert why("03:02", story, fan, collector).sentences[-2] == (
        "At that instant the collector had just started and was settling: the delay stood still."
    )
    assert why("06:05", story, fan, collector).facts["state"] == "active"


def test_case_6_time_without_a_value_is_named_with_its_reason() -> None:
    story = [*every("00:00", "01:00", 6.1), *every("03:00", "05:50", 6.1)]
    dark = why("02:00", story)
    assert dark.sentences[0] == (
        "The value was unknown since 01:15: the last reading, 6.1 inH2O at 01:00, is held for 15 min and no other came."
    )
    assert "At that instant the value was unknown: the delay stood still." in dark.sentences
    assert "From 01:15 to 03:00 nothing was counted: the value was unknown." in why("05:00", story).sentences
    assert why("05:45", story).answer.endswith("it was raised at 05:45.")


def test_case_7_the_held_value_lets_the_delay_run_out_and_the_alarm_is_then_held() -> None:
    story = every("00:00", "03:55", 6.1)
    assert why("04:00", story).facts["state"] == "active"
    assert why("04:10", story).sentences[-2] == (
        "At that instant the value was unknown: the alarm was held, neither cleared nor told again."
    )


def test_case_8_why_was_there_no_alarm_at_0410_because_nobody_measured() -> None:
    found = why("04:10", every("00:00", "03:40", 6.1))
    assert "only 3 h 55 min of the on-delay of 4 h had been counted" in found.answer
    assert found.sentences[0].startswith("The value was unknown since 03:55:")
    assert "From 03:55 to 04:10 nothing was counted: the value was unknown." in found.sentences
    assert found.facts["value"] is None


def test_a_delay_used_up_where_the_value_expires_waits_for_time_that_counts() -> None:
    found = why("04:00", every("00:00", "03:45", 6.1))
    assert found.answer.endswith(
        "an alarm is raised only when time counts after the delay of 4 h, and the value was unknown."
    )


def test_case_9_a_value_equal_to_the_limit_is_not_beyond_it() -> None:
    found = why("23:00", every("00:00", "23:55", 6.0))
    assert found.answer.endswith("the value was 6 inH2O, and not beyond 6 inH2O.")
    assert found.facts["excursion"] is None


def test_case_10_the_last_alarm_is_told_once_it_is_over() -> None:
    story = [*every("00:00", "04:05", 6.1), (250, 5.81), (255, 5.80), (260, 5.80)]
    assert why("04:10", story).facts["state"] == "active"
    found = why("04:20", story)
    assert "An alarm of this limit was raised at 04:00 and cleared at 04:15." in found.sentences
    assert (found.facts["excursion"], found.facts["last_alarm"]) == (
        None,
        {"raised_us": minute("04:00") * MINUTE_US, "cleared_us": minute("04:15") * MINUTE_US},
    )


def test_case_11_inside_the_deadband_an_active_alarm_stays() -> None:
    found = why("09:00", [*every("00:00", "04:05", 6.1), *every("04:10", "09:00", 5.9)])
    assert found.answer == "The high alarm was active at 09:00: it was raised at 04:00."
    assert found.facts["back_since_us"] is None


def test_case_12_stored_data_are_judged_at_their_own_times() -> None:
    story = [*every("09:00", "10:00", 5.0), *every("10:05", "15:55", 6.1)]
    assert "since 10:05, but only 3 h 55 min" in why("14:00", story).answer
    assert why("14:05", story).answer.endswith("it was raised at 14:05.")


# ---------------------------------------------------------------- beyond the worked cases


def test_an_off_delay_that_runs_is_told_with_the_reading_since_which_the_value_is_back() -> None:
    collector = spec(replace(HIGH, on_delay_us=0, off_delay_us=30 * MINUTE_US))
    found = why("00:20", [(0, 6.1), (5, 5.8), (10, 5.7), (15, 5.7), (20, 5.7)], collector=collector)
    assert found.answer.startswith("The high alarm was active")
    assert (
        "The value has been back since 00:05, by a reading of 5.8 inH2O; 15 min of the off-delay of 30 min had been "
        "counted." in found.sentences
    )


def test_a_low_limit_says_below() -> None:
    low = Limit(Tier.LOW, 75.0, 78.0, 30 * MINUTE_US)
    found = why("00:10", every("00:00", "00:10", 70.0), collector=spec(low), tier=Tier.LOW)
    assert "That is beyond the limit: below 75 inH2O." in found.sentences
    back = why("00:15", [*every("00:00", "00:10", 70.0), (15, 78.0)], collector=spec(low), tier=Tier.LOW)
    assert "it is at or above 78 inH2O" in back.sentences[1]


def test_nothing_measured_and_a_bad_reading_are_unknown_and_never_healthy() -> None:
    nothing = why("04:10", [])
    assert nothing.answer.endswith("nothing had been measured, so whether the value was beyond the limit is unknown.")
    assert "which is not the same as healthy" in " ".join(nothing.sentences)
    bad = explain_instant(
        spec(),
        {"dp": [Reading(0, 5.0), Reading(MINUTE_US, 0.0, good=False)]},
        point="dp",
        tier=Tier.HIGH,
        at_us=2 * MINUTE_US,
        shown=shown,
        when=clock,
    )
    assert bad.answer.endswith("the value was unknown, and not beyond the limit when it was last known.")
    assert bad.sentences[0] == "The value was unknown since 00:01: the gateway marked that reading as bad."


def test_whether_it_ran_may_be_unknown() -> None:
    found = why("01:00", every("00:00", "01:00", 6.1), [(-20, 1.0), (-10, 1.0)], spec(running=True))
    assert "From 00:05 to 01:00 nothing was counted: it was unknown whether the collector ran." in found.sentences


def test_a_long_stop_is_said_to_have_made_the_delay_begin_anew() -> None:
    fan = [(at, 0.0 if 60 <= at < 600 else 1.0) for at in range(-60, 800, 5)]
    found = why("10:30", every("00:00", "10:30", 6.1), fan, spec(running=True))
    assert "1 h counted before a long stop were forgotten, and the delay began anew." in found.sentences
    assert "only 25 min of the on-delay" in found.answer
    assert found.facts["excursion"]["forgotten_us"] == HOUR_US


def test_many_parts_are_told_as_sums() -> None:
    fan = [(at, float(at // 10 % 2)) for at in range(-60, 800, 5)]
    found = why("03:00", every("00:00", "03:00", 6.1), fan, spec(running=True))
    assert (
        "Not counted, in 18 parts: 1 h 30 min because the collector was stopped; 45 min because the collector had just "
        "started and was settling." in found.sentences
    )


def test_a_point_judged_always_does_not_ask_whether_the_collector_runs() -> None:
    point = PointSpec("dp", 15 * MINUTE_US, (HIGH,), always=True)
    fan = PointSpec("fan", 15 * MINUTE_US, always=True)
    collector = CollectorSpec("c", (point, fan), RunningRule("fan", 0.5, 0.5))
    assert why("02:00", every("00:00", "02:00", 6.1), collector=collector).facts["counted_us"] == 2 * HOUR_US


def test_a_limit_on_the_running_point_itself() -> None:
    point = PointSpec("dp", 15 * MINUTE_US, (HIGH,))
    collector = CollectorSpec("c", (point,), RunningRule("dp", 1.0, 0.5, settle_us=10 * MINUTE_US))
    found = why("02:00", every("00:00", "02:00", 6.1), collector=collector)
    assert found.facts["counted_us"] == 110 * MINUTE_US


def test_a_limit_that_is_not_there_is_a_key_error() -> None:
    with pytest.raises(KeyError):
        why("00:00", [], tier=Tier.LOW_LOW)


@pytest.mark.parametrize(
    ("length_us", "text"),
    [
        (0, "0 s"), (1, "0.000001 s"), (2_500_000, "2.5 s"), (90 * SECOND_US, "1 min 30 s"),
        (4 * HOUR_US, "4 h"), (HOUR_US + 5 * MINUTE_US, "1 h 5 min"), (30 * HOUR_US, "30 h"),
    ],
)  # fmt: skip
def test_lengths_of_time_are_exact(length_us: int, text: str) -> None:
    assert lasting(length_us) == text


# ---------------------------------------------------------------- an alarm from its evidence


def test_an_active_alarm_is_explained_from_its_evidence() -> None:
    (event,) = play(spec(), [*every("00:00", "01:00", 6.1), *every("03:00", "05:50", 6.1)])
    found = explain_alarm(event, shown=shown, when=clock)
    assert found.answer == (
        "The high alarm was raised at 05:45 because dp was beyond 6 inH2O and outlasted its on-delay of 4 h; it is "
        "active."
    )
    assert "The on-delay of 4 h was used up at 05:45; of the time before that, 1 h 45 min did not count." in (
        found.sentences
    )
    assert "1 h 45 min because the value, or whether it ran, was unknown" in " ".join(found.sentences)
    assert found.facts["began_us"] == 0
    json.dumps(found.facts)


def test_a_cleared_alarm_says_how_it_cleared() -> None:
    quick = replace(HIGH, on_delay_us=0, off_delay_us=10 * MINUTE_US)
    event = play(spec(quick), [(0, 6.1), (5, 5.8), (10, 5.8), (15, 5.8), (20, 5.8)])[-1]
    found = explain_alarm(event, shown=shown, when=clock)
    assert found.answer.endswith("because dp was beyond 6 inH2O; it cleared at 00:15.")
    assert "The limit has no on-delay, so that instant is when the alarm was raised." in found.sentences
    assert (
        "It cleared at 00:15, when the value had been back, at or below 5.8 inH2O for the off-delay of 10 min."
        in found.sentences
    )


def test_a_closed_low_alarm_says_why_and_one_without_off_delay_says_none() -> None:
    low = Limit(Tier.LOW, 6.0, 6.2, MINUTE_US)
    raised, cleared = play(spec(low), [(0, 5.0), (5, 6.2), (10, 6.2)])
    assert "at or above 6.2 inH2O." in " ".join(explain_alarm(cleared, shown=shown, when=clock).sentences)
    closed = replace(raised, change=type(raised.change).CLOSED, at_us=9 * MINUTE_US, reason="limit changed")
    assert explain_alarm(closed, shown=shown, when=clock).answer.endswith("it was closed at 00:09 (limit changed).")


def test_a_no_data_alarm_is_explained_too() -> None:
    raised = SilenceEvent("id", "gw-1", SilenceChange.RAISED, 60, 0, 60, ("dp",), "no good reading")
    found = explain_silence(raised, when=str)
    assert found.answer == "The no-data alarm of gateway gw-1 was raised at 60 (no good reading)."
    assert "dp" in found.sentences[1]
    cleared = replace(raised, change=SilenceChange.CLEARED, at_us=90, points=(), reason="data are back")
    over = explain_silence(cleared, when=str)
    assert over.answer.endswith("was raised at 60; it ended at 90 (data are back).")
    assert len(over.sentences) == 1


def test_more_can_be_said() -> None:
    more = explain_silence(
        SilenceEvent("id", "gw-1", SilenceChange.RAISED, 60, 0, 60, ("dp",), "no good reading"), when=str
    ).and_also("And this.", unit="psi")
    assert (more.sentences[-1], more.facts["unit"]) == ("And this.", "psi")


# ---------------------------------------------------------------- any history


@given(specs(), histories(), st.integers(0, 60), st.sampled_from([-1, 0, 1, SECOND_US]), st.sampled_from([1, 3, 1000]))
def test_what_is_explained_is_what_the_rules_decided(
    collector: CollectorSpec, items: list[Item], index: int, off_us: int, in_slices_of: int
) -> None:
    """At any instant: active as the whole collector's events say, and the two counts of evaluated time agree."""
    at_us = (items[index % len(items)].reading.at_us if items else 0) + off_us
    state, events, by_point = new_state(collector), [], dict[str, list[Reading]]()
    for item in items:
        by_point.setdefault(item.point, []).append(item.reading)
        if item.reading.at_us <= at_us:
            events += step(collector, state, {item.point: [item.reading]})[0]
    beyond_us = at_us + 1
    for point in sorted(
        collector.points, key=lambda each: each.name != (collector.running or RunningRule("", 0, 0)).point
    ):
        probe = Reading(beyond_us, 0.0, good=False)
        events += step(collector, state, {point.name: [probe]})[0]
    for point in collector.points:
        for limit in point.limits:
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr("rules.account.SLICE", in_slices_of)
                found = account(collector, by_point, point=point.name, tier=limit.tier, at_us=at_us)
            own = [event for event in events if (event.point, event.tier) == (point.name, limit.tier)]
            is_active = bool(own) and own[-1].change.value == "raised"
            assert (found.state.value == "active") is is_active
            if found.state.value == "pending":
                assert found.excursion is not None
                assert found.excursion.counted_us == found.counted_us
            if is_active:
                assert found.raised_us == own[-1].at_us
                assert found.excursion is not None
                assert found.excursion.counted_us == limit.on_delay_us
            explain_instant(
                collector, by_point, point=point.name, tier=limit.tier, at_us=at_us, shown=shown, when=clock
            )

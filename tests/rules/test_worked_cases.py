"""The twelve worked cases of the alarm semantics.

High limit 6.0, deadband 0.2, on-delay 240 min, off-delay 0, hold 15 min, a reading each 5 min unless said.
"""

from __future__ import annotations

from rules.codec import from_plain, to_plain
from rules.collector import new_state, step
from rules.types import MINUTE_US, Reading
from tests.rules.worked import every, minute, play, readings, spec, told


def test_case_1_beyond_for_the_whole_delay_and_after_it_raises_at_its_end() -> None:
    assert told(play(spec(), every("00:00", "04:05", 6.1))) == ["raised high 04:00"]


def test_case_1_is_not_decided_by_the_reading_at_the_end_of_the_delay_itself() -> None:
    assert told(play(spec(), every("00:00", "04:00", 6.1))) == []


def test_case_2_back_exactly_at_the_end_of_the_delay_is_no_alarm() -> None:
    story = [*every("00:00", "03:55", 6.1), (minute("04:00"), 5.7), (minute("04:05"), 5.7)]
    assert told(play(spec(), story)) == []


def test_case_3_a_reading_inside_the_deadband_changes_nothing() -> None:
    story = [*every("00:00", "01:55", 6.1), (minute("02:00"), 5.9), *every("02:05", "04:05", 6.1)]
    assert told(play(spec(), story)) == ["raised high 04:00"]


def test_case_4_a_reading_at_the_back_value_restarts_the_excursion() -> None:
    story = [*every("00:00", "01:55", 6.1), (minute("02:00"), 5.8), *every("02:05", "06:10", 6.1)]
    assert told(play(spec(), story)) == ["raised high 06:05"]


def test_case_5_time_stopped_and_settling_is_not_counted() -> None:
    fan = [(at, 0.0 if 60 <= at < 180 else 1.0) for at in range(0, 400, 5)]
    events = play(
        spec(running=True, settle_min=5),
        every("00:00", "06:30", 6.1),
        [(-60, 1.0), (-50, 1.0), *((at, 1.0) for at in range(-45, 0, 5)), *fan],
    )
    assert told(events) == ["raised high 06:05"]
    assert events[0].evidence.stopped_us == 125 * MINUTE_US


def test_case_6_time_without_a_known_value_is_not_counted() -> None:
    events = play(spec(), [*every("00:00", "01:00", 6.1), *every("03:00", "05:50", 6.1)])
    assert told(events) == ["raised high 05:45"]
    assert events[0].evidence.unknown_us == 105 * MINUTE_US
    assert events[0].evidence.evaluated_us == 240 * MINUTE_US


def test_case_7_the_watermark_lets_a_delay_run_out_on_a_held_value() -> None:
    story = every("00:00", "03:55", 6.1)
    assert told(play(spec(), story, watermark_min=minute("04:00"))) == []
    assert told(play(spec(), story, watermark_min=minute("04:01"))) == ["raised high 04:00"]


def test_case_8_a_delay_does_not_run_out_on_a_value_that_nobody_measured() -> None:
    assert told(play(spec(), every("00:00", "03:40", 6.1), watermark_min=minute("23:00"))) == []


def test_case_9_a_value_equal_to_the_limit_is_not_beyond_it() -> None:
    assert told(play(spec(), every("00:00", "23:55", 6.0), watermark_min=minute("23:59"))) == []


def test_case_10_an_active_alarm_clears_at_the_deadband_and_not_inside_it() -> None:
    story = [*every("00:00", "04:05", 6.1), (250, 5.81), (255, 5.80), (260, 5.80)]
    assert told(play(spec(), story)) == ["raised high 04:00", "cleared high 04:15"]


def test_case_11_restart_inside_the_deadband_keeps_the_alarm_and_raises_nothing() -> None:
    collector = spec()
    state = new_state(collector)
    assert told(play(collector, every("00:00", "04:05", 6.1), state=state)) == ["raised high 04:00"]
    again = from_plain(collector, to_plain(collector, state))
    assert again == state
    assert told(play(collector, every("04:10", "09:00", 5.9), state=again)) == []
    assert again.points["dp"].tracks[0].is_active


def test_case_12_a_burst_after_an_outage_is_evaluated_at_its_own_event_times() -> None:
    collector = spec()
    state = new_state(collector)
    play(collector, every("09:00", "10:00", 5.0), state=state, watermark_min=minute("16:00"))
    events, counts = step(collector, state, {"dp": readings(every("10:05", "15:55", 6.1))})
    assert told(events) == ["raised high 14:05"]
    assert sum(counts.values()) == counts["evaluated"]  # type: ignore[index]  # StrEnum keys equal their text


def test_equal_instants_are_duplicates_or_late() -> None:
    collector = spec()
    state = new_state(collector)
    first = Reading(MINUTE_US, 5.0)
    counts = step(collector, state, {"dp": [first, first, Reading(MINUTE_US, 5.1), Reading(0, 5.0)]})[1]
    assert {k.value: v for k, v in counts.items()} == {"evaluated": 1, "duplicate": 1, "late": 2}

"""Pulses per running hour, cleaning duty, and expected against counted pulses."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.signals import expected as expected_streaming
from rules.signals import pulses as streaming
from rules.signals.columnar.expected import expected
from rules.signals.columnar.pulses import pulses
from rules.signals.expected import ExpectedSpec, ExpectedState
from rules.signals.pulses import WINDOW_AT_MOST_US, PulsesSpec, PulsesState
from rules.signals.words import CountSample, Derived, Signal, Why
from rules.types import HOUR_US, MINUTE_US, Reading, RunState
from tests.rules.signals.twins import EXAMPLES, PLACES, S, as_derived, count_samples, counts_of, of, restored

RATE, DUTY = Signal.PULSES_PER_RUNNING_HOUR, Signal.CLEANING_DUTY
COUNTED, ROWS = Signal.PULSES_COUNTED, Signal.ROWS_NOT_FIRING
RUNNING, STOPPED, UNKNOWN = RunState.RUNNING, RunState.STOPPED, RunState.UNKNOWN
SPEC = PulsesSpec(hold_us=30 * S)
BOARD = ExpectedSpec(hold_us=30 * S, interval_us=10 * S, rows=8)


def both(spec: PulsesSpec, samples: Sequence[CountSample]) -> list[Derived]:
    """What the streaming evaluator says, having checked that the twin says the same."""
    derived = streaming.step(spec, PulsesState(), samples)
    for signal, figures in pulses(spec, counts_of(samples)).items():
        assert as_derived(signal, figures) == of(signal, derived)
    return derived


def both_expected(spec: ExpectedSpec, samples: Sequence[CountSample]) -> list[Derived]:
    derived = expected_streaming.step(spec, ExpectedState(), samples)
    for signal, figures in expected(spec, counts_of(samples)).items():
        assert as_derived(signal, figures) == of(signal, derived)
    return derived


def every_10_s(
    minutes: float,
    total: Callable[[float], float],
    *,
    from_us: int = 0,
    state: RunState = RUNNING,
    boot: str = "",
    step_s: int = 10,
) -> list[CountSample]:
    """A counter whose total at each second is given."""
    return [
        CountSample(from_us + at * S, total(at), True, state, boot) for at in range(0, int(minutes * 60) + 1, step_s)
    ]


def last(signal: Signal, derived: Sequence[Derived]) -> Derived:
    return of(signal, derived)[-1]


@pytest.mark.parametrize("per_hour", [15, 38, 106, 360])
def test_pulses_per_running_hour_tell_faults_that_pressure_hides(per_hour: int) -> None:
    """15.6 is normal, 38 at 2.5 x dust, 106 with a full hopper, 360 saturated (simulated, not validated)."""
    derived = both(SPEC, every_10_s(61, lambda at: float(at * per_hour // 3600)))
    assert last(RATE, derived).value == pytest.approx(per_hour, abs=1)


def test_cleaning_duty_is_the_share_of_running_minutes_with_a_pulse() -> None:
    """6 of 60 minutes pulse, however often."""

    def total(at: float) -> float:
        minute = int(at) // 60
        return minute // 10 * 6 + min((int(at) % 600 + 5) // 10, 6)

    derived = both(SPEC, every_10_s(60, total))
    assert last(DUTY, derived).value == pytest.approx(0.1)
    assert last(RATE, derived).value == pytest.approx(36)


def test_before_a_whole_running_hour_there_is_no_value() -> None:
    derived = of(RATE, both(SPEC, every_10_s(60, lambda at: at)))
    assert [one.why for one in derived[:-1]] == [Why.NO_DATA] + [Why.SHORT_RUN] * 59
    assert (derived[-1].at_us, derived[-1].value) == (HOUR_US, 3600.0)


def test_hours_are_running_hours_not_wall_hours() -> None:
    """Half an hour before a week's stop and half an hour after make one; pulses in the stop are not counted."""
    week_us = 7 * 24 * HOUR_US
    before = every_10_s(30, lambda at: at // 60)
    before[-1] = before[-1]._replace(state=STOPPED)
    after = every_10_s(30, lambda at: 500 + at // 60, from_us=week_us)
    derived = both(SPEC, [*before, *after])
    assert last(RATE, derived).value == 60.0
    assert last(RATE, derived).at_us == week_us + HOUR_US // 2


@pytest.mark.parametrize("boot", ["a", "b"])
def test_a_counter_that_begins_again_never_gives_negative_pulses(boot: str) -> None:
    """By its boot even where it does not decrease; the stretch of the restart counts neither time nor pulses."""
    first = 100.0 if boot == "b" else 0.0
    before = every_10_s(30, lambda at: at // 60, boot="a")
    after = every_10_s(30.5, lambda at: first + at // 60, boot=boot, from_us=30 * MINUTE_US + 10 * S)
    derived = both(SPEC, [*before, *after])
    assert Derived(30 * MINUTE_US + 10 * S, RATE, None, Why.COUNTER_RESET) in derived
    assert last(RATE, derived).value == 60.0


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"good": False}, Why.BAD_DATA),
        ({"value": -1.0}, Why.BAD_DATA),
        ({"state": UNKNOWN}, Why.RUN_UNKNOWN),
        ({"state": STOPPED}, Why.STOPPED),
        ({"at_us": 2 * HOUR_US}, Why.NO_DATA),
    ],
)
def test_what_is_not_known_is_said_once_with_its_reason_and_never_healthy(change: dict[str, object], why: Why) -> None:
    samples = every_10_s(60, lambda at: at)
    odd = samples[-1]._replace(at_us=HOUR_US + 10 * S, value=3610.0)._replace(**change)  # type: ignore[arg-type]
    again = odd._replace(at_us=odd.at_us + 10 * S)
    ends = [one for one in both(SPEC, [*samples, odd, again]) if one.at_us > HOUR_US]
    assert [(one.value, one.why) for one in ends] == [(None, why)] * 2


def test_a_reading_behind_a_bad_one_ends_no_stretch() -> None:
    samples = every_10_s(3, lambda at: at)
    samples[6] = samples[6]._replace(good=False)
    samples[9] = samples[9]._replace(value=-1.0, good=True)
    derived = of(RATE, both(SPEC, samples))
    said = [(one.at_us // S, one.why) for one in derived]
    unknown = [(0, Why.NO_DATA), (60, Why.BAD_DATA), (80, Why.SHORT_RUN), (90, Why.BAD_DATA), (160, Why.SHORT_RUN)]
    assert said == unknown  # 70 and 100 end no stretch either, and the minutes close after 60 s of those that count


def test_a_reading_that_is_not_news_is_passed_over() -> None:
    once = every_10_s(61, lambda at: at // 60)
    again = [one for sample in once for one in (sample, sample, sample._replace(at_us=sample.at_us - S, value=9e6))]
    assert both(SPEC, again) == both(SPEC, once)
    assert both_expected(BOARD, again) == both_expected(BOARD, once)


def test_readings_further_apart_than_running_minutes_cannot_tell_duty() -> None:
    slow = PulsesSpec(hold_us=HOUR_US)
    derived = both(slow, every_10_s(120, lambda at: at // 60, step_s=300))
    assert last(RATE, derived).value == 60.0
    assert last(DUTY, derived)[2:] == (None, Why.NOT_OBSERVABLE)


def test_a_rate_is_weighted_by_running_time_and_cannot_tell_duty() -> None:
    rate = PulsesSpec(hold_us=30 * S, is_rate=True)
    derived = both(rate, every_10_s(60, lambda at: 30.0 if at < 1800 else 10.0))
    assert last(RATE, derived).value == pytest.approx(20.0)
    assert last(DUTY, derived)[2:] == (None, Why.NOT_OBSERVABLE)


def test_a_window_is_bounded() -> None:
    for window_us in (MINUTE_US - 1, WINDOW_AT_MOST_US + 1):
        with pytest.raises(ValueError, match="window of running time"):
            PulsesSpec(hold_us=S, window_us=window_us)
    state = PulsesState()
    streaming.step(PulsesSpec(30 * S, window_us=MINUTE_US), state, every_10_s(600, lambda at: at))
    assert len(state.minutes) == 1


def test_an_unknown_value_is_a_reading_that_is_not_good() -> None:
    assert Derived(7, RATE, None, Why.NO_DATA).as_reading() == Reading(7, 0.0, False)
    assert Derived(7, RATE, 15.0).as_reading() == Reading(7, 15.0)


@pytest.mark.parametrize(
    ("share", "rows", "why"),
    [
        (7 / 8, 1.0, Why.KNOWN),  # 630 of 720 in 2 h at 10 s: one of eight (from memory)
        (1.0, 0.0, Why.KNOWN),
        (4 / 8, 4.0, Why.KNOWN),
        (0.0, 8.0, Why.KNOWN),  # the board does not step, or nobody counts it
        (15 / 16, None, Why.DOES_NOT_FIT),
        (1.5, None, Why.MORE_THAN_EXPECTED),
    ],
)
def test_a_share_of_the_expected_pulses_says_how_many_rows_do_not_fire(
    share: float, rows: float | None, why: Why
) -> None:
    board = ExpectedSpec(hold_us=30 * S, interval_us=10 * S, rows=8, turns=90)
    samples = every_10_s(120, lambda at: float(round(at / 10 * share)))
    assert samples[-1].value == round(720 * share)
    derived = both_expected(board, samples)
    assert last(COUNTED, derived).value == share
    assert last(ROWS, derived)[2:] == (rows, why)


def test_time_without_cleaning_expects_no_pulses_and_says_so() -> None:
    idle = every_10_s(600, lambda _at: 5.0, state=STOPPED)
    derived = both_expected(BOARD, idle)
    assert [one.why for one in of(ROWS, derived)] == [Why.NO_DATA, Why.STOPPED]


@settings(max_examples=EXAMPLES, deadline=None)
@given(
    st.sampled_from(
        (
            PulsesSpec(125 * S, 3 * MINUTE_US),
            PulsesSpec(125 * S, 2 * MINUTE_US, is_rate=True),
            PulsesSpec(60 * S, MINUTE_US),
        )
    ),
    count_samples(),
    PLACES,
)
def test_batches_cut_anywhere_and_arrays_say_the_same(
    spec: PulsesSpec, samples: list[CountSample], places: list[int]
) -> None:
    def step(state: PulsesState, part: Sequence[CountSample]) -> list[Derived]:
        return streaming.step(spec, state, part)

    assert restored(step, PulsesState(), samples, places) == both(spec, samples)


@settings(max_examples=EXAMPLES, deadline=None)
@given(st.sampled_from((2, 3)), count_samples(), PLACES)
def test_expected_pulses_are_the_same_in_batches_and_in_arrays(
    rows: int, samples: list[CountSample], places: list[int]
) -> None:
    spec = ExpectedSpec(125 * S, interval_us=20 * S, rows=rows, turns=2)

    def step(state: ExpectedState, part: Sequence[CountSample]) -> list[Derived]:
        return expected_streaming.step(spec, state, part)

    assert restored(step, ExpectedState(), samples, places) == both_expected(spec, samples)

"""Airflow at the gas's own density, and start-of-shift drag."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.signals import airflow as streaming
from rules.signals import drag as drag_streaming
from rules.signals.airflow import AirflowSpec, AirflowState, AirReading
from rules.signals.columnar.airflow import airflow
from rules.signals.columnar.counting import STATES
from rules.signals.columnar.drag import DragSamples, drag
from rules.signals.drag import SAMPLES_AT_MOST, DragSample, DragSpec, DragState
from rules.signals.words import Derived, Signal, Why
from rules.types import HOUR_US, MINUTE_US, RunState
from tests.rules.signals.twins import EXAMPLES, PLACES, S, as_derived, column, of, restored

CFM = 0.3048**3 / 60  # exact from the foot
INCH_WATER_PA = 249.08891  # NIST SP 811 B.8
FLOW, SHARE = Signal.AIRFLOW, Signal.AIRFLOW_OF_BASELINE
SPEC = AirflowSpec(hold_us=30 * S, baseline=8000 * CFM)
RUNNING, STOPPED, UNKNOWN = RunState.RUNNING, RunState.STOPPED, RunState.UNKNOWN


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32) / 1.8


def both(spec: AirflowSpec, readings: Sequence[AirReading]) -> list[Derived]:
    derived = streaming.step(spec, AirflowState(), readings)
    at, value, good, warm = zip(*readings, strict=True) if readings else [()] * 4
    columns = (column(at, np.int64), column(value, np.float64), column(good, np.bool_), column(warm, np.bool_))
    for signal, figures in airflow(spec, *columns).items():
        assert as_derived(signal, figures) == of(signal, derived)
    return derived


@pytest.mark.parametrize(("fahrenheit", "expected"), [(20, 7537), (70, 7920), (110, 8213)])
def test_airflow_is_corrected_for_density(fahrenheit: float, expected: float) -> None:
    """7,920 cfm at 20 degF is 7,537, at 110 degF 8,213: Q = Q_ind sqrt((460 + T) / 530), a public instrument brochure;
    with 459.67 degF for 460 it differs by less than one."""
    found = both(SPEC, [AirReading(S, celsius(fahrenheit), True, True), AirReading(2 * S, 7920 * CFM)])
    assert found[0].value is not None
    assert found[1].value is not None
    assert found[0].value / CFM == pytest.approx(expected, abs=1)
    assert found[1].value == pytest.approx(expected / 8000, abs=1e-4)


WARM = AirReading(S, 20.0, True, True)


@pytest.mark.parametrize(
    ("readings", "why"),
    [
        ([AirReading(2 * S, 3.7)], Why.NO_TEMPERATURE),
        ([WARM, AirReading(31 * S, 3.7)], Why.NO_TEMPERATURE),
        ([WARM, AirReading(31 * S - 1, 3.7)], Why.KNOWN),
        ([WARM._replace(good=False), AirReading(2 * S, 3.7)], Why.NO_TEMPERATURE),
        ([WARM._replace(value=-300.0), AirReading(2 * S, 3.7)], Why.NO_TEMPERATURE),
        ([WARM, AirReading(2 * S, 3.7, False)], Why.BAD_DATA),
    ],
)
def test_without_both_there_is_no_airflow(readings: list[AirReading], why: Why) -> None:
    assert [one.why for one in both(SPEC, readings)] == [why, why]


def test_without_an_accepted_baseline_there_is_no_share() -> None:
    found = both(AirflowSpec(30 * S), [WARM, AirReading(2 * S, 3.7)])
    assert [one.why for one in found] == [Why.KNOWN, Why.NO_BASELINE]


def test_what_is_late_or_comes_twice_is_passed_over() -> None:
    flow = AirReading(2 * S, 3.7)
    odd = [flow, flow._replace(value=9.0), WARM._replace(value=90.0), WARM._replace(at_us=2 * S)]
    assert len(both(SPEC, [WARM, *odd])) == 2
    assert both(SPEC, []) == []


AIR = st.tuples(
    st.sampled_from((0, 0, S, 10 * S, 30 * S, 31 * S, -S)),
    st.sampled_from((-300.0, -12.5, 0.0, 3.7, 20.0)),
    st.sampled_from((True, True, True, False)),
    st.booleans(),
)


@settings(max_examples=EXAMPLES, deadline=None)
@given(st.sampled_from((None, 3.6)), st.lists(AIR, max_size=40), PLACES)
def test_batches_cut_anywhere_and_arrays_say_the_same(
    baseline: float | None, rows: list[tuple[int, float, bool, bool]], places: list[int]
) -> None:
    spec, at_us, readings = AirflowSpec(30 * S, baseline), 1_000 * S, list[AirReading]()
    for step_us, *rest in rows:
        at_us += step_us
        readings.append(AirReading(at_us, *rest))

    def step(state: AirflowState, part: Sequence[AirReading]) -> list[Derived]:
        return streaming.step(spec, state, part)

    assert restored(step, AirflowState(), readings, places) == both(spec, readings)


AREA_M2 = 3616 * 0.3048**2
DRAG = DragSpec(AREA_M2, hold_us=2 * MINUTE_US)


def both_drag(spec: DragSpec, samples: Sequence[DragSample]) -> list[Derived]:
    derived = drag_streaming.step(spec, DragState(), samples)
    assert derived == twin_drag(spec, samples)
    return derived


def twin_drag(spec: DragSpec, samples: Sequence[DragSample]) -> list[Derived]:
    figures = drag(
        spec,
        DragSamples(
            column((one.at_us for one in samples), np.int64),
            column((one.dp for one in samples), np.float64),
            column((one.airflow for one in samples), np.float64),
            column((one.good for one in samples), np.bool_),
            column((STATES.index(one.state) for one in samples), np.int8),
        ),
    )
    return as_derived(Signal.START_DRAG, figures)


def shift(minutes: int, *, rest_h: int = 5, dp_pa: float = 2.80 * INCH_WATER_PA) -> list[DragSample]:
    """A rest, and then a run: a sample each minute; minutes 5 to 15 rise around the pressure, all others are odd."""
    rest = [DragSample(at * MINUTE_US, 0.0, 0.0, True, STOPPED) for at in range(rest_h * 60)]
    start = rest_h * 60
    run = [
        DragSample(
            (start + at) * MINUTE_US, dp_pa + 20 * (at - 10) if 5 <= at <= 15 else 9e9, 8060 * CFM, True, RUNNING
        )
        for at in range(minutes)
    ]
    return [*rest, *run]


def test_drag_is_the_median_of_minutes_5_to_15_after_the_first_start() -> None:
    """2.80 in. water at 8,060 cfm over 3,616 ft2 is 1.256 in. water per ft/min (worked by hand)."""
    found = both_drag(DRAG, shift(20))
    assert [one.at_us for one in found] == [5 * HOUR_US + 15 * MINUTE_US]
    assert found[0].value is not None
    assert found[0].value / INCH_WATER_PA * (0.3048 / 60) == pytest.approx(1.256, abs=0.001)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"state": STOPPED}, Why.SHORT_RUN),
        ({"state": UNKNOWN}, Why.RUN_UNKNOWN),
        ({"at_us": 5 * HOUR_US + 13 * MINUTE_US}, Why.NO_DATA),
    ],
)
def test_a_start_that_breaks_off_gives_no_drag(change: dict[str, object], why: Why) -> None:
    samples = shift(11)
    odd = samples[-1]._replace(**change)  # type: ignore[arg-type]
    assert both_drag(DRAG, [*samples[:-1], odd]) == [Derived(odd.at_us, Signal.START_DRAG, None, why)]


@pytest.mark.parametrize(
    ("bad", "why"), [(5, Why.KNOWN), (6, Why.BAD_DATA)], ids=["five of eleven are bad", "six of eleven are bad"]
)
@pytest.mark.parametrize("change", [{"good": False}, {"airflow": 0.0}])
def test_more_than_half_of_the_samples_must_be_good_and_flow(bad: int, why: Why, change: dict[str, object]) -> None:
    samples = shift(20)
    start = len(samples) - 15
    for place in range(start, start + bad):
        samples[place] = samples[place]._replace(**change)  # type: ignore[arg-type]
    assert [one.why for one in both_drag(DRAG, samples)] == [why]


def test_too_few_or_too_many_samples_give_no_drag() -> None:
    sparse = DragSpec(AREA_M2, hold_us=HOUR_US)
    samples = shift(20)
    few = [*samples[:-19], *samples[-14:-12], samples[-1]]
    assert [one.why for one in both_drag(sparse, few)] == [Why.TOO_FEW]
    start = samples[-20]
    dense = [start._replace(at_us=start.at_us + 6 * MINUTE_US + at * 100_000) for at in range(SAMPLES_AT_MOST + 1)]
    end = start._replace(at_us=start.at_us + 16 * MINUTE_US)
    assert [one.why for one in both_drag(sparse, [*samples[:-19], *dense, end])] == [Why.TOO_MANY]


def test_a_start_after_a_short_or_unseen_rest_is_not_the_first() -> None:
    assert both_drag(DRAG, shift(20, rest_h=3)) == []
    seen = shift(20)
    unseen = [one for one in seen if not HOUR_US < one.at_us < 3 * HOUR_US]
    assert both_drag(DRAG, unseen) == []
    assert both_drag(DRAG, seen[:-1][:-4]) == []  # it is still measured
    assert both_drag(DRAG, []) == []


def test_a_repeated_sample_is_not_news() -> None:
    samples = shift(20)
    assert both_drag(DRAG, [one for sample in samples for one in (sample, sample)]) == both_drag(DRAG, samples)


@settings(max_examples=EXAMPLES, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from((*[RUNNING] * 4, *[STOPPED] * 3, UNKNOWN)),
            st.integers(1, 20),
            st.sampled_from((MINUTE_US, MINUTE_US, 2 * MINUTE_US, 2 * MINUTE_US + 1, 0)),
            st.sampled_from((True, True, False)),
        ),
        max_size=12,
    ),
    PLACES,
)
def test_drag_is_the_same_in_batches_and_in_arrays(
    runs: list[tuple[RunState, int, int, bool]], places: list[int]
) -> None:
    spec, at_us, samples = DragSpec(AREA_M2, 2 * MINUTE_US, rest_us=5 * MINUTE_US), HOUR_US, list[DragSample]()
    for state, times, step_us, good in runs:
        for place in range(times):
            at_us += step_us
            samples.append(DragSample(at_us, 700.0 + place % 7, 3.7, good or place % 3 > 0, state))

    def step(state: DragState, part: Sequence[DragSample]) -> list[Derived]:
        return drag_streaming.step(spec, state, part)

    assert restored(step, DragState(), samples, places) == twin_drag(spec, samples)

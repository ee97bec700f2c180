"""The emission floor between pulses, and the leak score."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.signals import emission as streaming
from rules.signals import leak as leak_streaming
from rules.signals.columnar.counting import STATES
from rules.signals.columnar.emission import EmissionSamples, emission
from rules.signals.columnar.figures import CODE, Figures
from rules.signals.columnar.leak import leak
from rules.signals.emission import SAMPLES_AT_MOST, UNCOUNTED, EmissionSample, EmissionSpec, EmissionState
from rules.signals.leak import DAY_US, DAYS_AT_MOST, LEAST_SPREAD, LeakSpec, LeakState, Reference, reference_of
from rules.signals.words import Derived, Signal, Why
from rules.types import HOUR_US, RunState
from tests.rules.signals.twins import EXAMPLES, PLACES, S, as_derived, column, restored

FLOOR, SCORE = Signal.EMISSION_FLOOR, Signal.LEAK_SCORE
SPEC = EmissionSpec(decay_us=4 * S)
RUNNING, STOPPED, UNKNOWN = RunState.RUNNING, RunState.STOPPED, RunState.UNKNOWN
SOUND = Reference(0.30, 0.25)


def twin(spec: EmissionSpec, samples: Sequence[EmissionSample]) -> list[Derived]:
    figures = emission(
        spec,
        EmissionSamples(
            column((one.at_us for one in samples), np.int64),
            column((one.value for one in samples), np.float64),
            column((one.good for one in samples), np.bool_),
            column((one.pulses for one in samples), np.int64),
            column((STATES.index(one.state) for one in samples), np.int8),
        ),
    )
    return as_derived(FLOOR, figures)


def both(samples: Sequence[EmissionSample]) -> list[Derived]:
    derived = streaming.step(SPEC, EmissionState(), samples)
    assert derived == twin(SPEC, samples)
    return derived


def twin_leak(spec: LeakSpec, floors: Sequence[Derived]) -> list[Derived]:
    given_figures = Figures(
        column((one.at_us for one in floors), np.int64),
        column((np.nan if one.value is None else one.value for one in floors), np.float64),
        column((CODE[one.why] for one in floors), np.int8),
    )
    return as_derived(SCORE, leak(spec, given_figures))


def both_leak(spec: LeakSpec, floors: Sequence[Derived]) -> list[Derived]:
    derived = leak_streaming.step(spec, LeakState(), floors)
    assert derived == twin_leak(spec, floors)
    return derived


def hour(base: float = 0.30, **change: object) -> list[EmissionSample]:
    """A sample each 10 s for an hour and one more; every 4 minutes a pulse, whose peak of 0.9 decays in 4 s
    (simulated, not validated)."""
    samples = []
    for at_s in range(10, 3620, 10):
        peak = 0.9 * math.exp(-(at_s % 240) / 4.0)
        sample = EmissionSample(at_s * S, base + peak, True, int(at_s % 240 == 0), RUNNING)
        samples.append(sample._replace(**change) if at_s <= 3600 else sample)  # type: ignore[arg-type]
    return samples


def days(rows: Sequence[Sequence[float | None]]) -> list[Derived]:
    """Floors by day and hour; a last one shows that the days are over."""
    floors = [
        Derived(day * DAY_US + (place + 1) * HOUR_US, FLOOR, value, Why.STOPPED if value is None else Why.KNOWN)
        for day, row in enumerate(rows)
        for place, value in enumerate(row)
    ]
    return [*floors, Derived(len(rows) * DAY_US + HOUR_US, FLOOR, 1.0)]


def test_the_floor_is_what_is_left_between_pulses() -> None:
    (found,) = both(hour())
    assert found.at_us == HOUR_US
    assert found.value == pytest.approx(0.30, abs=0.001)


def after_pulses(count: int, later_us: int) -> list[EmissionSample]:
    """Pulses a minute apart, each with its peak and, a while after it, one sample: 1.0, 2.0, and so on."""
    pairs = [
        (
            EmissionSample(at * 60 * S, 99.0, True, 1, RUNNING),
            EmissionSample(at * 60 * S + later_us, at, True, 0, RUNNING),
        )
        for at in range(1, count + 1)
    ]
    return [*(one for pair in pairs for one in pair), EmissionSample(HOUR_US + S, 0.0, True, 0, RUNNING)]


@pytest.mark.parametrize(
    ("count", "later_us", "value", "why"),
    [
        (20, 20 * S, 2.0, Why.KNOWN),  # five time constants of 4 s; the second of 20 is the tenth percentile
        (21, 20 * S, 3.0, Why.KNOWN),
        (20, 20 * S - 1, None, Why.TOO_FEW),
        (19, 20 * S, None, Why.TOO_FEW),
    ],
)
def test_samples_count_from_five_time_constants_after_a_pulse(
    count: int, later_us: int, value: float | None, why: Why
) -> None:
    assert both(after_pulses(count, later_us)) == [Derived(HOUR_US, FLOOR, value, why)]


def test_a_leak_lifts_the_floor_and_a_larger_peak_does_not() -> None:
    """A tear of 30 mm: 1.71 for 0.30 (simulated, not validated)."""
    assert both(hour(1.71))[0].value == pytest.approx(1.71, abs=0.001)
    peaks = [one._replace(value=99.0) if one.pulses else one for one in hour()]
    assert both(peaks) == both(hour())


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"pulses": 1}, Why.TOO_FEW),  # it cleans all the time: there is nothing between pulses
        ({"pulses": UNCOUNTED}, Why.NOT_OBSERVABLE),
        ({"good": False}, Why.BAD_DATA),
        ({"state": STOPPED}, Why.STOPPED),
        ({"state": UNKNOWN}, Why.RUN_UNKNOWN),
    ],
)
def test_an_hour_without_such_samples_has_no_floor(change: dict[str, object], why: Why) -> None:
    assert both(hour(**change)) == [Derived(HOUR_US, FLOOR, None, why)]


def test_samples_are_bounded_and_silence_is_said_once() -> None:
    fast = [EmissionSample(1 + at * 100_000, 0.3, True, 0, RUNNING) for at in range(SAMPLES_AT_MOST + 1)]
    later = EmissionSample(5 * HOUR_US, 0.3, True, 0, RUNNING)
    assert both([*fast, later]) == [
        Derived(HOUR_US, FLOOR, None, Why.TOO_MANY),
        Derived(2 * HOUR_US, FLOOR, None, Why.NO_DATA),
    ]
    assert both([*fast[:-1], later])[0].value == 0.3
    assert both([]) == []
    assert both([one for sample in hour() for one in (sample, sample)]) == both(hour())


def test_a_leak_score_is_in_spreads_of_the_logarithm() -> None:
    """ln(1.71 / 0.30) / 0.25 = 6.96 (worked by hand)."""
    found = both_leak(LeakSpec(SOUND), days([[1.71] * 24]))
    assert found[0].at_us == DAY_US
    assert found[0].value == pytest.approx(6.96, abs=0.005)


def test_days_that_agree_add_up_by_the_root_of_their_number() -> None:
    found = both_leak(LeakSpec(SOUND, days=3), days([[0.33] * 4] * 4))
    one = math.log(0.33 / 0.30) / 0.25
    assert [score.value for score in found] == [pytest.approx(one * math.sqrt(count)) for count in (1, 2, 3, 3)]


def test_a_spread_too_small_to_be_true_counts_as_the_least() -> None:
    found = both_leak(LeakSpec(Reference(0.30, 0.01)), days([[0.33] * 4]))
    assert found[0].value == pytest.approx(math.log(1.1) / LEAST_SPREAD)


@pytest.mark.parametrize(
    ("row", "why"),
    [([None, None], Why.STOPPED), ([0.3, None], Why.TOO_FEW), ([0.0, 0.0], Why.BAD_DATA), ([0.3, 0.3], Why.KNOWN)],
)
def test_a_day_without_floors_gives_no_score(row: list[float | None], why: Why) -> None:
    assert [one.why for one in both_leak(LeakSpec(SOUND), days([row]))] == [why]
    assert [one.why for one in both_leak(LeakSpec(None), days([row]))] == [Why.NO_BASELINE]
    assert both_leak(LeakSpec(SOUND), []) == []


def test_a_day_with_more_floors_than_hours_gives_no_score_and_repeats_are_passed_over() -> None:
    quarters = [Derived((at + 1) * HOUR_US // 4, FLOOR, 0.3) for at in range(25)]
    later = Derived(2 * DAY_US, FLOOR, 0.3)
    assert both_leak(LeakSpec(SOUND), [*quarters, later])[0].why is Why.TOO_MANY
    state = LeakState()
    leak_streaming.step(
        LeakSpec(SOUND), state, [one._replace(at_us=place + 1) for place, one in enumerate(quarters * 9)]
    )
    assert len(state.floors) == 25
    repeated = [one for floor in quarters[:24] for one in (floor, floor._replace(value=9.0))]
    assert both_leak(LeakSpec(SOUND), [*repeated, later]) == [Derived(DAY_US, SCORE, 0.0)]


def test_a_reference_needs_a_week_of_good_days() -> None:
    found = reference_of([0.30, 0.28, 0.33, 0.30, 0.25, 0.36, 0.30])
    assert found.floor == 0.30
    assert found.spread == pytest.approx(float(np.std(np.log([0.30, 0.28, 0.33, 0.30, 0.25, 0.36, 0.30]), ddof=1)))
    for floors in ([0.3] * 6, [0.3] * 6 + [0.0]):
        with pytest.raises(ValueError, match="floors for a reference"):
            reference_of(floors)


@pytest.mark.parametrize("count", [0, DAYS_AT_MOST + 1])
def test_days_are_bounded(count: int) -> None:
    with pytest.raises(ValueError, match="days of a leak score"):
        LeakSpec(SOUND, count)


@settings(max_examples=EXAMPLES, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(1, 30),
            st.sampled_from((60 * S, 120 * S, 19 * S, 20 * S, 7200 * S, 0)),
            st.sampled_from((0, 0, 0, 1, UNCOUNTED)),
            st.sampled_from((*[RUNNING] * 5, STOPPED, UNKNOWN)),
            st.sampled_from((True, True, True, False)),
        ),
        max_size=12,
    ),
    PLACES,
)
def test_floors_are_the_same_in_batches_and_in_arrays(
    runs: list[tuple[int, int, int, RunState, bool]], places: list[int]
) -> None:
    at_us, samples = 1_000 * S, list[EmissionSample]()
    for times, step_us, pulses, state, good in runs:
        for place in range(times):
            at_us += step_us
            samples.append(EmissionSample(at_us, 0.3 + place * 7 % 11, good, pulses, state))

    def step(state: EmissionState, part: Sequence[EmissionSample]) -> list[Derived]:
        return streaming.step(SPEC, state, part)

    assert restored(step, EmissionState(), samples, places) == twin(SPEC, samples)


@settings(max_examples=EXAMPLES, deadline=None)
@given(
    st.sampled_from((None, SOUND, Reference(0.3, 0.0))),
    st.integers(1, 4),
    st.lists(st.lists(st.sampled_from((None, 0.0, 0.3, 0.31, 1.7)), max_size=5), max_size=9),
    PLACES,
)
def test_scores_are_the_same_in_batches_and_in_arrays(
    reference: Reference | None, count: int, rows: list[list[float | None]], places: list[int]
) -> None:
    spec = LeakSpec(reference, count)

    def step(state: LeakState, part: Sequence[Derived]) -> list[Derived]:
        return leak_streaming.step(spec, state, part)

    assert restored(step, LeakState(), days(rows), places) == both_leak(spec, days(rows))

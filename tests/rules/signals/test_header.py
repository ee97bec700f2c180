"""Between-pulse header pressure: what a sampler sees of a pulsed header, and when it sees nothing."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.signals import header as streaming
from rules.signals.columnar.header import header
from rules.signals.header import SAMPLES_AT_MOST, UNCOUNTED, HeaderSample, HeaderSpec, HeaderState, Sends
from rules.signals.words import Derived, Signal, Why
from tests.rules.signals.twins import EXAMPLES, PLACES, S, as_derived, column, restored

PSI = 6_894.757293168361  # NIST SP 811 B.8
SPEC = HeaderSpec(pulse_interval_us=10 * S)
LOW_PSI = 75.0  # common practice, no source
SIGNAL = Signal.HEADER_BETWEEN_PULSES


def pulsed(at_s: float) -> float:
    """A healthy header in Pa, pulsed every 10 s: 90 to 72.2 psig, recovery time constant 2.0 s (simulated, not
    validated against a plant)."""
    return (90 - 17.8 * math.exp(-(at_s % 10) / 2.0)) * PSI


def sampled(period_s: float, phase_s: float, *, minutes: int = 3, pulses: int = UNCOUNTED) -> list[HeaderSample]:
    count = int(minutes * 60 / period_s)
    instants = [phase_s + place * period_s for place in range(count + 1)]
    return [HeaderSample(round(at_s * S) + 1, pulsed(at_s), True, pulses) for at_s in instants]


def figures(spec: HeaderSpec, samples: list[HeaderSample]) -> list[Derived]:
    return as_derived(
        SIGNAL,
        header(
            spec,
            column((one.at_us for one in samples), np.int64),
            column((one.value for one in samples), np.float64),
            column((one.good for one in samples), np.bool_),
            column((one.pulses for one in samples), np.int64),
        ),
    )


def both(spec: HeaderSpec, samples: list[HeaderSample]) -> list[Derived]:
    """What the streaming evaluator says, having checked that the twin says the same."""
    derived = streaming.step(spec, HeaderState(), samples)
    assert derived == figures(spec, samples)
    return derived


@pytest.mark.parametrize("period_s", [10, 30, 60])
def test_a_raw_sample_of_a_healthy_header_can_lie_below_the_low_limit_every_time(period_s: int) -> None:
    """Two of five sampling phases (simulated, not validated): the reason why these samples are not believed."""
    blind = [all(one.value / PSI < LOW_PSI for one in sampled(period_s, phase)) for phase in (0, 0.3, 2, 4, 8)]
    assert blind == [True, True, False, False, False]


@pytest.mark.parametrize("period_s", [10, 20, 30, 60, 15, 9, 5, 3.4])
@pytest.mark.parametrize("phase_s", [0, 2.5])
def test_samples_too_slow_for_the_pulses_give_no_number(period_s: float, phase_s: float) -> None:
    derived = both(SPEC, sampled(period_s, phase_s))
    assert derived
    assert {(one.value, one.why) for one in derived} == {(None, Why.NOT_OBSERVABLE)}


@pytest.mark.parametrize("period_s", [0.5, 1, 2, 2.5, 3.3])
def test_samples_fast_enough_find_the_pressure_between_pulses_at_every_phase(period_s: float) -> None:
    for phase in range(10):
        for one in both(SPEC, sampled(period_s, phase * period_s / 10)):
            assert one.value is not None
            assert 90 - 17.8 / 5 < one.value / PSI < 90  # above the limit of 75 by far


@pytest.mark.parametrize("sends", [Sends.BETWEEN, Sends.HIGHEST])
def test_the_gateways_own_value_is_believed_at_any_rate(sends: Sends) -> None:
    samples = [HeaderSample(minute * 60 * S, 89.9 * PSI) for minute in range(1, 4)]
    derived = both(HeaderSpec(10 * S, sends), samples)
    assert derived == [Derived(60 * S, SIGNAL, 89.9 * PSI), Derived(120 * S, SIGNAL, 89.9 * PSI)]


def test_where_no_pulse_was_counted_slow_samples_are_enough() -> None:
    idle = [HeaderSample(minute * 60 * S, 90 * PSI, True, 0) for minute in range(1, 4)]
    assert [one.value for one in both(SPEC, idle)] == [90 * PSI] * 2
    pulsing = [one._replace(pulses=1) for one in idle]
    assert [one.why for one in both(SPEC, pulsing)] == [Why.NOT_OBSERVABLE] * 2


@pytest.mark.parametrize(
    ("seconds", "good", "expected"),
    [
        ([1, 3, 5, 7, 9, 11], 6, Why.KNOWN),
        ([1, 2, 3, 4], 4, Why.TOO_FEW),  # they may all lie in one dip
        ([1], 1, Why.NOT_OBSERVABLE),  # nobody knows how often it is sampled
        ([1, 3, 5, 7, 9, 11], 3, Why.BAD_DATA),
        ([1, 3], 0, Why.BAD_DATA),
    ],
)
def test_an_interval_needs_good_samples_over_a_whole_pulse_interval(
    seconds: list[int], good: int, expected: Why
) -> None:
    samples = [HeaderSample(at * S, 600_000.0, place < good) for place, at in enumerate(seconds)]
    derived = both(SPEC, [*samples, HeaderSample(61 * S, 0.0)])
    assert [(one.at_us, one.why) for one in derived] == [(60 * S, expected)]


def test_more_samples_than_are_kept_give_no_number() -> None:
    fast = HeaderSpec(10 * S)
    for count, why in ((SAMPLES_AT_MOST, Why.KNOWN), (SAMPLES_AT_MOST + 1, Why.TOO_MANY)):
        samples = [HeaderSample(1 + place * 10_000, float(place % 7)) for place in range(count)]
        state = HeaderState()
        streaming.step(fast, state, samples)
        assert len(state.values) == SAMPLES_AT_MOST
        assert [one.why for one in both(fast, [*samples, HeaderSample(60 * S + 1, 0.0)])] == [why]


def test_silence_is_said_once_and_never_as_a_number() -> None:
    samples = [HeaderSample(at, 1.0, True, 0) for at in (60 * S, 3600 * S, 3601 * S)]
    assert both(SPEC, samples) == [
        Derived(60 * S, SIGNAL, 1.0),
        Derived(120 * S, SIGNAL, None, Why.NO_DATA),
        Derived(3600 * S, SIGNAL, 1.0),
    ]


def test_nothing_gives_nothing_and_bad_samples_alone_give_no_number() -> None:
    assert both(SPEC, []) == []
    bad = [HeaderSample(at * S, 90 * PSI, False) for at in (10, 70)]
    assert both(SPEC, bad) == [Derived(60 * S, SIGNAL, None, Why.BAD_DATA)]


def test_a_sample_that_is_not_news_is_passed_over() -> None:
    once = [HeaderSample(at * S, at / 7) for at in range(0, 130, 2)]
    again = [one for sample in once for one in (sample, sample, sample._replace(at_us=sample.at_us - S, value=9.9))]
    assert both(SPEC, again) == both(SPEC, once)


@st.composite
def histories(draw: st.DrawFn) -> list[HeaderSample]:
    at_us, samples = 1_000 * S, list[HeaderSample]()
    usual = draw(st.sampled_from((2 * S, 3 * S, 5 * S, 10 * S)))
    counted = draw(st.sampled_from((UNCOUNTED, 0, 0)))
    for _ in range(draw(st.integers(0, 60))):
        at_us += draw(st.sampled_from((*[usual] * 6, S, 20 * S, 70 * S, 0, -S)))
        value = draw(st.sampled_from((0.0, 1.5, 72.2, 88.1, 89.9, 90.0)))
        pulses = draw(st.sampled_from((counted, counted, counted, 1)))
        samples.append(HeaderSample(at_us, value, draw(st.sampled_from((True, True, True, False))), pulses))
    return samples


@settings(max_examples=EXAMPLES, deadline=None)
@given(st.sampled_from((HeaderSpec(9 * S, interval_us=20 * S), HeaderSpec(9 * S, Sends.HIGHEST))), histories(), PLACES)
def test_batches_cut_anywhere_and_arrays_say_the_same(
    spec: HeaderSpec, samples: list[HeaderSample], places: list[int]
) -> None:
    def step(state: HeaderState, part: list[HeaderSample]) -> list[Derived]:
        return streaming.step(spec, state, part)

    assert restored(step, HeaderState(), samples, places) == figures(spec, samples)

"""Sag and recovery at each pulse, and the verdict on each valve position."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.signals import sags as sag_streaming
from rules.signals import valves as streaming
from rules.signals.columnar.figures import CODE
from rules.signals.columnar.sags import Sags, SagSamples, sags
from rules.signals.columnar.valves import VERDICTS, valves
from rules.signals.sags import NEVER, NOWHERE, Sag, SagSample, SagSpec, SagState
from rules.signals.valves import LEARNS, TURNS, Valve, ValvesSpec, ValvesState, Verdict
from rules.signals.words import Why
from tests.rules.signals.twins import EXAMPLES, PLACES, REASONS, S, column, restored

PSI = 6_894.757293168361  # NIST SP 811 B.8
ROWS = 8
SPEC = SagSpec(ROWS, hold_us=30 * S)
VALVES = ValvesSpec(ROWS)


def sampled(depth_psi: Callable[[int], float], *, pulses: int, step_s: float = 1.0) -> list[SagSample]:
    """Spot samples of a header at 90 psig that is pulsed every 10 s and recovers with a time constant of 2.0 s; the
    depth of each pulse is given (simulated, not validated). The sample before each pulse is the highest."""
    samples = []
    for place in range(int(pulses * 10 / step_s) + 1):
        at_s = place * step_s
        pulse = int(at_s // 10)
        value = (90 - depth_psi(pulse) * math.exp(-(at_s - pulse * 10) / 2.0)) * PSI
        samples.append(SagSample(round(at_s * S), value, value, pulse))
    return samples


def sag_columns(given: Sequence[Sag]) -> Sags:
    names = zip(*given, strict=True) if given else [()] * len(Sag._fields)
    at, position, share, why, before, recovery, idle, supply = names
    return Sags(
        column(at, np.int64),
        column(position, np.int64),
        column((np.nan if one is None else one for one in share), np.float64),
        column((CODE[one] for one in why), np.int8),
        column(before, np.float64),
        column(recovery, np.int64),
        column(idle, np.int64),
        column(supply, np.bool_),
    )


def twin_sags(spec: SagSpec, samples: Sequence[SagSample]) -> list[Sag]:
    kinds = (np.int64, np.float64, np.float64, np.int64, np.bool_, np.str_, np.bool_)
    names = zip(*samples, strict=True) if samples else [()] * len(kinds)
    found = sags(spec, SagSamples(*(column(values, kind) for values, kind in zip(names, kinds, strict=True))))
    return [
        Sag(at, position, None if math.isnan(share) else share, REASONS[why], *rest)
        for at, position, share, why, *rest in zip(*(values.tolist() for values in found), strict=True)
    ]


def both_sags(spec: SagSpec, samples: Sequence[SagSample]) -> list[Sag]:
    found = sag_streaming.step(spec, SagState(), samples)
    assert found == twin_sags(spec, samples)
    return found


def both(spec: ValvesSpec, given: Sequence[Sag]) -> list[Valve]:
    found = streaming.step(spec, ValvesState(), given)
    twin = valves(spec, sag_columns(given))
    assert found == [
        Valve(at, position, VERDICTS[verdict], None if math.isnan(ratio) else ratio, REASONS[why])
        for at, position, verdict, ratio, why in zip(*(values.tolist() for values in twin), strict=True)
    ]
    return found


def turns(shares: Sequence[Sequence[float | None]]) -> list[Sag]:
    """Sags turn by turn, each with a share for every position."""
    return [
        Sag((turn * len(row) + place) * 10 * S, place, share, Why.KNOWN if share is not None else Why.BAD_DATA)
        for turn, row in enumerate(shares)
        for place, share in enumerate(row)
    ]


def after_learning(ratios: Sequence[float | None], *, learned: float = 0.17, spec: ValvesSpec = VALVES) -> list[Valve]:
    """The verdicts on position 3 after all positions were learned alike."""
    rows = [[learned] * ROWS for _ in range(LEARNS)]
    rows += [[learned] * 3 + [None if one is None else one * learned] + [learned] * 4 for one in ratios]
    return [one for one in both(spec, turns(rows)) if one.position == 3][LEARNS:]


def test_sag_is_a_share_of_absolute_pressure() -> None:
    """(90 - 72.2) / (90 + 14.7) = 17.0 %; on gauge pressure it would wrongly be 19.8 % (from memory)."""
    spec = SagSpec(ROWS, hold_us=30 * S, ambient_pa=14.7 * PSI)
    one = both_sags(spec, sampled(lambda pulse: 17.8 if pulse else 0.0, pulses=3))[1]
    assert one.share == pytest.approx(0.170, abs=0.0005)
    assert one.position == 0
    assert one.recovery_us == 5 * S  # 90 % after 4.6 s: 2.0 s x ln 10, seen by the next sample
    assert one.idle_us == NEVER


def test_every_pulse_has_a_position_and_the_time_since_the_one_before() -> None:
    found = both_sags(SPEC, sampled(lambda _pulse: 17.8, pulses=ROWS + 2))[1:]
    assert [one.position for one in found] == [*range(ROWS), 0][: len(found)]
    assert {one.idle_us for one in found[1:]} == {10 * S}


@pytest.mark.parametrize("step_s", [0.5, 1.0, 2.0])
def test_a_dead_valve_is_found_at_samples_of_two_seconds_or_faster(step_s: float) -> None:
    """Perfect separation at 0.5, 1 and 2 s (simulated, not validated)."""
    samples = sampled(
        lambda pulse: 0.0 if pulse % ROWS == 4 and pulse > 30 * ROWS else 17.8, pulses=40 * ROWS, step_s=step_s
    )
    verdicts = both(VALVES, both_sags(SPEC, samples))
    assert {one.verdict for one in verdicts[-ROWS:]} == {Verdict.FIRES, Verdict.DEAD}
    assert {one.position for one in verdicts if one.verdict is Verdict.DEAD} == {3}


@pytest.mark.parametrize("step_s", [2.5, 5.0, 10.0])
def test_slower_spot_samples_say_that_they_see_nothing(step_s: float) -> None:
    found = both(VALVES, both_sags(SPEC, sampled(lambda _pulse: 17.8, pulses=20, step_s=step_s)))
    assert [(one.verdict, one.why) for one in found] == [
        (Verdict.UNKNOWN, Why.NO_DATA),
        (Verdict.UNKNOWN, Why.NOT_OBSERVABLE),
    ]


def test_a_gateways_lowest_and_highest_are_enough_at_one_pulse_per_report() -> None:
    spec = SagSpec(ROWS, hold_us=30 * S, is_spot=False)
    reports = [SagSample(at * 10 * S, 72.2 * PSI, 90 * PSI, at) for at in range(4)]
    found = both_sags(spec, reports)
    assert [one.share for one in found[1:]] == [pytest.approx(17.8 / 104.7, abs=0.001)] * 2
    assert found[1].recovery_us == NEVER
    two = both_sags(spec, [one._replace(total=one.total * 2) for one in reports])
    assert [one.why for one in two] == [Why.NO_DATA, Why.NOT_OBSERVABLE]


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({"good": False}, Why.BAD_DATA),
        ({"total": -1}, Why.BAD_DATA),
        ({"total": 1}, Why.COUNTER_RESET),
        ({"boot": "b"}, Why.COUNTER_RESET),
        ({"at_us": 95 * S}, Why.NO_DATA),
    ],
)
def test_a_break_within_a_pulse_makes_it_unknown(change: dict[str, object], why: Why) -> None:
    samples = sampled(lambda _pulse: 17.8, pulses=3)
    odd = samples[-1]._replace(at_us=31 * S)._replace(**change)  # type: ignore[arg-type]
    found = both_sags(SPEC, [*samples, odd])
    assert found[-1][:4] == (odd.at_us, 2, None, why)


def test_a_sample_that_is_not_news_is_passed_over_and_one_behind_a_bad_one_follows_nothing() -> None:
    samples = sampled(lambda _pulse: 17.8, pulses=4)
    again = [one for sample in samples for one in (sample, sample, sample._replace(at_us=sample.at_us - 1, lowest=0.0))]
    assert both_sags(SPEC, again) == both_sags(SPEC, samples)
    samples[25] = samples[25]._replace(good=False)
    found = [(one.at_us // S, one.position, one.why) for one in both_sags(SPEC, samples)]
    assert found == [(0, NOWHERE, Why.NO_DATA), (20, 0, Why.KNOWN), (25, 1, Why.BAD_DATA), (40, 2, Why.KNOWN)]


def test_a_position_is_learned_from_its_first_turns_only() -> None:
    """Another position is learned later; what the first does meanwhile changes nothing."""
    first = [Sag(turn * S, 0, 0.17 if turn < LEARNS else 0.3, Why.KNOWN) for turn in range(2 * LEARNS)]
    second = [Sag((100 + turn) * S, 1, 0.17, Why.KNOWN) for turn in range(LEARNS)]
    last = Sag(200 * S, 0, 0.17, Why.KNOWN)
    assert both(ValvesSpec(2), [*first, *second, last])[-1] == Valve(200 * S, 0, Verdict.FIRES, 1.0)


def test_a_valve_is_dead_after_five_turns_below_thirty_percent() -> None:
    """Thresholds are from memory."""
    verdicts = [one.verdict for one in after_learning([0.29] * 5 + [0.71])]
    assert verdicts == [Verdict.FIRES] * 4 + [Verdict.DEAD, Verdict.FIRES]


@pytest.mark.parametrize(
    ("ratios", "expected"),
    [
        ([0.31] * TURNS, Verdict.WEAK),
        ([0.69] * TURNS, Verdict.WEAK),
        ([0.71] * TURNS, Verdict.FIRES),
        ([0.5, 0.5, 0.1, 0.1, 0.1], Verdict.WEAK),
        ([0.1, 0.1, 0.9, 0.1, 0.1, 0.1], Verdict.FIRES),
        ([0.1, 0.1, None, 0.1, 0.1, 0.1], Verdict.DEAD),  # an unknown turn neither counts nor ends it
    ],
)
def test_low_turns_in_a_row_decide(ratios: list[float | None], expected: Verdict) -> None:
    assert after_learning(ratios)[-1].verdict is expected


def test_where_weak_cannot_be_seen_it_is_unknown_and_not_healthy() -> None:
    found = after_learning([0.5] * TURNS, spec=ValvesSpec(ROWS, sees_weak=False))[-1]
    assert (found.verdict, found.why) == (Verdict.UNKNOWN, Why.NOT_OBSERVABLE)
    assert after_learning([0.1] * TURNS, spec=ValvesSpec(ROWS, sees_weak=False))[-1].verdict is Verdict.DEAD


def test_a_valve_that_was_dead_when_it_was_learned_is_found() -> None:
    rows = [[0.17, 0.0, 0.17, 0.18] for _ in range(LEARNS + TURNS)]
    found = both(ValvesSpec(4), turns(rows))[-4:]
    assert [one.verdict for one in found] == [Verdict.FIRES, Verdict.DEAD, Verdict.FIRES, Verdict.FIRES]


def test_a_header_without_air_gives_no_reference() -> None:
    found = after_learning([1.0], learned=0.01)[-1]
    assert (found.verdict, found.why) == (Verdict.UNKNOWN, Why.NO_BASELINE)


def test_a_counter_that_begins_again_loses_what_was_learned() -> None:
    learned = turns([[0.17] * 2] * (LEARNS + 1))
    reset = Sag(10**12, NOWHERE, None, Why.COUNTER_RESET)
    found = both(ValvesSpec(2), [*learned, reset, *(one._replace(at_us=one.at_us + 10**12) for one in learned)])
    verdicts = [one.verdict for one in found]
    once = [Verdict.LEARNING] * 2 * LEARNS + [Verdict.FIRES] * 2
    assert verdicts == [*once, Verdict.UNKNOWN, *once]


@st.composite
def sag_samples(draw: st.DrawFn) -> list[SagSample]:
    at_us, total, samples = 1_000 * S, 0, list[SagSample]()
    for _ in range(draw(st.integers(0, 60))):
        at_us += draw(st.sampled_from((S, S, S, 2 * S, 2 * S, S // 2, 2 * S + 1, 5 * S, 31 * S, 0, -S)))
        total = max(total + draw(st.sampled_from((0, 0, 0, 0, 1, 1, 1, 2, -1))), -1)
        low = draw(st.sampled_from((72.2, 80.0, 88.9, 89.9, 90.0)))
        high = low + draw(st.sampled_from((0.0, 0.0, 3.0)))
        good, supply = draw(st.sampled_from((True, True, True, True, False))), draw(st.booleans())
        samples.append(SagSample(at_us, low, high, total, good, draw(st.sampled_from("aaaaaaaaab")), supply))
    return samples


@settings(max_examples=EXAMPLES, deadline=None)
@given(st.booleans(), sag_samples(), PLACES)
def test_sags_are_the_same_in_batches_and_in_arrays(is_spot: bool, samples: list[SagSample], places: list[int]) -> None:
    spec = SagSpec(3, 30 * S, is_spot)

    def step(state: SagState, part: Sequence[SagSample]) -> list[Sag]:
        return sag_streaming.step(spec, state, part)

    assert restored(step, SagState(), samples, places) == twin_sags(spec, samples)


LOW_TURN = st.lists(st.sampled_from((0.0, 0.04, 0.06, 0.17, 0.17, None)), min_size=2, max_size=2)


@settings(max_examples=EXAMPLES, deadline=None)
@given(
    st.sampled_from((0.04, 0.17)),
    st.lists(LOW_TURN, max_size=25),
    st.sets(st.integers(0, 100), max_size=2),
    st.booleans(),
    PLACES,
)
def test_verdicts_are_the_same_in_batches_and_in_arrays(
    learned: float, rows: list[list[float | None]], resets: set[int], sees_weak: bool, places: list[int]
) -> None:
    spec = ValvesSpec(2, sees_weak)
    given_sags = turns([[learned, 0.17]] * LEARNS + rows)
    for place in sorted(one % (len(given_sags) + 1) for one in resets):
        given_sags.insert(
            place, Sag(given_sags[min(place, len(given_sags) - 1)].at_us, NOWHERE, None, Why.COUNTER_RESET)
        )

    def step(state: ValvesState, part: Sequence[Sag]) -> list[Valve]:
        return streaming.step(spec, state, part)

    assert restored(step, ValvesState(), given_sags, places) == both(spec, given_sags)

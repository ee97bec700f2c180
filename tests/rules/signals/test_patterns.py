"""Small supply, leaking diaphragm, stuck open: the patterns that pulses make together."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.signals import patterns as streaming
from rules.signals.columnar.patterns import PATTERNS, patterns
from rules.signals.patterns import IN_A_ROW, LEARNS, Pattern, PatternsState, Shown
from rules.signals.sags import NEVER, NOWHERE, Sag
from rules.signals.words import Why
from tests.rules.signals.test_valves import sag_columns
from tests.rules.signals.twins import EXAMPLES, PLACES, REASONS, S, restored

PSI = 6_894.757293168361  # NIST SP 811 B.8
ATMOSPHERE_PSI = 14.7


def pulse(
    before_psig: float = 89.9,
    *,
    sag_psi: float = 17.6,
    recovery_s: float = 4.6,
    idle_s: float = 10.0,
    supply_on: bool = False,
) -> Sag:
    absolute = before_psig + ATMOSPHERE_PSI
    recovery_us = round(recovery_s * S) if recovery_s >= 0 else NEVER
    return Sag(0, 0, sag_psi / absolute, Why.KNOWN, absolute * PSI, recovery_us, round(idle_s * S), supply_on)


def timed(given_sags: Sequence[Sag]) -> list[Sag]:
    return [one._replace(at_us=place * 10 * S) for place, one in enumerate(given_sags)]


def both(given_sags: Sequence[Sag]) -> list[Shown]:
    found = streaming.step(PatternsState(), given_sags)
    twin = zip(*(values.tolist() for values in patterns(sag_columns(given_sags))), strict=True)
    assert found == [Shown(at, PATTERNS[place], REASONS[why]) for at, place, why in twin]
    return found


def shown_by(*cycle: Sag, learned: Sag | None = None) -> Shown:
    """What is believed after pulses repeat, behind normal ones that were learned."""
    usual = [learned or pulse()] * LEARNS
    return both(timed([*usual, *cycle, *[cycle[-1]] * IN_A_ROW]))[-1]


IDLE = {"idle_s": 120.0}


@pytest.mark.parametrize(
    ("cycle", "expected"),
    [
        ([pulse()], Pattern.NORMAL),
        ([pulse(88.0)], Pattern.NORMAL),  # end of life, cleaning all the time
        # A diaphragm that leaks 10 %: 69.3 psig, sag 14 instead of 17.6 (simulated, not validated).
        ([pulse(69.3, sag_psi=14, **IDLE), pulse(69.3, sag_psi=14, recovery_s=8)], Pattern.LEAKING_DIAPHRAGM),
        # Without a slow recovery it is not told from a regulator that has drifted to 70 psig.
        ([pulse(70.3, sag_psi=14, **IDLE), pulse(70.3, sag_psi=14)], Pattern.LOW_PRESSURE),
        ([pulse(70.3, sag_psi=6, **IDLE), pulse(70.3, sag_psi=6, recovery_s=8)], Pattern.LOW_PRESSURE),
        ([pulse(70.3, sag_psi=14, recovery_s=8)], Pattern.LOW_PRESSURE),  # never seen idle
        ([pulse(70.3, sag_psi=14, recovery_s=-1, **IDLE)], Pattern.LOW_PRESSURE),
        ([pulse(**IDLE), pulse(61.9, sag_psi=14)], Pattern.SMALL_SUPPLY),
        ([pulse(15.6, sag_psi=0, supply_on=True)], Pattern.STUCK_OPEN),  # settles at 15.6 psig (simulated)
        ([pulse(15.6, sag_psi=0)], Pattern.NO_AIR),  # no supply would look the same
    ],
)
def test_patterns_of_the_header(cycle: list[Sag], expected: Pattern) -> None:
    assert shown_by(*cycle)[1:] == (expected, Why.KNOWN)


def test_without_a_learned_recovery_none_is_slow() -> None:
    leaking = [pulse(69.3, sag_psi=14, **IDLE), pulse(69.3, sag_psi=14, recovery_s=8)]
    assert shown_by(*leaking, learned=pulse(recovery_s=-1)).pattern is Pattern.LOW_PRESSURE


def test_a_header_that_never_sagged_gives_no_baseline() -> None:
    assert shown_by(pulse(), learned=pulse(sag_psi=1))[1:] == (Pattern.UNKNOWN, Why.NO_BASELINE)


def test_nothing_is_believed_before_enough_pulses_in_a_row() -> None:
    found = both(timed([pulse()] * (LEARNS + IN_A_ROW)))
    reasons = [one.why for one in found]
    assert reasons == [Why.NO_BASELINE] * LEARNS + [Why.TOO_FEW] * (IN_A_ROW - 1) + [Why.KNOWN]
    assert both([]) == []


def test_an_unknown_pulse_shows_nothing() -> None:
    odd = Sag(0, NOWHERE, None, Why.NO_DATA)
    assert both(timed([*[pulse()] * (LEARNS + IN_A_ROW), odd]))[-1][1:] == (Pattern.UNKNOWN, Why.NO_DATA)


PULSES = st.builds(
    pulse,
    st.sampled_from((89.9, 89.9, 70.0, 15.6)),
    sag_psi=st.sampled_from((17.6, 14.0, 6.0)),
    recovery_s=st.sampled_from((4.6, 8.0, 8.0, -1.0)),
    idle_s=st.sampled_from((10.0, 10.0, 10.0, 60.0)),
    supply_on=st.booleans(),
)
RUNS = st.lists(st.tuples(PULSES | st.just(Sag(0, 1, None, Why.BAD_DATA)), st.integers(1, 6)), max_size=12)


@settings(max_examples=EXAMPLES, deadline=None)
@given(st.sampled_from((17.6, 17.6, 1.0)), RUNS, PLACES)
def test_patterns_are_the_same_in_batches_and_in_arrays(
    learned_psi: float, runs: list[tuple[Sag, int]], places: list[int]
) -> None:
    behind = [one for one, times in runs for _ in range(times)]
    given_sags = timed([*[pulse(sag_psi=learned_psi)] * LEARNS, *behind])
    assert restored(streaming.step, PatternsState(), given_sags, [LEARNS + place for place in places]) == both(
        given_sags
    )

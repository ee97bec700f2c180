"""How long noise takes to make a false alarm: the arithmetic of runs, and the engines against it.

A limit two sigma above the mean of Gaussian noise, readings independent of one another: each is beyond with
p = 0.0227501 (the standard normal table). The mean number of readings until n in a row are beyond is
(1 - p**n) / (p**n (1 - p)): 44, 1,976 and 86,904 for n = 1, 2, 3. Source: W. Feller, An Introduction to Probability
Theory and Its Applications, vol. 1, XIII.7, success runs (from memory; worked out anew below).

Which on-delay asks for n readings? With a reading each 10 s, k readings in a row make an excursion of k x 10 s, up to
the reading that is back. It alarms if it outlasts the on-delay, k x 10 s > D. So n readings are needed for every D from
(n - 1) x 10 s up to, not including, n x 10 s: none for one, 10 s for two, 20 s for three.
"""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest

from rules.collector import new_state
from rules.columnar import replay
from rules.types import AlarmEvent, Change, CollectorSpec
from tests.rules.published.engines import EVERY_US, collector, column, judged, limit

SEED = 20_261_125
CHUNK = 2_000_000
SIGMAS = 2.0
PUBLISHED = {1: 44, 2: 1_976, 3: 86_904}


def beyond() -> float:
    """P(Z > 2) for a standard normal Z."""
    return math.erfc(SIGMAS / math.sqrt(2)) / 2


def mean_run_length(p: Fraction | float, n: int) -> Fraction | float:
    """The mean number of readings up to and including the n-th of n in a row."""
    return (1 - p**n) / (p**n * (1 - p))


def moments(p: Fraction, n: int) -> tuple[Fraction, Fraction]:
    """Mean and variance of that number, from the absorbing chain whose state is the length of the present run.

    The mean from state k is e[k] = 1 + p e[k+1] + q e[0], with e[n] = 0, and the mean square
    s[k] = 1 + 2 (p e[k+1] + q e[0]) + p s[k+1] + q s[0]. Each is solved as a + b times its value in state 0.
    """
    q = 1 - p
    a, b = Fraction(0), Fraction(0)
    means = [(a, b)]
    for _ in range(n):
        a, b = 1 + p * a, p * b + q
        means.append((a, b))
    mean = a / (1 - b)
    a, b = Fraction(0), Fraction(0)
    for of_next, times in means[:-1]:
        a, b = 1 + 2 * (p * (of_next + times * mean) + q * mean) + p * a, p * b + q
    return mean, a / (1 - b) - mean**2


def noisy(on_delay_us: int) -> CollectorSpec:
    """No deadband and no off-delay: the first reading that is not beyond ends excursion and alarm."""
    return collector(limit(at=SIGMAS, back=SIGMAS, on_us=on_delay_us), hold_us=3 * EVERY_US)


# ---------------------------------------------------------------- the arithmetic


def test_the_chance_of_a_reading_beyond_two_sigma() -> None:
    """Standard normal table: 0.97725 below two sigma; 0.0227501 to seven places."""
    assert round(beyond(), 7) == 0.0227501


@pytest.mark.parametrize(("n", "samples"), PUBLISHED.items())
def test_the_mean_number_of_readings_to_a_false_alarm(n: int, samples: int) -> None:
    """Feller XIII.7, from memory."""
    assert round(mean_run_length(beyond(), n)) == samples


@pytest.mark.parametrize("n", [1, 2, 3, 10])
@pytest.mark.parametrize("p", [Fraction(1, 2), Fraction(227_501, 10_000_000)])
def test_the_formula_is_what_the_absorbing_chain_gives(p: Fraction, n: int) -> None:
    """In exact fractions. Variance: Feller XIII.7 (from memory), 1/(q p^n)^2 - (2n + 1)/(q p^n) - p/q^2."""
    mean, variance = moments(p, n)
    rate = (1 - p) * p**n
    assert mean == mean_run_length(p, n)
    assert variance == 1 / rate**2 - (2 * n + 1) / rate - p / (1 - p) ** 2


# ---------------------------------------------------------------- the engines


def run_lengths(events: list[AlarmEvent]) -> list[int]:
    """Readings counted from the one after a clearing up to and including that of the next raising.

    The reading that clears an alarm is itself not beyond, and what follows it is independent of all before. So
    each of these counts is a fresh draw of the number above, which the count from raising to raising is not: that one
    also holds the readings for which the alarm stayed, 1 / (1 - p) of them on average.
    """
    ends = [event.at_us for event in events if event.change is Change.CLEARED]
    raises = [event for event in events if event.change is Change.RAISED]
    assert all(event.at_us == event.evidence.began_us + event.evidence.on_delay_us for event in raises)
    return [(event.at_us - end_us) // EVERY_US for end_us, event in zip(ends, raises[1:], strict=False)]


@pytest.mark.parametrize(("n", "readings"), [(1, 1_000_000), (2, 16_000_000), (3, 44_000_000)])
def test_the_engine_takes_as_long_to_a_false_alarm_as_the_arithmetic_says(n: int, readings: int) -> None:
    """Within three standard errors, from the exact variance: about 22,000, 8,000 and 500 alarms."""
    spec = noisy((n - 1) * EVERY_US)
    state, generator, events = new_state(spec), np.random.default_rng(SEED + n), []
    for first in range(0, readings, CHUNK):
        count = min(CHUNK, readings - first)
        at_us = np.arange(first, first + count, dtype=np.int64) * EVERY_US
        events += replay(spec, state, {"dp": column(at_us, generator.standard_normal(count))})
    lengths = run_lengths(events)
    mean, variance = (float(moment) for moment in moments(Fraction(beyond()), n))
    assert len(lengths) > 0.8 * readings / mean
    assert abs(float(np.mean(lengths)) - mean) < 3 * math.sqrt(variance / len(lengths))


@pytest.mark.parametrize("n", [1, 2])
def test_streaming_gives_the_same_false_alarms_as_arrays(n: int) -> None:
    """`judged` compares the two engines event by event, evidence included."""
    values = np.random.default_rng(SEED).standard_normal(60_000)
    events = judged(noisy((n - 1) * EVERY_US), [(at * EVERY_US, value) for at, value in enumerate(values.tolist())])
    assert len(run_lengths(events)) > 0.5 * len(values) / PUBLISHED[n]


@pytest.mark.parametrize("n", [1, 2, 3])
def test_every_on_delay_between_two_readings_asks_for_the_same_readings(n: int) -> None:
    """From (n - 1) x 10 s to one microsecond less than n x 10 s; one microsecond more asks for another reading."""
    values = np.random.default_rng(SEED).standard_normal(500_000)
    at_us = np.arange(len(values), dtype=np.int64) * EVERY_US

    def excursions(on_delay_us: int) -> list[int]:
        spec = noisy(on_delay_us)
        events = replay(spec, new_state(spec), {"dp": column(at_us, values)})
        return [event.evidence.began_us for event in events if event.change is Change.RAISED]

    least = excursions((n - 1) * EVERY_US)
    assert least
    assert excursions(n * EVERY_US - 1) == least
    assert len(excursions(n * EVERY_US)) < len(least) / 10

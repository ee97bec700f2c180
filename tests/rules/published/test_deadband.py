"""A four-hour delay on a noisy value just beyond its limit: blind without a deadband, on time with one wide enough.

True value 5.10, limit 5.0, Gaussian noise of sigma 0.10, on-delay 240 min. The comparator, with its deadband, stands
before the delay: only a reading that is back by the deadband ends an excursion. With a deadband d a reading is back
with the chance P(Z <= -(0.10 + d) / 0.10), by the standard normal table:

  d     back, per reading    none back in 4 h:  a reading each min    each 10 s
  0     0.1587  (z = 1)                         9.9e-19               9e-109
  0.1   0.02275 (z = 2)                         0.0040                4e-15
  0.2   0.00135 (z = 3)                         0.723                 0.143
  0.3   3.17e-5 (z = 4)                         0.9924                0.955
  0.5   9.87e-10 (z = 6)                        1 - 2.4e-7            1 - 1.4e-6

The deadband that a delay needs therefore grows with the number of readings in it. The figures are worked out from the
table; the case itself is common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rules.collector import new_state
from rules.columnar import replay
from rules.types import HOUR_US, MINUTE_US, SECOND_US, AlarmEvent, Change, CollectorSpec, Tier
from tests.rules.published.engines import collector, column, judged, limit, told

DELAY_US = 240 * MINUTE_US
MONTH_US = 30 * 24 * HOUR_US
LIMIT, SIGMA, TRUE = 5.0, 0.10, 5.10
MINUTELY, TEN_SECONDLY = MINUTE_US, 10 * SECOND_US
SEEDS = range(5)


def judging(deadband: float, *, on_us: int = DELAY_US) -> CollectorSpec:
    return collector(limit(at=LIMIT, back=LIMIT - deadband, on_us=on_us), hold_us=3 * MINUTE_US)


def month(seed: int, every_us: int, *, true: float = TRUE) -> tuple[np.ndarray, np.ndarray]:
    at_us = np.arange(0, MONTH_US, every_us, dtype=np.int64)
    return at_us, np.random.default_rng(seed).normal(true, SIGMA, len(at_us))


def over_a_month(spec: CollectorSpec, seed: int, every_us: int, *, true: float = TRUE) -> list[AlarmEvent]:
    at_us, values = month(seed, every_us, true=true)
    return replay(spec, new_state(spec), {"dp": column(at_us, values)})


def first_beyond_us(seed: int, every_us: int) -> int:
    at_us, values = month(seed, every_us)
    return int(at_us[np.argmax(values > LIMIT)])


def chance_back(deadband: float) -> float:
    """That one reading is at or below limit - deadband."""
    return math.erfc((TRUE - LIMIT + deadband) / SIGMA / math.sqrt(2)) / 2


def chance_of_none_back(deadband: float, every_us: int) -> float:
    """Of the readings after the first one beyond, up to and including that at the end of the delay."""
    return float((1 - chance_back(deadband)) ** (DELAY_US // every_us))


# ---------------------------------------------------------------- without a deadband


@pytest.mark.parametrize("every_us", [MINUTELY, TEN_SECONDLY])
@pytest.mark.parametrize("seed", SEEDS)
def test_without_a_deadband_one_reading_back_restarts_the_delay_and_no_alarm_comes_in_a_month(
    seed: int, every_us: int
) -> None:
    """Expected alarms in 43,200 readings a minute apart: fewer than 43,200 x 0.1587 x 9.9e-19 = 7e-15."""
    assert over_a_month(judging(0.0), seed, every_us) == []


@pytest.mark.parametrize("every_us", [MINUTELY, TEN_SECONDLY])
def test_without_a_deadband_the_delay_begins_anew_with_every_seventh_or_eighth_reading(every_us: int) -> None:
    """A new excursion is a reading beyond after one back: 0.1587 x 0.8413 of all readings; five days, within 8 %."""
    readings, back = 5 * 24 * HOUR_US // every_us, chance_back(0.0)
    at_us, values = (whole[:readings] for whole in month(0, every_us))
    spec = judging(0.0, on_us=0)
    events = replay(spec, new_state(spec), {"dp": column(at_us, values)})
    begun = sum(event.change is Change.RAISED for event in events)
    assert begun == pytest.approx(readings * back * (1 - back), rel=0.08)


# ---------------------------------------------------------------- with one


@pytest.mark.parametrize("every_us", [MINUTELY, TEN_SECONDLY])
@pytest.mark.parametrize("seed", SEEDS)
def test_with_a_deadband_of_half_an_inch_it_alarms_once_240_minutes_after_the_first_reading_beyond(
    seed: int, every_us: int
) -> None:
    """To the microsecond; that any reading of a month is back has a chance of 259,200 x 9.87e-10 = 2.6e-4 at most."""
    events = told(over_a_month(judging(0.5), seed, every_us))
    assert events == [("raised", "high", first_beyond_us(seed, every_us) + DELAY_US)]


def test_both_engines_say_so_of_both_halves_and_of_a_low_limit_upside_down() -> None:
    at_us, values = month(0, MINUTELY)
    day = list(zip(at_us[:1440].tolist(), values[:1440].tolist(), strict=True))
    assert judged(judging(0.0), day) == []
    assert told(judged(judging(0.5), day)) == [("raised", "high", first_beyond_us(0, MINUTELY) + DELAY_US)]
    low = collector(limit(Tier.LOW, -LIMIT, -LIMIT + 0.5, on_us=DELAY_US), hold_us=3 * MINUTE_US)
    upside_down = [(instant, -value) for instant, value in day]
    assert told(judged(low, upside_down)) == [("raised", "low", first_beyond_us(0, MINUTELY) + DELAY_US)]


@pytest.mark.parametrize(
    ("deadband", "every_us", "chance"),
    [
        (0.1, MINUTELY, 0.0040),
        (0.2, MINUTELY, 0.723),
        (0.2, TEN_SECONDLY, 0.143),
        (0.3, MINUTELY, 0.9924),
        (0.3, TEN_SECONDLY, 0.955),
    ],
)
def test_a_narrower_deadband_is_on_time_as_often_as_the_normal_table_says(
    deadband: float, every_us: int, chance: float
) -> None:
    """Of 600 histories that begin beyond, those raised at 240 min, within four standard errors."""
    assert chance_of_none_back(deadband, every_us) == pytest.approx(chance, rel=0.02)
    spec, generator, histories = judging(deadband), np.random.default_rng(240), 600
    at_us = np.arange(0, DELAY_US + 2 * every_us, every_us, dtype=np.int64)
    on_time = 0
    for _ in range(histories):
        values = generator.normal(TRUE, SIGMA, len(at_us))
        values[0] = TRUE
        on_time += told(replay(spec, new_state(spec), {"dp": column(at_us, values)})) == [("raised", "high", DELAY_US)]
    error = math.sqrt(chance * (1 - chance) / histories)
    assert abs(on_time / histories - chance_of_none_back(deadband, every_us)) < 4 * error


# ---------------------------------------------------------------- and its price


@pytest.mark.parametrize(("deadband", "alarms"), [(0.0, 0), (0.5, 1)])
def test_the_price_is_that_a_value_inside_the_deadband_counts_as_beyond_after_one_reading_beyond(
    deadband: float, alarms: int
) -> None:
    """True value 4.95, below the limit: beyond with P(Z > 0.5) = 0.3085, and back only at z = -4.5, 3.4e-6.

    So a limit with a deadband says "beyond it, and not back by the deadband since", and not "beyond it all the while".
    """
    assert len(over_a_month(judging(deadband), 1, MINUTELY, true=4.95)) == alarms

"""The back-off grows, stays bounded, honours a receiver's wish within reason, and ends only for good cause."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.notify.retry import SECOND_US, RetryPolicy

HOUR_US = 3600 * SECOND_US
DEFAULT = RetryPolicy()


@pytest.mark.parametrize(
    ("attempts", "whole_s"), [(1, 5), (2, 10), (3, 20), (4, 40), (10, 2560), (11, 3600), (12, 3600), (10_000, 3600)]
)
def test_the_wait_doubles_from_five_seconds_to_an_hour(attempts: int, whole_s: float) -> None:
    assert DEFAULT.delay_s(attempts, 0.0) == whole_s / 2
    assert DEFAULT.delay_s(attempts, 0.999_999) == pytest.approx(whole_s, rel=1e-5)


def next_try(policy: RetryPolicy = DEFAULT, **changes: object) -> int | None:
    given: dict[str, object] = {
        "queued_us": 0,
        "attempts": 1,
        "now_us": SECOND_US,
        "retry_after_s": None,
        "random": lambda: 0.0,
    }
    return policy.next_try_us(**(given | changes))  # type: ignore[arg-type]


def test_an_old_alarm_is_given_up_only_after_enough_attempts() -> None:
    assert next_try(now_us=75 * HOUR_US, attempts=8) is None
    assert next_try(now_us=75 * HOUR_US - 1, attempts=1000) is not None
    assert next_try(now_us=2000 * HOUR_US, attempts=7) is not None


def test_retry_after_lengthens_the_wait_but_never_beyond_the_cap_and_never_shortens_it() -> None:
    assert next_try(retry_after_s=120.0) == 121 * SECOND_US
    assert next_try(retry_after_s=1e12) == SECOND_US + HOUR_US
    assert next_try(retry_after_s=0.1) == 3.5 * SECOND_US
    assert next_try(retry_after_s=-5.0) == 3.5 * SECOND_US


@pytest.mark.parametrize(
    "wrong",
    [
        {"first_s": 0.0},
        {"first_s": 10.0, "cap_s": 5.0},
        {"give_up_after_s": -1.0},
        {"least_attempts": 0},
        {"first_s": float("nan")},
    ],
)
def test_a_policy_that_would_spin_or_never_try_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="expected"):
        RetryPolicy(**wrong)  # type: ignore[arg-type]


@given(
    first_s=st.floats(0.001, 1e4),
    factor=st.floats(1, 1e4),
    attempts=st.integers(1, 10**9),
    age_us=st.integers(-HOUR_US, 500 * HOUR_US),
    asked_s=st.none() | st.floats(allow_nan=False),
    jitter=st.floats(0, 1, exclude_max=True),
)
def test_the_next_try_is_always_later_and_never_later_than_the_cap(
    *, first_s: float, factor: float, attempts: int, age_us: int, asked_s: float | None, jitter: float
) -> None:
    policy = RetryPolicy(first_s=first_s, cap_s=first_s * factor)
    now_us = 10**15
    found = policy.next_try_us(
        queued_us=now_us - age_us, attempts=attempts, now_us=now_us, retry_after_s=asked_s, random=lambda: jitter
    )
    if found is None:
        assert age_us >= policy.give_up_after_s * SECOND_US
        assert attempts >= policy.least_attempts
    else:
        assert now_us < found <= now_us + round(policy.cap_s * SECOND_US) + 1
        assert found - now_us >= first_s * SECOND_US / 2 - 1


@given(attempts=st.integers(1, 10**6), jitter=st.floats(0, 1, exclude_max=True))
def test_with_equal_jitter_each_wait_is_at_least_half_of_any_earlier_one(attempts: int, jitter: float) -> None:
    assert DEFAULT.delay_s(attempts + 1, jitter) >= DEFAULT.delay_s(attempts, jitter)
    assert DEFAULT.delay_s(attempts + 1, 0.0) >= DEFAULT.delay_s(attempts, jitter) / 2

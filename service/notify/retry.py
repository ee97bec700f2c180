"""When a notification is tried again, and when it is given up. Pure.

Owns the numbers of the back-off; it must never wait or read a clock.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

SECOND_US = 1_000_000
MOST_DOUBLINGS = 40  # keeps the power small for any number of attempts; the cap is reached long before


@dataclass(frozen=True, slots=True)
class RetryPolicy:
    """Exponential back-off with equal jitter: between half of and the whole of min(cap, first x 2^n).

    An alarm is given up only when it is older than `give_up_after_s` AND has had `least_attempts`: a plant
    that comes back from a long power cut tries what it owes more than once, before its mail server is up.
    The defaults are those of Standard Webhooks in their reach (about 75 h), and quicker at the start.
    """

    first_s: float = 5.0
    cap_s: float = 3600.0
    give_up_after_s: float = 75 * 3600.0
    least_attempts: int = 8

    def __post_init__(self) -> None:
        if not 0 < self.first_s <= self.cap_s:
            raise ValueError(f"retry first_s {self.first_s} and cap_s {self.cap_s}: expected 0 < first_s <= cap_s")
        if self.give_up_after_s < 0 or self.least_attempts < 1:
            raise ValueError(
                f"retry give_up_after_s {self.give_up_after_s} and least_attempts {self.least_attempts}:"
                " expected at least 0 and at least 1"
            )

    def delay_s(self, attempts: int, jitter: float) -> float:
        """Seconds to wait after attempt number `attempts` (1 is the first); `jitter` is in [0, 1)."""
        whole = min(self.cap_s, self.first_s * 2.0 ** min(attempts - 1, MOST_DOUBLINGS))
        return whole * (0.5 + jitter / 2)

    def next_try_us(
        self,
        *,
        queued_us: int,
        attempts: int,
        now_us: int,
        retry_after_s: float | None,
        random: Callable[[], float],
    ) -> int | None:
        """When to try again after `attempts` failed ones, in the clock of `now_us`; None gives up.

        A channel's `retry_after_s` lengthens the wait, to `cap_s` at most, so that no receiver can silence
        an alarm for a year. The last try may thus come up to `cap_s` after `give_up_after_s`.
        """
        too_old = now_us - queued_us >= self.give_up_after_s * SECOND_US
        if too_old and attempts >= self.least_attempts:
            return None
        asked_s = min(max(retry_after_s or 0.0, 0.0), self.cap_s)
        return now_us + max(1, round(max(self.delay_s(attempts, random()), asked_s) * SECOND_US))

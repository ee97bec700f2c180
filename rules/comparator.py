"""The comparator with hysteresis (OPC 10000-9 B.1.5, deadband). The caller keeps its one bit of state."""

from __future__ import annotations

from rules.types import Limit


def judge(limit: Limit, is_beyond: bool, value: float) -> bool:
    """The comparator's new state: true on beyond, false on back, unchanged inside the deadband.

    A value equal to the threshold is not beyond it; a value equal to `back` has returned.
    """
    if limit.is_high:
        return value > limit.threshold or (is_beyond and value > limit.back)
    return value < limit.threshold or (is_beyond and value < limit.back)

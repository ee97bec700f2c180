"""The words of the rules: readings, limits, specifications and alarm events.

Instants are UTC event time in whole microseconds (`*_us`), values are finite floats in the
point's canonical unit. Nothing here reads a clock or converts a unit.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field
from enum import StrEnum

SECOND_US = 1_000_000
MINUTE_US = 60 * SECOND_US
HOUR_US = 60 * MINUTE_US


class Tier(StrEnum):
    """The four limits of a point, outer to inner on each side."""

    LOW_LOW = "low-low"
    LOW = "low"
    HIGH = "high"
    HIGH_HIGH = "high-high"

    @property
    def is_high(self) -> bool:
        return self in (Tier.HIGH, Tier.HIGH_HIGH)

    @property
    def is_outer(self) -> bool:
        return self in (Tier.LOW_LOW, Tier.HIGH_HIGH)


class Change(StrEnum):
    """What happened to an alarm."""

    RAISED = "raised"
    CLEARED = "cleared"  # the value came back for the off-delay
    CLOSED = "closed"  # its limit was changed, removed or disabled (semantics section 8)


class RunState(StrEnum):
    """Whether the collector counts as running at an instant."""

    RUNNING = "running"
    STOPPED = "stopped"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured value of one point. `good` false means that the value is unknown from `at_us` on."""

    at_us: int
    value: float
    good: bool = True


@dataclass(frozen=True, slots=True)
class Limit:
    """One limit of a point.

    `back` is the value at which the comparator returns (threshold minus or plus deadband). It is
    given, not computed here, because the subtraction must be exact in the unit in which a person
    wrote the limit: 6.0 - 0.2 in binary floats of pascal need not equal a reading of 5.8.
    """

    tier: Tier
    threshold: float
    back: float
    on_delay_us: int
    off_delay_us: int = 0
    priority: str = "medium"  # low | medium | high
    revision: int = 0
    is_high: bool = field(init=False, repr=False, compare=False)  # the tier's, at hand for every reading

    def __post_init__(self) -> None:
        object.__setattr__(self, "is_high", self.tier.is_high)


@dataclass(frozen=True, slots=True)
class RunningRule:
    """A comparator with hysteresis on one point: running above `on`, stopped at or below `off`."""

    point: str
    on: float
    off: float
    settle_us: int = 0
    forget_after_us: int = 8 * HOUR_US


@dataclass(frozen=True, slots=True)
class PointSpec:
    """One point of a collector with its limits. `always` is `while = "always"` of the plant file.

    `inner_low` and `inner_high` are derived: between them, both included, a value is beyond no limit.
    """

    name: str
    hold_us: int
    limits: tuple[Limit, ...] = ()
    always: bool = False
    inner_low: float = field(init=False, repr=False, compare=False)
    inner_high: float = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        low = max((limit.threshold for limit in self.limits if not limit.is_high), default=-math.inf)
        high = min((limit.threshold for limit in self.limits if limit.is_high), default=math.inf)
        object.__setattr__(self, "inner_low", low)
        object.__setattr__(self, "inner_high", high)


@dataclass(frozen=True, slots=True)
class CollectorSpec:
    """One collector: its points by name and, at most, one running rule.

    `running_first` is derived: the points, that of the running rule first.
    """

    name: str
    points: tuple[PointSpec, ...]
    running: RunningRule | None = None
    running_first: tuple[PointSpec, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        run = self.running.point if self.running is not None else ""
        first = sorted(self.points, key=lambda point: point.name != run)
        object.__setattr__(self, "running_first", tuple(first))


@dataclass(frozen=True, slots=True)
class Evidence:
    """Why an alarm exists (semantics section 7). Seconds are whole microseconds in the field names."""

    began_us: int  # t_b, when the comparator turned true
    raised_us: int | None
    cleared_us: int | None
    extreme: float
    extreme_at_us: int
    threshold: float
    back: float
    on_delay_us: int
    off_delay_us: int
    evaluated_us: int
    stopped_us: int  # not counted because the collector was stopped or settling
    unknown_us: int  # not counted because the value, or whether it ran, was unknown
    readings: int
    revision: int


@dataclass(frozen=True, slots=True)
class AlarmEvent:
    """One change of one alarm, at the event time `at_us`."""

    alarm_id: str
    collector: str
    point: str
    tier: Tier
    change: Change
    at_us: int
    priority: str
    evidence: Evidence
    reason: str = ""


def alarm_id(collector: str, point: str, limit: str, began_us: int) -> str:
    """The identity of an alarm: the same readings give the same id, however they arrive (section 7)."""
    text = "\x1f".join((collector, point, limit, str(began_us)))
    return hashlib.blake2b(text.encode(), digest_size=10).hexdigest()

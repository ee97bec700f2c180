"""The only place that reads time. Plant time dates readings and moves the watermark; wall time dates people's acts."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Protocol

SECOND_US = 1_000_000


class Clock(Protocol):
    """`plant_us` is event time as the service sees it now; `wall_us` is the computer's own clock."""

    def plant_us(self) -> int: ...

    def wall_us(self) -> int: ...

    def plant_of(self, wall_us: int) -> int:
        """Plant time at a wall time."""
        ...

    def describe(self) -> str:
        """Empty for the real clock, else a text that is shown wherever times are."""
        ...


class SystemClock:
    """Plant time is wall time."""

    def plant_us(self) -> int:
        return time.time_ns() // 1000

    def wall_us(self) -> int:
        return time.time_ns() // 1000

    def plant_of(self, wall_us: int) -> int:
        return wall_us

    def describe(self) -> str:
        return ""


@dataclass(frozen=True, slots=True)
class ScaledClock:
    """Plant time that runs `speed` times as fast as wall time, from a shared anchor: for demonstrations only."""

    speed: float
    wall_anchor_us: int
    plant_anchor_us: int

    def plant_us(self) -> int:
        return self.plant_of(self.wall_us())

    def plant_of(self, wall_us: int) -> int:
        return self.plant_anchor_us + int((wall_us - self.wall_anchor_us) * self.speed)

    def wall_us(self) -> int:
        return time.time_ns() // 1000

    def describe(self) -> str:
        return f"demo clock, {self.speed:g} times as fast as real time"


def clock_of(speed: float, wall_anchor_s: float, plant_anchor_s: float) -> Clock:
    """The clock that the settings describe; the anchors are Unix seconds."""
    if speed == 1.0:
        return SystemClock()
    return ScaledClock(speed, int(wall_anchor_s * 1e6), int(plant_anchor_s * 1e6))

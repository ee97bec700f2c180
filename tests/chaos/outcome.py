"""What a scenario found: the figures of one table row, and the breaches that make it fail. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field

HEADS = (
    "scenario",
    "count",
    "readings",
    "lost",
    "twice",
    "alarms different",
    "notifications not exactly once",
    "longest recovery s",
)


@dataclass
class Outcome:
    """`lost` and `twice` are readings; recovery runs from the end of the disturbance to the first commit after it."""

    scenario: str
    count: int
    readings: int = 0
    lost: int = 0
    twice: int = 0
    alarms_different: int = 0
    notifications_wrong: int = 0
    longest_recovery_s: float = 0.0
    alarms: int = 0
    took_s: float = 0.0
    breaches: list[str] = field(default_factory=list)  # what is not a figure of the row
    notes: list[str] = field(default_factory=list)

    @property
    def is_sound(self) -> bool:
        return not (self.lost or self.twice or self.alarms_different or self.notifications_wrong or self.breaches)

    def note_recovery(self, recovery_s: float, at_most_s: float | None = None) -> None:
        """Keep the longest; beyond `at_most_s` it is a breach."""
        self.longest_recovery_s = max(self.longest_recovery_s, recovery_s)
        if at_most_s is not None and recovery_s > at_most_s:
            self.breaches.append(f"recovery took {recovery_s:.1f} s, at most {at_most_s:g} s is promised")

    def table(self) -> str:
        """The heads and the one row, as text."""
        row = (
            self.scenario,
            str(self.count),
            str(self.readings),
            str(self.lost),
            str(self.twice),
            str(self.alarms_different),
            str(self.notifications_wrong),
            f"{self.longest_recovery_s:.1f}",
        )
        rule = ["---"] * len(HEADS)
        return "\n".join("| " + " | ".join(cells) + " |" for cells in (HEADS, rule, row))

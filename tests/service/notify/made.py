"""Things that the tests of this room share: a made-up alarm, an outbox in memory, and waiting for a condition."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from service.model import OutboxRow, Told


def us(text: str) -> int:
    """Microseconds of an ISO instant in UTC."""
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1_000_000)


MINUTE_US = 60_000_000

TOLD = Told(
    alarm_id="5f0c2ad1b7e94c3388aa",
    step="raised",
    collector="quay/cutting/dc-1",
    collector_name="Cutting collector 1",
    site_name="Quay Street works",
    time_zone="Europe/Dublin",
    point="dp",
    quantity="differential pressure",
    limit="high-high",
    priority="high",
    unit="inH2O",
    at_us=us("2026-07-08T09:42:00"),
    recorded_us=us("2026-07-08T09:42:02"),
    began_us=us("2026-07-08T09:20:00"),
    threshold=6.0,
    on_delay_us=10 * MINUTE_US,
    extreme=6.42,
    extreme_at_us=us("2026-07-08T09:39:30"),
    stopped_us=12 * MINUTE_US,
    unknown_us=0,
    readings=61,
)


def told(**changes: Any) -> Told:
    return replace(TOLD, **changes)


def row(id_: int = 1, **changes: Any) -> OutboxRow:
    """An outbox row; `alarm` and `step` go into what is told, the rest into the row."""
    alarm, step = changes.pop("alarm", TOLD.alarm_id), changes.pop("step", "raised")
    channel, address = changes.pop("channel", "mail"), changes.pop("address", "lead@alder-pike.example")
    made = OutboxRow(
        id=id_,
        key=f"{alarm}|{step}|lead|{channel}|{address}",
        channel=channel,
        contact="lead",
        address=address,
        told=told(alarm_id=alarm, step=step),
        queued_us=us("2026-07-08T09:42:02"),
    )
    return replace(made, **changes)


def until(condition: Callable[[], Any], timeout_s: float = 10.0) -> None:
    """Return as soon as the condition holds; fail when the time is out."""
    ends = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < ends, "the condition did not come true in time"
        time.sleep(0.002)


class Clock:
    """A wall clock that stands still until it is moved."""

    def __init__(self) -> None:
        self.now_us = us("2026-07-08T09:42:03")

    def __call__(self) -> int:
        return self.now_us


@dataclass
class MemoryOutbox:
    """What the ledger does for the dispatcher. `refuse` makes the next calls fail, by method name."""

    rows: dict[int, OutboxRow] = field(default_factory=dict)
    next_try_us: dict[int, int] = field(default_factory=dict)
    accepted_ids: list[int] = field(default_factory=list)
    details: dict[int, tuple[int, str]] = field(default_factory=dict)  # of the accepted: when, and the detail
    given_up: dict[int, str] = field(default_factory=dict)
    errors: list[tuple[int, str, int | None]] = field(default_factory=list)  # id, error, microseconds to the next try
    asked: list[int] = field(default_factory=list)
    refuse: dict[str, int] = field(default_factory=dict)
    calls: list[tuple[str, float]] = field(default_factory=list)  # method, monotonic seconds
    threads: set[str] = field(default_factory=set)
    lock: Any = field(default_factory=threading.Lock)

    def add(self, *rows: OutboxRow) -> None:
        with self.lock:
            self.rows.update((one.id, one) for one in rows)

    def due(self, now_us: int, limit: int) -> list[OutboxRow]:
        with self.lock:
            self._called("due")
            self.asked.append(limit)
            due = [one for id_, one in sorted(self.rows.items()) if self.next_try_us.get(id_, 0) <= now_us]
            return due[:limit]

    def accepted(self, row_id: int, at_us: int, detail: str) -> None:
        with self.lock:
            self._called("accepted")
            del self.rows[row_id]
            self.accepted_ids.append(row_id)
            self.details[row_id] = (at_us, detail)

    def failed(self, row_id: int, at_us: int, error: str, next_try_us: int | None) -> None:
        with self.lock:
            self._called("failed")
            self.errors.append((row_id, error, None if next_try_us is None else next_try_us - at_us))
            if next_try_us is None:
                del self.rows[row_id]
                self.given_up[row_id] = error
            else:
                self.rows[row_id] = replace(self.rows[row_id], attempts=self.rows[row_id].attempts + 1)
                self.next_try_us[row_id] = next_try_us

    def _called(self, method: str) -> None:
        self.calls.append((method, time.monotonic()))
        self.threads.add(threading.current_thread().name)
        if self.refuse.get(method, 0) > 0:
            self.refuse[method] -= 1
            raise OSError(f"{method}: database is locked")

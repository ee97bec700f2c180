"""Reads the ledger from outside while the daemon writes it, and holds it against what was published."""

from __future__ import annotations

import json
import math
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

from service.notify.webhook import message_id
from service.store import journal
from tests.chaos.hook import Hook
from tests.end_to_end.story import Row

Key = tuple[str, str, int]  # collector, point, Unix second


def keys_of(number: int, rows: list[Row]) -> list[Key]:
    return [(f"quay/hall/c-{number}", tag, int(at_s)) for tag, at_s, _ in rows]


# An alarm of which nobody heard. What is active beside a told alarm of the same point at its raising, was told by that.
UNTOLD = """
SELECT id FROM alarm WHERE id NOT IN (SELECT alarm_id FROM outbox) AND NOT EXISTS (
    SELECT 1 FROM alarm AS other JOIN outbox ON outbox.alarm_id = other.id
    WHERE other.collector = alarm.collector AND other.point = alarm.point
      AND other.raised_us <= alarm.raised_us AND coalesce(other.cleared_us, alarm.raised_us) >= alarm.raised_us
)
"""


class Record:
    """What the journal has held so far. `twice` are rows not marked late whose (point, instant) was there already.

    A message that comes again after a crash may hold readings older than the point's last: those are marked late,
    and the history drops them when they are there (`again`).
    """

    def __init__(self, ledger: Path) -> None:
        self._path = ledger
        self.seen: dict[Key, float] = {}
        self.late: set[Key] = set()  # came after later ones of their point: kept, not judged
        self.twice = self.again = self.seq = 0

    def ask(self, question: str) -> list[tuple[Any, ...]]:
        if not self._path.exists():
            return []
        with closing(sqlite3.connect(f"file:{self._path}?mode=ro", uri=True, timeout=10)) as connection:
            return connection.execute(question).fetchall()

    def newest(self) -> int:
        """The number of the journal's last entry."""
        found = self.ask("SELECT coalesce(max(seq), 0) FROM journal")
        return int(found[0][0]) if found else 0

    def read_on(self) -> None:
        """Take in the entries that are new since the last time."""
        points = {
            number: (collector, name) for number, collector, name in self.ask("SELECT id, collector, name FROM point")
        }
        entries = self.ask(f"SELECT seq, readings FROM journal WHERE seq > {self.seq} ORDER BY seq")
        for seq, body in entries:
            assert seq == self.seq + 1, f"journal entry {seq} after {self.seq}"
            self.seq = seq
            if body is not None:
                self._take(points, journal.plain(journal.decode(body)))

    def _take(self, points: dict[int, tuple[str, str]], batch: Any) -> None:
        columns = (batch.point, batch.at_us // 1_000_000, batch.original, batch.late)
        for point, at_s, original, late in zip(*(column.tolist() for column in columns), strict=True):
            key = (*points[point], at_s)
            if key not in self.seen:
                self.seen[key] = original
                if late:
                    self.late.add(key)
            elif late and self.seen[key] == original:
                self.again += 1
            else:
                self.twice += 1

    def alarms(self) -> dict[str, tuple[int, int | None]]:
        return {row[0]: (row[1], row[2]) for row in self.ask("SELECT id, raised_us, cleared_us FROM alarm")}

    def owed(self) -> int:
        return int(self.ask("SELECT count(*) FROM outbox WHERE state = 'owed'")[0][0])

    def state_ahead(self) -> int:
        """Saved states that claim to include a journal entry which is not there."""
        question = "SELECT count(*) FROM {} WHERE seq > (SELECT coalesce(max(seq), 0) FROM journal)"
        return sum(int(self.ask(question.format(table))[0][0]) for table in ("collector_state", "tips"))

    def different_from(self, truth: dict[str, tuple[int, int | None]], *, so_far: bool) -> int:
        """Alarms that are not as the rules say; with `so_far` the record may still be behind, but not elsewhere."""
        told = self.alarms()
        wrong = [id_ for id_, (raised, cleared) in told.items() if not _agrees(truth.get(id_), raised, cleared, so_far)]
        return len(wrong) + (0 if so_far else len(truth.keys() - told.keys()))

    def notifications_wrong(self, hook: Hook) -> list[str]:
        """Notifications that did not come exactly once, repeats under the same id and with the same body dropped."""
        rows = self.ask("SELECT key, state, detail FROM outbox WHERE channel = 'hook'")
        with_others = {
            key for (key,) in self.ask("SELECT key FROM held JOIN outbox USING (id) WHERE summary IS NOT NULL")
        }  # told by a summary, which is a row of its own
        expected = {message_id(key): key for key, _, _ in rows if key not in with_others}
        unowed = hook.came.keys() - expected.keys()
        return [
            *(f"never came: {expected[id_]}" for id_ in expected.keys() - hook.came.keys()),
            *(f"came and was not owed: {hook.bodies[id_]}" for id_ in unowed if not _is_direct(hook.bodies[id_])),
            *(f"nobody was told of alarm {id_}" for (id_,) in self.ask(UNTOLD)),
            *(f"{key} is {state}: {detail}" for key, state, detail in rows if state != "accepted"),
            *(
                f"{id_} came with other bodies: {sorted(bodies)}"
                for id_, bodies in hook.bodies.items()
                if len(bodies) > 1
            ),
        ]


def _is_direct(bodies: set[bytes]) -> bool:
    """Whether it says that the service cannot record: that is sent past the outbox, which cannot be written then."""
    return all(json.loads(body)["data"]["step"] == "cannot-record" for body in bodies)


def _agrees(true: tuple[int, int | None] | None, raised: int, cleared: int | None, so_far: bool) -> bool:
    return true is not None and true[0] == raised and (true[1] == cleared or (so_far and cleared is None))


def history_differs(rows: list[tuple[Any, ...]], seen: dict[Key, float]) -> tuple[int, int]:
    """(lost, twice) of the history's (collector, point, second, original) rows against the journal's."""
    found: dict[Key, float] = {(row[0], row[1], int(row[2])): row[3] for row in rows}
    wrong = sum(not math.isclose(found.get(key, math.nan), value, rel_tol=1e-12) for key, value in seen.items())
    return wrong, len(rows) - len(found) + len(found.keys() - seen.keys())

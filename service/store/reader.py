"""What people ask of the ledger: alarms with who was told, tallies, quarantine. Reads only, on its own connection."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

from service.store import gaps
from service.store.ledger import connect
from service.store.quarantine import QuarantineReader

ALARM = "id, collector, point, tier, priority, state, began_us, raised_us, cleared_us, recorded_us, reason, evidence"


def alarm_of(row: tuple[Any, ...]) -> dict[str, Any]:
    """An alarm by the names of its columns, from `ALARM`."""
    alarm = dict(zip(ALARM.split(", "), row, strict=True))
    alarm["evidence"] = json.loads(alarm["evidence"])
    return alarm


class LedgerReader:
    """Any thread may call it; a question sees one committed state of the ledger."""

    def __init__(self, path: Path) -> None:
        self._connection = connect(path, read_only=True)
        self._lock = threading.Lock()
        self.quarantine = QuarantineReader(self._connection, self._lock)

    def alarms(self, *, active_only: bool, limit: int) -> list[dict[str, Any]]:
        """Alarm rows, the newest raised first, each with `told`: step, contact, channel, state, at_us, detail."""
        where = "WHERE state = 'active'" if active_only else ""
        with self._lock:
            rows = self._connection.execute(
                f"SELECT {ALARM} FROM alarm {where} ORDER BY raised_us DESC, id LIMIT ?",  # noqa: S608 - constants
                (limit,),
            ).fetchall()
            return [self._alarm(row) for row in rows]

    def alarm(self, alarm_id: str) -> dict[str, Any] | None:
        """One alarm row with `told`, as in `alarms`; None when there is none of this id."""
        with self._lock:
            row = self._connection.execute(
                f"SELECT {ALARM} FROM alarm WHERE id = ?",  # noqa: S608 - constants
                (alarm_id,),
            ).fetchone()
            return None if row is None else self._alarm(row)

    def alarm_at(self, collector: str, point: str, tier: str, at_us: int) -> dict[str, Any] | None:
        """The alarm of this limit that was active at an instant of event time; None when none was."""
        with self._lock:
            row = self._connection.execute(
                f"SELECT {ALARM} FROM alarm WHERE collector = ? AND point = ? AND tier = ? AND raised_us <= ? "  # noqa: S608 - constants
                "AND (cleared_us IS NULL OR cleared_us > ?) ORDER BY raised_us DESC LIMIT 1",
                (collector, point, tier, at_us, at_us),
            ).fetchone()
            return None if row is None else self._alarm(row)

    def revision(self) -> tuple[int, int]:
        """Number of the plant's revision in force, and since when; (0, 0) before the first."""
        with self._lock:
            row = self._connection.execute("SELECT number, at_us FROM revision ORDER BY number DESC LIMIT 1").fetchone()
        return (0, 0) if row is None else (row[0], row[1])

    def gaps(self, *, missing_only: bool, limit: int) -> list[dict[str, Any]]:
        """Ranges of numbered messages that never came, those noticed last first; see `service.store.gaps`."""
        with self._lock:
            return gaps.rows(self._connection, missing_only=missing_only, limit=limit)

    def tallies(self) -> dict[str, int]:
        with self._lock:
            return dict(self._connection.execute("SELECT name, count FROM tally").fetchall())

    def close(self) -> None:
        with self._lock:
            self._connection.close()

    def _alarm(self, row: tuple[Any, ...]) -> dict[str, Any]:
        alarm = alarm_of(row)
        told = self._connection.execute(
            "SELECT step, contact, channel, state, coalesce(done_us, queued_us), detail FROM outbox "
            "WHERE alarm_id = ? ORDER BY id",
            (alarm["id"],),
        ).fetchall()
        keys = ("step", "contact", "channel", "state", "at_us", "detail")
        alarm["told"] = [dict(zip(keys, item, strict=True)) for item in told]
        return alarm

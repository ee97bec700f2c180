"""What people ask of the ledger: alarms with who was told, quarantine, tallies. Reads only, on its own connection."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

from service.store.ledger import connect

_ALARM = "id, collector, point, tier, priority, state, began_us, raised_us, cleared_us, recorded_us, reason, evidence"


class LedgerReader:
    """Any thread may call it; a question sees one committed state of the ledger."""

    def __init__(self, path: Path) -> None:
        self._connection = connect(path, read_only=True)
        self._lock = threading.Lock()

    def alarms(self, *, active_only: bool, limit: int) -> list[dict[str, Any]]:
        """Alarm rows, the newest raised first, each with `told`: step, contact, channel, state, at_us, detail."""
        where = "WHERE state = 'active'" if active_only else ""
        with self._lock:
            rows = self._connection.execute(
                f"SELECT {_ALARM} FROM alarm {where} ORDER BY raised_us DESC, id LIMIT ?",  # noqa: S608 - constants
                (limit,),
            ).fetchall()
            return [self._alarm(row) for row in rows]

    def quarantine(self, limit: int) -> list[dict[str, Any]]:
        """The newest quarantined messages; the payload as text, with what is not UTF-8 replaced."""
        with self._lock:
            rows = self._connection.execute(
                "SELECT id, received_us, topic, code, reason, size, payload FROM quarantine ORDER BY id DESC LIMIT ?",
                (limit,),
            ).fetchall()
        names = ("id", "received_us", "topic", "code", "reason", "size")
        return [dict(zip(names, row[:6], strict=True)) | {"payload": row[6].decode("utf-8", "replace")} for row in rows]

    def tallies(self) -> dict[str, int]:
        with self._lock:
            return dict(self._connection.execute("SELECT name, count FROM tally").fetchall())

    def close(self) -> None:
        with self._lock:
            self._connection.close()

    def _alarm(self, row: tuple[Any, ...]) -> dict[str, Any]:
        names = _ALARM.split(", ")
        alarm = dict(zip(names, row, strict=True))
        alarm["evidence"] = json.loads(alarm["evidence"])
        told = self._connection.execute(
            "SELECT step, contact, channel, state, coalesce(done_us, queued_us), detail FROM outbox "
            "WHERE alarm_id = ? ORDER BY id",
            (alarm["id"],),
        ).fetchall()
        keys = ("step", "contact", "channel", "state", "at_us", "detail")
        alarm["told"] = [dict(zip(keys, item, strict=True)) for item in told]
        return alarm

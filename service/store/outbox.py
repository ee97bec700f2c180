"""The outbox in the ledger: notifications owed, until a channel has accepted them or they are given up."""

from __future__ import annotations

import threading
from pathlib import Path

import msgspec

from service.model import OutboxRow, Told
from service.store.ledger import connect


class LedgerOutbox:
    """Implements `service.model.Outbox` on a connection of its own; any thread may call it."""

    def __init__(self, path: Path) -> None:
        self._connection = connect(path)
        self._lock = threading.Lock()

    def due(self, now_us: int, limit: int) -> list[OutboxRow]:
        """The rows whose next try is due, oldest first; a row waits while an earlier one of its lane is owed.

        A lane is one alarm on one channel to one address: its messages keep their order over a restart too.
        """
        with self._lock:
            rows = self._connection.execute(
                "SELECT id, key, channel, contact, address, body, queued_us, attempts FROM outbox AS row "
                "WHERE next_try_us <= ? AND NOT EXISTS (SELECT 1 FROM outbox AS earlier "
                "WHERE earlier.alarm_id = row.alarm_id AND earlier.channel = row.channel "
                "AND earlier.address = row.address AND earlier.state = 'owed' AND earlier.id < row.id) "
                "ORDER BY id LIMIT ?",
                (now_us, limit),
            ).fetchall()
        return [
            OutboxRow(
                id=row[0],
                key=row[1],
                channel=row[2],
                contact=row[3],
                address=row[4],
                told=msgspec.json.decode(row[5], type=Told),
                queued_us=row[6],
                attempts=row[7],
            )
            for row in rows
        ]

    def accepted(self, row_id: int, at_us: int, detail: str) -> None:
        self._mark(
            "UPDATE outbox SET state = 'accepted', next_try_us = NULL, done_us = ?, detail = ?, "
            "attempts = attempts + 1 WHERE id = ? AND state = 'owed'",
            (at_us, detail, row_id),
        )

    def failed(self, row_id: int, at_us: int, error: str, next_try_us: int | None) -> None:
        state = "owed" if next_try_us is not None else "given up"
        self._mark(
            "UPDATE outbox SET state = ?, next_try_us = ?, done_us = ?, detail = ?, attempts = attempts + 1 "
            "WHERE id = ? AND state = 'owed'",
            (state, next_try_us, None if next_try_us is not None else at_us, error, row_id),
        )

    def owed(self) -> tuple[int, int | None]:
        """How many rows are owed, and since when the oldest is."""
        with self._lock:
            row = self._connection.execute(
                "SELECT count(*), min(queued_us) FROM outbox WHERE next_try_us IS NOT NULL"
            ).fetchone()
        return int(row[0]), row[1]

    def close(self) -> None:
        with self._lock:
            self._connection.close()

    def _mark(self, statement: str, values: tuple[object, ...]) -> None:
        with self._lock:
            self._connection.execute(statement, values)

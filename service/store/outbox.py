"""The outbox in the ledger: notifications owed, until a channel has accepted them or they are given up."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from service.model import Grouping, OutboxRow
from service.store import held, seal
from service.store.ledger import connect
from service.store.owed import COLUMNS, row_of
from service.store.writing import transaction

SET_BACK_US = 1_000_000  # a row of a time so far ahead was written before the clock was set back
RELEASE_EVERY_US = 500_000  # between two looks at what is held


class LedgerOutbox:
    """Implements `service.model.Outbox` on a connection of its own; any thread may call it.

    `grouping` decides when held rows go out; without one they stay held. How much is owed is asked on a second
    connection, which no writer can block.
    """

    def __init__(
        self, path: Path, grouping: Grouping | None = None, note: Callable[[str, str], None] = lambda _what, _text: None
    ) -> None:
        """`note` is told of rows that are damaged: the place, and a text for people."""
        self._note = note
        self._connection, self._reading = connect(path), connect(path, read_only=True)
        self._lock, self._reading_lock = threading.Lock(), threading.Lock()
        self._grouping, self._released_us = grouping, 0

    def due(self, now_us: int, limit: int) -> list[OutboxRow]:
        """The rows whose next try is due, oldest first; a row waits while an earlier one of its lane is owed.

        A lane is one alarm on one channel to one address: its messages keep their order over a restart too. A row
        that was queued or tried in the future is due: the clock was set back, and nobody may wait for it to catch up.
        """
        with self._lock:
            if self._grouping is not None and abs(now_us - self._released_us) >= RELEASE_EVERY_US:
                self._released_us = now_us
                held.release(self._connection, self._grouping, now_us)
            rows = self._connection.execute(
                f"SELECT {COLUMNS} FROM outbox INDEXED BY outbox_due WHERE next_try_us IS NOT NULL "  # noqa: S608 - constants
                "AND (next_try_us <= ? OR coalesce(done_us, queued_us) > ?) "
                "AND NOT EXISTS (SELECT 1 FROM outbox AS earlier "
                "WHERE earlier.alarm_id = outbox.alarm_id AND earlier.channel = outbox.channel "
                "AND earlier.address = outbox.address AND earlier.state = 'owed' AND earlier.id < outbox.id) "
                "ORDER BY id LIMIT ?",
                (now_us, now_us + SET_BACK_US, limit),
            ).fetchall()
            damaged = self._damaged([row[0] for row in rows])
        for row_id, text in damaged.items():
            self._note(f"outbox {row_id}", f"{text}; the notification is not sent")
            self.failed(row_id, now_us, "damaged on disk", None)
        return [row_of(row) for row in rows if row[0] not in damaged]

    def _damaged(self, ids: list[int]) -> dict[int, str]:
        """Those of these rows that are not as they were written, with a text: nobody may be told what they say."""
        where = f"WHERE id IN ({', '.join(map(str, ids))})"
        return {int(key): fault.text for key, fault in seal.faults(self._connection, "outbox", where)} if ids else {}

    def accepted(self, row_id: int, at_us: int, detail: str) -> None:
        self._mark(
            "UPDATE outbox SET state = 'accepted', next_try_us = NULL, done_us = ?, detail = ?, "
            "attempts = attempts + 1 WHERE id = ? AND state = 'owed'",
            (at_us, detail, row_id),
            row_id,
        )

    def failed(self, row_id: int, at_us: int, error: str, next_try_us: int | None) -> None:
        state = "owed" if next_try_us is not None else "given up"
        self._mark(
            "UPDATE outbox SET state = ?, next_try_us = ?, done_us = ?, detail = ?, attempts = attempts + 1 "
            "WHERE id = ? AND state = 'owed'",
            (state, next_try_us, at_us, error, row_id),
            row_id,
        )

    def owed(self) -> tuple[int, int | None]:
        """How many rows are owed, held ones among them, and since when the oldest is."""
        with self._reading_lock:
            row = self._reading.execute(
                "SELECT count(*), min(queued_us) FROM outbox WHERE next_try_us IS NOT NULL"
            ).fetchone()
            count, held_us = held.waiting(self._reading)
        return int(row[0]) + count, min((at_us for at_us in (row[1], held_us) if at_us is not None), default=None)

    def close(self) -> None:
        with self._lock, self._reading_lock:
            self._connection.close()
            self._reading.close()

    def _mark(self, statement: str, values: tuple[object, ...], row_id: int) -> None:
        """Settle the row, and with it the rows that it tells."""
        with self._lock, transaction(self._connection):
            self._connection.execute(statement, values)
            held.settle(self._connection, row_id)

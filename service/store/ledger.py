"""The ledger: the durable record in SQLite. WAL, synchronous=FULL; `commit` is the one transaction of a batch.

One thread writes batches. The outbox is marked by the dispatcher through a connection of its own, and
everybody else reads through a third. When `commit` returns, the batch is on disk.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import msgspec

from service.model import AlarmChange, BadConfiguration, Entry, Revision
from service.store import journal
from service.store.migrate import migrate

BUSY_MS = 15_000
PAYLOAD_KEPT_BYTES = 262_144  # of a quarantined message; longer ones were refused for their length
QUARANTINE_BYTES_AT_MOST = 512 * 1024 * 1024  # of what is kept
ROW_BYTES = 64  # what a row costs beside its texts


def connect(path: Path, *, read_only: bool = False) -> sqlite3.Connection:
    """A connection with the ledger's settings; the caller guards it with a lock if threads share it."""
    mode = "ro" if read_only else "rwc"
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}", uri=True, isolation_level=None, check_same_thread=False
    )
    connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
    if not read_only:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
    return connection


class Ledger:
    """The writer's side. Opens and migrates the file; BadConfiguration when it is newer or not a ledger."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._connection = connect(path)
            version = self._connection.execute("PRAGMA user_version").fetchone()[0]
        except sqlite3.DatabaseError as error:
            raise BadConfiguration(
                f"{path}: {error}; expected the ledger of this service; restore it from a backup"
            ) from error
        migrate(
            self._connection,
            store="ledger",
            version=version,
            set_version=lambda number: f"PRAGMA user_version = {number}",
            path=str(path),
        )
        self.seq: int = self._one("SELECT coalesce(max(seq), 0) FROM journal")
        self._quarantined_bytes: int = self._one(
            f"SELECT coalesce(sum(length(payload) + length(topic) + length(reason) + {ROW_BYTES}), 0) FROM quarantine"  # noqa: S608
        )

    def commit(self, entry: Entry) -> int:
        """Write one batch and all that follows from it, in one transaction; the journal's new sequence number.

        sqlite3.Error when it could not be written: nothing of it is then on disk, and it can be tried again.
        """
        seq = self.seq + 1
        quarantined_bytes = self._quarantined_bytes
        connection = self._connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            self._write_journal(seq, entry)
            self._write_revision(entry)
            self._write_states(seq, entry)
            self._write_changes(entry)
            self._write_owed(entry)
            quarantined_bytes += self._write_rejected(entry, quarantined_bytes)
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        self.seq, self._quarantined_bytes = seq, quarantined_bytes
        return seq

    def _write_journal(self, seq: int, entry: Entry) -> None:
        rows = 0 if entry.batch is None else len(entry.batch)
        body = None if entry.batch is None else journal.encode(entry.batch)
        events = json.dumps([asdict(change) for change in entry.changes]) if entry.changes else None
        self._connection.execute(
            "INSERT INTO journal (seq, committed_us, rows, readings, events) VALUES (?, ?, ?, ?, ?)", (seq, entry.committed_us, rows, body, events)
        )
        self._connection.executemany(
            "INSERT INTO tally VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET count = count + excluded.count",
            entry.tallies,
        )

    def _write_revision(self, entry: Entry) -> None:
        """A new revision replaces the states of all collectors; those of collectors that are gone go too."""
        new = entry.new_revision
        if new is not None:
            self._connection.execute(
                "INSERT INTO revision VALUES (?, ?, ?, ?, ?, ?, ?)",
                (new.number, entry.committed_us, new.who, new.why, new.digest, json.dumps(new.differences), new.plant),
            )
            self._connection.execute("DELETE FROM collector_state")

    def _write_states(self, seq: int, entry: Entry) -> None:
        self._connection.executemany(
            "INSERT INTO collector_state VALUES (?, ?, ?) ON CONFLICT (collector) DO UPDATE SET "
            "seq = excluded.seq, body = excluded.body",
            [(name, seq, body) for name, body in entry.collector_states],
        )
        self._connection.executemany(
            "INSERT INTO gateway VALUES (?, ?) ON CONFLICT (id) DO UPDATE SET body = excluded.body",
            entry.gateway_states,
        )
        if entry.tips is not None:
            self._connection.execute("INSERT OR REPLACE INTO tips VALUES (1, ?, ?)", (seq, entry.tips))

    def _write_changes(self, entry: Entry) -> None:
        for change in entry.changes:
            self._connection.execute(
                "INSERT OR IGNORE INTO alarm_change VALUES (?, ?, ?, ?)",
                (change.alarm_id, change.change, change.at_us, entry.committed_us),
            )
            self._write_alarm(change, entry.committed_us)

    def _write_alarm(self, change: AlarmChange, recorded_us: int) -> None:
        ended = change.change != "raised"
        self._connection.execute(
            "INSERT INTO alarm VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET "
            "state = excluded.state, cleared_us = excluded.cleared_us, reason = excluded.reason, "
            "evidence = excluded.evidence WHERE excluded.state <> 'active'",
            (
                change.alarm_id,
                change.collector,
                change.point,
                change.tier,
                change.priority,
                change.change if ended else "active",
                change.began_us,
                change.raised_us,
                change.at_us if ended else None,
                recorded_us,
                change.reason,
                json.dumps(change.evidence),
            ),
        )

    def _write_owed(self, entry: Entry) -> None:
        self._connection.executemany(
            "INSERT OR IGNORE INTO outbox (key, alarm_id, channel, contact, address, step, body, queued_us, "
            "next_try_us, state) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 'owed')",
            [
                (
                    owed.key,
                    owed.told.alarm_id,
                    owed.channel,
                    owed.contact,
                    owed.address,
                    owed.told.step,
                    msgspec.json.encode(owed.told).decode(),
                    entry.queued_us,
                    entry.queued_us,
                )
                for owed in entry.owed
            ],
        )

    def _write_rejected(self, entry: Entry, before: int) -> int:
        """Keep what was rejected, up to the limit; beyond it only the tally grows. The bytes that were kept."""
        added = 0
        for rejected in entry.rejected:
            kept = rejected.payload[:PAYLOAD_KEPT_BYTES]
            weight = len(kept) + len(rejected.topic) + len(rejected.reason) + ROW_BYTES
            if before + added + weight > QUARANTINE_BYTES_AT_MOST:
                break
            self._connection.execute(
                "INSERT INTO quarantine (received_us, topic, code, reason, size, payload) VALUES (?, ?, ?, ?, ?, ?)",
                (rejected.received_us, rejected.topic, rejected.code, rejected.reason, len(rejected.payload), kept),
            )
            added += weight
        return added

    # ------------------------------------------------------------ the register's numbers

    def number_units(self, units: Iterable[tuple[str, float, float, float]]) -> dict[str, int]:
        """Number unit names (with shift, numerator, denominator) that are new; all names with their numbers."""
        self._connection.executemany(
            "INSERT INTO unit (name, shift, numerator, denominator) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
            list(units),
        )
        return dict(self._connection.execute("SELECT name, id FROM unit").fetchall())

    def number_points(
        self, points: Sequence[tuple[str, str, str]], at_us: int
    ) -> dict[tuple[str, str], tuple[int, int]]:
        """Number (collector, name, quantity) that are new; all points with (number, registered_us)."""
        self._connection.executemany(
            "INSERT INTO point (collector, name, quantity, registered_us) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (collector, name) DO UPDATE SET quantity = excluded.quantity",
            [(*point, at_us) for point in points],
        )
        rows = self._connection.execute("SELECT collector, name, id, registered_us FROM point").fetchall()
        return {(collector, name): (number, at_us) for collector, name, number, at_us in rows}

    def last_revision(self) -> Revision | None:
        """The revision of the plant that is in force; None before the first."""
        row = self._connection.execute(
            "SELECT number, who, why, digest, differences, plant FROM revision ORDER BY number DESC LIMIT 1"
        ).fetchone()
        return None if row is None else Revision(row[0], row[1], row[2], row[3], tuple(json.loads(row[4])), row[5])

    # ------------------------------------------------------------ what a restart needs

    def collector_states(self) -> list[tuple[str, bytes]]:
        """(collector, body) of every saved state; all are of the revision in force."""
        return self._connection.execute("SELECT collector, body FROM collector_state").fetchall()

    def gateway_states(self) -> dict[str, str]:
        return dict(self._connection.execute("SELECT id, body FROM gateway").fetchall())

    def tips(self) -> tuple[int, bytes] | None:
        """(sequence, body) of the saved last readings."""
        row: tuple[int, bytes] | None = self._connection.execute("SELECT seq, body FROM tips").fetchone()
        return row

    def entries_after(self, seq: int) -> Iterable[tuple[int, bytes]]:
        """The readings of the journal entries after `seq`, in order."""
        return self._connection.execute(
            "SELECT seq, readings FROM journal WHERE seq > ? AND readings IS NOT NULL ORDER BY seq", (seq,)
        )

    def active_alarms(self) -> list[tuple[str, str, str, str]]:
        """(collector, point, tier, priority) of the alarms that are active."""
        return self._connection.execute(
            "SELECT collector, point, tier, priority FROM alarm WHERE state = 'active'"
        ).fetchall()

    def close(self) -> None:
        self._connection.close()

    def _one(self, query: str) -> Any:
        return self._connection.execute(query).fetchone()[0]

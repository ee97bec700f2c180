"""The ledger: the durable record in SQLite. WAL, synchronous=FULL; `commit` is the one transaction of a batch.

One thread writes batches. The outbox is marked by the dispatcher through a connection of its own, and
everybody else reads through a third. When `commit` returns, the batch is on disk.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from service.model import SOURCES_CHANGED, AlarmChange, BadConfiguration, Entry, Revision
from service.store import gaps, journal, mark, opening, owed, seal
from service.store.mark import Mark
from service.store.migrate import migrate
from service.store.quarantine import Quarantine
from service.store.seal import Fault
from service.store.writing import audit, tally, transaction

BUSY_MS = 15_000
OWED_AT_MOST = 100_000  # notifications; beyond it those of high priority alone are still owed


def connect(path: Path, *, read_only: bool = False) -> sqlite3.Connection:
    """A connection with the ledger's settings; the caller guards it with a lock if threads share it."""
    mode = "ro" if read_only else "rwc"
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode={mode}", uri=True, isolation_level=None, check_same_thread=False
    )
    connection.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
    connection.text_factory = seal.shown_text if read_only else seal.exact_text
    if not read_only:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        seal.keep(connection)
    return connection


def unreadable(path: Path, error: Exception) -> BadConfiguration:
    """What to tell people when a ledger cannot be opened or read."""
    return BadConfiguration(
        f"{path}: {error}; expected the ledger of this service, whole and on a disk with room; "
        "see to the disk, or restore the ledger from a backup with `dustcake restore`"
    )


class Ledger:
    """The writer's side. Opens and migrates the file; BadConfiguration when it is newer or not a ledger."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._connection = connect(path)
            self._open()
            self.quarantine = Quarantine(self._connection)
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # the latter where SQLite quotes what is damaged
            raise unreadable(path, error) from error

    def _open(self) -> None:
        """Migrate, and look at what a start reads; what is damaged is in `faults`, and is not loaded."""
        version = self._one("PRAGMA user_version")
        migrate(
            self._connection,
            store="ledger",
            version=version,
            set_version=lambda number: f"PRAGMA user_version = {number}",
            path=str(self.path),
        )
        seal.keep(self._connection)
        if not self._one("SELECT EXISTS (SELECT 1 FROM seal)"):
            seal.seal_all(self._connection)  # a file from before seals
        self.faults, self._damaged = opening.look(self._connection, self.path, self._one("PRAGMA user_version"))
        self.seq: int = self._one("SELECT coalesce(max(seq), 0) FROM journal")
        last = self._connection.execute("SELECT crc FROM journal WHERE seq = ?", (self.seq,)).fetchone()
        self._crc: int | None = last[0] if last else None
        self.faults += opening.lost_tail(mark.read(self.path), self.seq, self._crc)
        self._mark = Mark(self.path)

    def commit(self, entry: Entry) -> int:
        """Write one batch and all that follows from it, in one transaction; the journal's new sequence number.

        sqlite3.Error when it could not be written: nothing of it is then on disk, and it can be tried again.
        """
        seq = self.seq + 1
        held = self.quarantine.held
        with transaction(self._connection):
            crc = self._write_journal(seq, entry)
            self._write_revision(entry)
            self._write_states(seq, entry)
            self._write_changes(entry)
            self._write_owed(entry)
            gaps.write(self._connection, entry.numbering)
            held = self.quarantine.keep(entry.rejected, held)
            if entry.settled is not None:
                held = self.quarantine.settle(entry.settled, entry.queued_us, held)
        self.seq, self.quarantine.held, self._crc = seq, held, crc
        with suppress(OSError):  # a mark that lags behind says nothing wrong
            self._mark.write(seq, crc)
        return seq

    def _write_journal(self, seq: int, entry: Entry) -> int:
        rows = 0 if entry.batch is None else len(entry.batch)
        body = None if entry.batch is None else journal.encode(entry.batch)
        events = json.dumps([asdict(change) for change in entry.changes]) if entry.changes else None
        crc = journal.check_value((seq, entry.committed_us, rows, body, events), self._crc)
        self._connection.execute(
            "INSERT INTO journal (seq, committed_us, rows, readings, events, crc) VALUES (?, ?, ?, ?, ?, ?)",
            (seq, entry.committed_us, rows, body, events, crc),
        )
        tally(self._connection, entry.tallies)
        return crc

    def _write_revision(self, entry: Entry) -> None:
        """A new revision replaces the states of all collectors; those of collectors that are gone go too."""
        new = entry.new_revision
        if new is not None:
            self._connection.execute(
                "INSERT INTO revision VALUES (?, ?, ?, ?, ?, ?, ?)",
                (new.number, entry.committed_us, new.who, new.why, new.digest, json.dumps(new.differences), new.plant),
            )
            self._connection.execute("DELETE FROM collector_state")
            gaps.forget(self._connection)

    def _write_states(self, seq: int, entry: Entry) -> None:
        self._connection.executemany(
            "INSERT OR REPLACE INTO collector_state VALUES (?, ?, ?)",  # whole rows, and so with fresh seals
            [(name, seq, body) for name, body in entry.collector_states],
        )
        self._connection.executemany(
            "INSERT OR REPLACE INTO gateway VALUES (?, ?)",
            entry.gateway_states,
        )
        kept = [state for state in entry.source_states if state[2]]
        self._connection.executemany("INSERT OR REPLACE INTO source_state VALUES (?, ?, ?)", kept)
        gone = [state[:2] for state in entry.source_states if not state[2]]
        self._connection.executemany("DELETE FROM source_state WHERE source = ? AND key = ?", gone)
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
        """Put the notifications into the outbox. In a full one, those below high priority stand as given up."""
        if not entry.owed:
            return
        room = OWED_AT_MOST - self._one(
            "SELECT (SELECT count(*) FROM outbox WHERE next_try_us IS NOT NULL) "
            "+ (SELECT count(*) FROM held WHERE released_us IS NULL)"
        )
        refused = f"not sent: {OWED_AT_MOST} notifications were owed already"
        for number, item in enumerate(entry.owed):
            is_taken = number < room or item.told.priority == "high"
            owed.put(self._connection, item, entry.queued_us, refused="" if is_taken else refused)

    # ------------------------------------------------------------ the register's numbers

    def number_units(self, units: Iterable[tuple[str, float, float, float]]) -> dict[str, int]:
        """Number unit names (with shift, numerator, denominator) that are new; all names with their numbers."""
        units = list(units)
        self._put_back("unit", [(int(key), *unit) for key in self._damaged_keys("unit") for unit in units])
        self._connection.executemany(
            "INSERT INTO unit (name, shift, numerator, denominator) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
            units,
        )
        return dict(self._connection.execute("SELECT name, id FROM unit").fetchall())

    def number_points(
        self, points: Sequence[tuple[str, str, str]], at_us: int
    ) -> dict[tuple[str, str], tuple[int, int]]:
        """Number (collector, name, quantity) that are new; all points with (number, registered_us)."""
        since = [row[0] for row in self._connection.execute("SELECT DISTINCT registered_us FROM point")]
        keys = self._damaged_keys("point")
        self._put_back("point", [(int(key), *point, at_us) for key in keys for point in points for at_us in since])
        self._connection.executemany(
            "INSERT INTO point (collector, name, quantity, registered_us) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (collector, name) DO UPDATE SET quantity = excluded.quantity",
            [(*point, at_us) for point in points],
        )
        rows = self._connection.execute("SELECT collector, name, id, registered_us FROM point").fetchall()
        return {(collector, name): (number, at_us) for collector, name, number, at_us in rows}

    def _damaged_keys(self, relation: str) -> list[str]:
        return [key for table, key in self._damaged if table == relation and key.isdecimal()]

    def _put_back(self, relation: str, rows: list[tuple[Any, ...]]) -> None:
        """Mend numbered names: under a wrong one, readings that are sound would be shown as of something else."""
        if rows:
            self._damaged -= {(relation, key) for key in seal.put_back(self._connection, relation, rows)}

    def last_revision(self) -> Revision | None:
        """The revision of the plant that is in force; None before the first."""
        row = self._connection.execute(
            "SELECT number, who, why, digest, differences, plant FROM revision ORDER BY number DESC LIMIT 1"
        ).fetchone()
        return None if row is None else Revision(row[0], row[1], row[2], row[3], tuple(json.loads(row[4])), row[5])

    # ------------------------------------------------------------ what a restart needs

    def collector_states(self) -> list[tuple[str, bytes]]:
        """(collector, body) of every saved state that is sound; all are of the revision in force."""
        rows = self._connection.execute("SELECT collector, body FROM collector_state")
        return [(name, body) for name, body in rows if ("collector_state", name) not in self._damaged]

    def damaged_collectors(self) -> set[str]:
        """The collectors whose saved state was found damaged when the file was opened."""
        return {key for relation, key in self._damaged if relation == "collector_state"}

    def audit(self, at_us: int, who: str, what: str, **detail: Any) -> None:
        """Put down what a person did, in a transaction of its own; sqlite3.Error when it could not be written."""
        with transaction(self._connection):
            audit(self._connection, at_us, who, what, **detail)

    def change_sources(self, at_us: int, who: str, forgotten: Iterable[str], **detail: Any) -> None:
        """Put down that messages are read by another sources file, and forget what these sources remembered."""
        with transaction(self._connection):
            self._connection.executemany("DELETE FROM source_state WHERE source = ?", [(name,) for name in forgotten])
            audit(self._connection, at_us, who, SOURCES_CHANGED, **detail)

    def last_act(self, what: str) -> dict[str, Any] | None:
        """What the audit has of the last act of a kind; None when there is none, or it is damaged."""
        row = self._connection.execute(
            "SELECT id, detail FROM audit WHERE what = ? ORDER BY id DESC LIMIT 1", (what,)
        ).fetchone()
        if row is None or ("audit", str(row[0])) in self._damaged:
            return None
        found: dict[str, Any] = json.loads(row[1])
        return found

    def source_states(self) -> list[tuple[str, str, bytes]]:
        """(source, key, body) of what sources remember, as far as it is sound."""
        rows = self._connection.execute("SELECT source, key, body FROM source_state")
        return [row for row in rows if ("source_state", f"{row[0]}|{row[1]}") not in self._damaged]

    def sequences(self) -> tuple[dict[str, str], list[str]]:
        """Where the gateways' numbers stand: bodies by gateway, and the tips of all shares."""
        return gaps.standing(self._connection, self._damaged)

    def gateway_states(self) -> dict[str, str]:
        """(gateway, body) of every saved state that is sound."""
        rows = self._connection.execute("SELECT id, body FROM gateway")
        return {name: body for name, body in rows if ("gateway", name) not in self._damaged}

    def tips(self) -> tuple[int, bytes] | None:
        """(sequence, body) of the saved last readings; None too when they are damaged: the journal has them all."""
        if ("tips", "1") in self._damaged:
            return None
        row: tuple[int, bytes] | None = self._connection.execute("SELECT seq, body FROM tips").fetchone()
        return row

    def entries_after(self, seq: int) -> Iterable[tuple[int, bytes]]:
        """The readings of the journal entries after `seq`, in order; those that are damaged go into `faults`."""
        for stored in journal.follow(self._connection, seq):
            if stored.fault or stored.unlinked:
                self.faults.append(Fault(stored.what, stored.fault or stored.unlinked))
            if stored.readings is not None:
                yield stored.seq, stored.readings

    def active_alarms(self) -> list[tuple[str, str, str, str]]:
        """(collector, point, tier, priority) of the alarms that are active."""
        return self._connection.execute(
            "SELECT collector, point, tier, priority FROM alarm WHERE state = 'active'"
        ).fetchall()

    def active_alarms_of(self, collector: str) -> list[dict[str, Any]]:
        """id, point, tier, priority and evidence of a collector's active alarms, those of its limits alone."""
        rows = self._connection.execute(
            "SELECT id, point, tier, priority, evidence FROM alarm "
            "WHERE state = 'active' AND collector = ? AND point <> ''",
            (collector,),
        ).fetchall()
        names = ("id", "point", "tier", "priority")
        return [
            {**dict(zip(names, row[:4], strict=True)), "evidence": json.loads(row[4])}
            for row in rows
            if ("alarm", row[0]) not in self._damaged
        ]

    def close(self) -> None:
        self._connection.close()
        self._mark.close()

    def _one(self, query: str) -> Any:
        return self._connection.execute(query).fetchone()[0]

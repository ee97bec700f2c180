"""The history in DuckDB: applies journal entries in order, answers questions, and can be made anew.

The applied sequence number is written in the same DuckDB transaction as the rows, so an entry is applied
once or not at all. Any error at a commit leaves the outcome unknown: the file is reopened and asked. A
file that cannot be opened is set aside and rebuilt from the ledger; evaluation does not wait for it.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.compute as pc

from service.store import journal
from service.store.ledger import connect
from service.store.migrate import migrate

ROWS_PER_APPLY = 500_000
ENTRIES_PER_APPLY = 10_000
ENTRIES_FIRST = 200  # after an opening or a failure: a process that keeps dying must still get on, step by step
ASIDE_KEPT = 3
THREADS = 2  # of one statement
GATHER_S = 0.5  # between two transactions, when nothing is waiting
CATCH_UP_S = 2.0  # wait between attempts after an error
# In DuckDB's words.
SIGNS_OF_DAMAGE = ("checksum", "corrupt", "internal error", "serializ", "not a valid duckdb", "could not read enough")
REBUILDS_AT_MOST = 5  # for damage, in one run: a disk that spoils every file is told of, and not written full
SETTINGS: dict[str, str | bool | int | float | list[str]] = {
    "python_enable_replacements": False,  # a mistyped table must not find a Python variable
    "enable_external_access": False,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
}

_INSERT = """
INSERT INTO reading SELECT point, at_utc, value, original, unit, good, late, seq FROM incoming WHERE NOT late
"""
# A late reading may be one that is there already, sent again after a crash: it goes in once.
_INSERT_LATE = """
INSERT INTO reading
SELECT DISTINCT ON (point, at_utc, value, good) point, at_utc, value, original, unit, good, late, seq
FROM (SELECT * FROM incoming WHERE late) AS new
WHERE NOT EXISTS (
    FROM reading AS old
    WHERE old.point = new.point AND old.at_utc = new.at_utc
      AND old.value IS NOT DISTINCT FROM new.value AND old.good = new.good
      AND old.at_utc BETWEEN ? AND ?
)
"""


class History:
    """One thread applies; cursors read. `applied` and `rebuilt` tell how far it is and how often it was rebuilt."""

    def __init__(
        self,
        path: Path,
        ledger: Path,
        stamp: Callable[[], str],
        *,
        memory_mb: int = 1024,
        note: Callable[[str, str], None] = lambda _what, _text: None,
    ) -> None:
        """`note` is told of journal entries that are damaged and left out: the place, and a text for people."""
        self.path, self._ledger_path, self._stamp, self._note = path, ledger, stamp, note
        # memory_limit is of DuckDB's buffer manager only: the process needs more.
        self._config = SETTINGS | {"memory_limit": f"{memory_mb}MB", "threads": THREADS}
        self.applied = 0
        self.rebuilt: list[str] = []
        self.error = ""
        self._database: duckdb.DuckDBPyConnection | None = None
        self._ledger: sqlite3.Connection | None = None
        self._guard = threading.Lock()  # of opening, setting aside and closing the file
        self._work = threading.Condition()
        self._wanted = 0
        self._rebuild_asked = False
        self._damaged = ""  # why the file has to be made anew, when a question or an entry has found out
        self._damages = 0
        self._most_entries = ENTRIES_FIRST
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="history", daemon=True)

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    def start(self) -> None:
        self._thread.start()

    def follow(self, seq: int) -> None:
        """Say that the journal has entries up to `seq`."""
        with self._work:
            self._wanted = max(self._wanted, seq)
            self._work.notify_all()

    def rebuild(self) -> None:
        """Ask for the file to be made anew from the journal; it happens in the background."""
        with self._work:
            self._rebuild_asked = True
            self._work.notify_all()

    def _found_damaged(self, error: Exception) -> None:
        """Have a new file made in the next round."""
        self._damaged = f"{type(error).__name__}: {error}"
        if self._damages < REBUILDS_AT_MOST:
            self._damages += 1
            self.rebuild()

    def wait_applied(self, seq: int, timeout_s: float) -> bool:
        """Wait until entry `seq` is applied; false when the time is out."""
        with self._work:
            return self._work.wait_for(lambda: self.applied >= seq, timeout_s)

    def query(self, text: str, values: list[Any] | None = None) -> list[tuple[Any, ...]]:
        """Rows of a question, on a cursor of its own: it does not block the writer. RuntimeError when not open."""
        with self._guard:
            if self._database is None:
                raise RuntimeError(f"{self.path}: the history is not open ({self.error or 'starting'}); try again soon")
            cursor = self._database.cursor()
        with closing(cursor):
            try:
                return cursor.execute(text, values or []).fetchall()
            except duckdb.Error as error:
                if not _is_damage(error):
                    raise
                self._found_damaged(error)
                raise RuntimeError(f"{self.path}: damaged ({error}); it is being made anew; try again soon") from error

    def stop(self, timeout_s: float) -> None:
        """Apply what is known to be there, then close the file."""
        with self._work:
            self._stopping = True
            self._work.notify_all()
        self._thread.join(timeout_s)

    # ------------------------------------------------------------ the thread

    def _run(self) -> None:
        while True:
            try:
                self._open()
                if not self._next():
                    break
                self.error = ""
            except Exception as error:  # noqa: BLE001 - whatever it is, it is shown, and this thread goes on trying
                # The outcome is unknown: the next round reopens the file and asks how far it is.
                self.error = f"{type(error).__name__}: {error}"
                self._close()
                if _is_damage(error):  # this file would fail again
                    self._found_damaged(error)
                with self._work:
                    if self._stopping:
                        break
                    self._work.wait(CATCH_UP_S)
        self._close()
        if self._ledger is not None:
            self._ledger.close()

    def _next(self) -> bool:
        """Wait for work and do one piece of it; false when it is time to end."""
        with self._work:
            self._work.wait_for(lambda: self._wanted > self.applied or self._stopping or self._rebuild_asked)
            asked = self._rebuild_asked
            idle = self._wanted <= self.applied
            if self._stopping and idle:
                return False
        if asked:
            self._set_aside(self._damaged or "asked for")
            self._rebuild_asked, self._damaged = False, ""
        elif not idle:
            self._apply()
            self._pause()
        return True

    def _pause(self) -> None:
        """Let entries gather, so that a busy service costs a few larger transactions and not many small ones."""
        with self._work:
            if self._wanted <= self.applied:
                self._work.wait_for(lambda: self._stopping or self._rebuild_asked, GATHER_S)

    def _open(self) -> None:
        if self._database is not None:
            return
        try:
            database = self._open_file()
        except (duckdb.Error, UnicodeDecodeError) as error:
            if _is_busy(error):
                raise
            self._set_aside(f"{type(error).__name__}: {error}")
            database = self._open_file()
        if not self._is_of_this_ledger(database):
            database.close()
            self._set_aside("its last entry is not the ledger's, which has lost its end or was restored from a backup")
            database = self._open_file()
        with self._guard:
            self._database = database
        self._note_applied(database)

    def _is_of_this_ledger(self, database: duckdb.DuckDBPyConnection) -> bool:
        seq, committed_us = database.execute("SELECT seq, committed_us FROM applied").fetchall()[0]
        if seq == 0:
            return True
        stored = next(journal.follow(self._journal(), seq - 1), None)
        # A damaged entry says nothing, and what this file has of it may be all that there is.
        return stored is not None and (stored.fault != "" or (stored.seq, stored.committed_us) == (seq, committed_us))

    def _open_file(self) -> duckdb.DuckDBPyConnection:
        database = duckdb.connect(str(self.path), config=self._config)
        try:
            version = self._version(database)
            migrate(
                database,
                store="history",
                version=version,
                set_version=lambda number: f"INSERT INTO schema_version VALUES ({number})",  # noqa: S608 - an int
                path=str(self.path),
            )
            database.execute("SELECT seq FROM applied").fetchall()
        except Exception:
            database.close()
            raise
        return database

    def _version(self, database: duckdb.DuckDBPyConnection) -> int:
        database.execute("CREATE TABLE IF NOT EXISTS schema_version (number INTEGER)")
        # Always to the end: a result that is not fetched whole blocks the connection's next statement.
        return int(database.execute("SELECT coalesce(max(number), 0) FROM schema_version").fetchall()[0][0])

    def _note_applied(self, database: duckdb.DuckDBPyConnection) -> None:
        seq = int(database.execute("SELECT seq FROM applied").fetchall()[0][0])
        with self._work:
            self.applied = seq
            self._work.notify_all()

    def _set_aside(self, why: str) -> None:
        """Move the file away, named by the time, so that it can be looked at; the next opening makes a new one."""
        self._close()
        stamp = self._stamp()
        for suffix in ("", ".wal"):
            file = self.path.with_name(self.path.name + suffix)
            if file.exists():
                file.rename(file.with_name(f"{self.path.name}.{stamp}.aside{suffix}"))
        for old in sorted(self.path.parent.glob(f"{self.path.name}.*.aside"))[:-ASIDE_KEPT]:
            old.unlink()
            old.with_name(old.name + ".wal").unlink(missing_ok=True)
        self.rebuilt.append(f"{stamp}: {why}")
        del self.rebuilt[:-20]
        with self._work:
            self.applied = 0

    def _close(self) -> None:
        with self._guard:
            database, self._database = self._database, None
        if database is not None:
            database.close()

    def _apply(self) -> None:
        """Bring over the next journal entries, up to a number of rows, in one transaction; the next may be larger."""
        assert self._database is not None
        most, self._most_entries = self._most_entries, ENTRIES_FIRST
        database = self._database
        entries, events, last, committed_us = self._read(most)
        database.execute("BEGIN")
        self._apply_names(database)
        if entries:
            incoming = pa.concat_tables(entries).combine_chunks()  # thousands of small chunks cost DuckDB gigabytes
            database.register("incoming", incoming)
            database.execute(_INSERT)
            _apply_late(database, incoming)
            database.unregister("incoming")
        if events:
            database.executemany(
                "INSERT INTO alarm_change VALUES (?, ?, ?, ?, ?, make_timestamp(?), make_timestamp(?), ?)", events
            )
        database.execute("UPDATE applied SET seq = ?, committed_us = ?", [last, committed_us])
        database.execute("COMMIT")
        self._most_entries = min(2 * most, ENTRIES_PER_APPLY)
        with self._work:
            self.applied = last
            self._work.notify_all()

    def _read(self, most: int) -> tuple[list[Any], list[tuple[Any, ...]], int, int]:
        """The next entries, about `most`: readings, alarm changes, and the number and time of the last of them."""
        tables: list[Any] = []
        events: list[tuple[Any, ...]] = []
        last, rows, committed_us = self.applied, 0, 0
        entries = journal.follow(self._journal(), last)
        with closing(entries):
            for stored in entries:
                if stored.fault or stored.unlinked:
                    self._note(stored.what, stored.fault or stored.unlinked)
                if stored.readings is not None:
                    table = journal.decode(stored.readings)
                    tables.append(table.append_column("seq", pa.array([stored.seq] * table.num_rows, pa.int64())))
                events += _changes(stored)
                last, rows = stored.last, rows + stored.rows
                committed_us = stored.committed_us
                if rows >= ROWS_PER_APPLY or last - self.applied >= most:
                    break
        return tables, events, last, committed_us

    def _journal(self) -> sqlite3.Connection:
        if self._ledger is None:
            self._ledger = connect(self._ledger_path, read_only=True)
        return self._ledger

    def _apply_names(self, database: duckdb.DuckDBPyConnection) -> None:
        """Bring over the numbers of points and units that are new since the last time."""
        ledger = self._journal()
        for table, columns in (
            ("unit", "id, name, shift, numerator, denominator"),
            ("point", "id, collector, name, quantity"),
        ):
            newest = f"SELECT coalesce(max(id), 0) FROM {table}"  # noqa: S608 - constants
            if database.execute(newest).fetchall() == ledger.execute(newest).fetchall():
                continue
            have = {row[0] for row in database.execute(f"SELECT id FROM {table}").fetchall()}  # noqa: S608 - constants
            rows = [row for row in ledger.execute(f"SELECT {columns} FROM {table}") if row[0] not in have]  # noqa: S608 - constants
            if rows:
                marks = ", ".join("?" * len(rows[0]))
                database.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)  # noqa: S608 - constants


def _apply_late(database: duckdb.DuckDBPyConnection, incoming: Any) -> None:
    late = incoming.filter(incoming.column("late"))
    if late.num_rows:
        bounds = pc.min_max(late.column("at_utc")).as_py()
        database.execute(_INSERT_LATE, [bounds["min"], bounds["max"]])


def _changes(stored: journal.Stored) -> list[tuple[Any, ...]]:
    """The alarm changes of an entry as rows of the history."""
    return [
        (c["alarm_id"], c["collector"], c["point"], c["tier"], c["change"], c["at_us"], stored.committed_us, stored.seq)
        for c in json.loads(stored.events or "[]")
    ]


def _is_damage(error: Exception) -> bool:
    """What is read is not what was written; a full disk or a lost connection is something else."""
    said = str(error).lower()
    full = "no space left" in said or "could not write" in said
    return isinstance(error, duckdb.Error) and not full and any(sign in said for sign in SIGNS_OF_DAMAGE)


def _is_busy(error: Exception) -> bool:
    """Another process holds the file: it is not bad, and must not be set aside."""
    return "lock on file" in str(error)

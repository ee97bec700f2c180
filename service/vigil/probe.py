"""Whether the data folder could be written to, also while nothing is being written.

Looks each two seconds: can the ledger's write lock be had (nothing is written), and how new is its last entry.
One small file is written and flushed each half minute. On a thread of its own, because a sick disk may not
answer at all; then the last look grows old, and that is a finding too.
"""

from __future__ import annotations

import os
import sqlite3
import threading
import time
from dataclasses import dataclass
from pathlib import Path

from service.vigil.ending import ended

EVERY_S = 2.0
WRITE_EVERY_S = 30.0
LOCK_WAIT_MS = 2_000
BLOCK = b"\0" * 4096


@dataclass(frozen=True, slots=True)
class Look:
    """What was found. `at_s` is monotonic; `error` is empty when all could be done."""

    at_s: float
    error: str
    newest_us: int  # when the newest journal entry was committed, by the service's clock; 0 without one


class Probe:
    """`latest` is the last look; the first is made by `start`, before it returns."""

    def __init__(self, ledger: Path, every_s: float = EVERY_S) -> None:
        self._ledger, self._every_s = ledger, every_s
        self._scratch = ledger.parent / "probe"
        self._connection: sqlite3.Connection | None = None
        self._write_at_s = 0.0
        self._write_error = ""
        self._stop = threading.Event()
        self.thread = threading.Thread(target=self._run, name="probe", daemon=True)
        self.latest = Look(time.monotonic(), "", 0)

    def start(self) -> None:
        self.latest = self.look()
        self.thread.start()

    def stop(self, timeout_s: float) -> bool:
        """End the thread; false when the disk does not let it."""
        self._stop.set()
        return ended(self.thread, timeout_s)

    def look(self) -> Look:
        """Look now; never raises for what it finds."""
        try:
            newest_us, error = self._lock(), self._write()
        except (OSError, sqlite3.Error) as found:
            self._close()
            return Look(time.monotonic(), f"{type(found).__name__}: {found}", self.latest.newest_us)
        return Look(time.monotonic(), error, newest_us)

    def _lock(self) -> int:
        """Take and return the ledger's write lock; when its newest entry was committed."""
        if self._connection is None:
            self._connection = sqlite3.connect(
                f"{self._ledger.absolute().as_uri()}?mode=rw", uri=True, isolation_level=None, check_same_thread=False
            )
            self._connection.execute(f"PRAGMA busy_timeout = {LOCK_WAIT_MS}")
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            row = self._connection.execute("SELECT committed_us FROM journal ORDER BY seq DESC LIMIT 1").fetchone()
        finally:
            self._connection.execute("ROLLBACK")
        return 0 if row is None else int(row[0])

    def _write(self) -> str:
        """Write and flush one block, now and then; what the last time found. A failure is tried again each look."""
        now_s = time.monotonic()
        if now_s >= self._write_at_s or self._write_error:
            self._write_at_s = now_s + WRITE_EVERY_S
            try:
                number = os.open(self._scratch, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC, 0o600)
                try:
                    os.write(number, BLOCK)
                    os.fsync(number)
                finally:
                    os.close(number)
            except OSError as found:
                self._write_error = f"{type(found).__name__}: {found}"
            else:
                self._write_error = ""
        return self._write_error

    def _close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _run(self) -> None:
        while not self._stop.wait(self._every_s):
            self.latest = self.look()
        self._close()

"""What was found damaged in the ledger, kept in the ledger until a person has settled it.

Written on a connection of its own, from any thread, and very seldom. What cannot be written is kept in memory, so that
health shows it all the same.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable
from pathlib import Path

from service.store.ledger import connect

SHOWN = 5


class Damage:
    """`note` is called with what is damaged and a text for people; `says` is what health shows."""

    def __init__(self, path: Path, now_us: Callable[[], int]) -> None:
        self._path, self._now_us = path, now_us
        self._lock = threading.Lock()
        self._noted: dict[str, str] = {}
        self._reread()

    def note(self, what: str, text: str) -> None:
        """Keep one finding; a finding that is known already, settled or not, changes nothing."""
        with self._lock:
            if what in self._noted:
                return
            self._noted[what] = text
            connection = connect(self._path)
            try:
                connection.execute(
                    "INSERT OR IGNORE INTO damage (noticed_us, what, detail) VALUES (?, ?, ?)",
                    (self._now_us(), what, text),
                )
            except sqlite3.Error:  # the file is what is damaged: memory has to do
                return
            finally:
                connection.close()
        self._reread()

    def says(self) -> str:
        """ "ok", or the findings that nobody has settled yet."""
        self._reread()
        with self._lock:
            texts = list(self._noted.values())
        more = f"; and {len(texts) - SHOWN} more" if len(texts) > SHOWN else ""
        return "; ".join(texts[:SHOWN]) + more if texts else "ok"

    def _reread(self) -> None:
        """Take up what another process has noted or settled."""
        with self._lock:
            try:
                connection = connect(self._path, read_only=True)
                try:
                    rows = connection.execute("SELECT what, detail, settled_us FROM damage").fetchall()
                finally:
                    connection.close()
            except sqlite3.Error:
                return
            self._noted |= {what: detail for what, detail, settled_us in rows if settled_us is None}
            for what, _, settled_us in rows:
                if settled_us is not None:
                    self._noted.pop(what, None)

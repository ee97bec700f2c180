"""Where a simulated process ends, and when its disk refuses: decided by the seed, counted by place.

Owns the two ways in which a run is disturbed from below. A kill is a BaseException, so that nothing in the service
takes it for an error; from then on the process is dead, and every further call on its disk ends it again. What is on
the disk at that moment is kept as it is, with the write-ahead log that no closing connection has tidied up.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tests.property.histories import Choose

IDLE = "between two rounds"
TORN = "within COMMIT, half written"
POINTS = (
    "before decoding",
    "after decoding",
    "after normalising",
    "after judging",
    "before the transaction",
    "in the transaction",
    "before COMMIT",
    TORN,
    "after COMMIT",
    "before acknowledging",
    "before an acknowledgement",
    "after an acknowledgement",
    "after acknowledging",
    "before a send",
    "between a send and its mark",
    "after a mark",
    "while the disk refuses",
    "in start-up",
    "in start-up, between replayed entries",
    "after start-up",
    IDLE,
)
HISTORY_POINTS = ("before the history", "in the history's transaction", "after the history's COMMIT")
OFTEN = frozenset(("in the transaction", "in start-up", "in the history's transaction"))  # passed many times
COUNTS, OFTEN_COUNTS = (1, 1, 2, 3), (1, 2, 3, 5, 8, 13, 21, 34)
REFUSALS = ("disk I/O error", "database or disk is full", "database is locked")


class Killed(BaseException):
    """The process ended here."""


@dataclass(slots=True)
class Kills:
    """Lets each life end at one place. `note` is told."""

    choose: Choose
    note: Callable[[str], None]
    points: tuple[str, ...]
    is_on: bool = True
    is_dead: bool = False
    by_point: Counter[str] = field(default_factory=Counter)
    target: str = ""
    _left: int = 0

    def begin_life(self) -> None:
        self.is_dead = False
        self.target = self.choose(self.points)
        self._left = self.choose(OFTEN_COUNTS if self.target in OFTEN else COUNTS)

    def at(self, point: str) -> None:
        """Pass a place; Killed when it is where this life ends."""
        if self.is_dead:
            raise Killed
        if self.is_due(point):
            self.kill(point)

    def is_due(self, point: str) -> bool:
        """Whether this passing of a place is the one."""
        if not self.is_on or point != self.target:
            return False
        self._left -= 1
        return self._left == 0

    def kill(self, point: str) -> None:
        self.is_dead = True
        self.by_point[point] += 1
        self.note(f"killed {point}")
        raise Killed


@dataclass(slots=True)
class Disk:
    """The folder of the data, the connections to it, and the statements that it is about to refuse."""

    folder: Path
    kills: Kills
    choose: Choose
    note: Callable[[str], None]
    is_large: bool = False  # files are left to their connections, which tidy up as they close
    is_starting: bool = False
    refused: int = 0
    _open: list[Any] = field(default_factory=list)
    _wait: int = 0  # statements until the trouble begins
    _bad: int = 0  # statements that it lasts
    _text: str = ""
    _torn: bytes | None = None

    def begin_life(self) -> None:
        """Some lives meet a disk that refuses for a while, from some statement on."""
        self._wait = self.choose((0, 5, 20, 40, 60, 80))
        self._bad = self.choose((0, 0, 0, 0, 0, 0, 1, 2, 3, 6)) if self.kills.is_on else 0
        self._text = self.choose(REFUSALS)
        if self.kills.target == "while the disk refuses" and self.kills.is_on:
            self._wait, self._bad = self.choose((40, 50, 60)), 9

    @property
    def is_refusing(self) -> bool:
        return self._bad > 0 and self._wait <= 0

    def heal(self) -> None:
        self._bad = 0

    def opens(self, connection: Any) -> Any:
        self._open.append(connection)
        return connection

    def may_refuse(self) -> None:
        """sqlite3.OperationalError while the disk is in trouble."""
        self._wait -= 1
        if self.is_refusing:
            self._bad -= 1
            self.refused += 1
            self.note(f"refuses: {self._text}")
            raise sqlite3.OperationalError(self._text)

    def tear(self, real: sqlite3.Connection, path: Path) -> None:
        """Commit, and let only a part of what that wrote to the write-ahead log be there after the kill."""
        log = path.with_name(path.name + "-wal")
        before = log.read_bytes()
        real.execute("COMMIT")
        after = log.read_bytes()
        size = min(len(before), len(after))
        differs = np.frombuffer(before, np.uint8, size) != np.frombuffer(after, np.uint8, size)
        same = int(differs.argmax()) if differs.any() else size
        cut = same + (len(after) - same) * self.choose(range(9)) // 8
        self._torn = after[:cut] + before[cut:]

    def pull_the_plug(self) -> None:
        """Release what the dead process held; the files stay as it left them."""
        files = {} if self.is_large else {path: path.read_bytes() for path in self.folder.iterdir()}
        for connection in reversed(self._open):
            connection.close()
        self._open.clear()
        if self.is_large:
            return
        for path in self.folder.iterdir():
            path.unlink()
        for path, content in files.items():
            if not path.name.endswith("-shm"):  # memory shared between processes, made anew by the next
                path.write_bytes(content)
        if self._torn is not None:
            (self.folder / "ledger.sqlite-wal").write_bytes(self._torn)
            self._torn = None


class Connection:
    """A connection to SQLite that may be refused or end the process before or after each statement."""

    def __init__(self, real: sqlite3.Connection, path: Path, disk: Disk, *, is_ledger: bool) -> None:
        self._real, self._path, self._disk, self._is_ledger = real, path, disk, is_ledger

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)

    def execute(self, text: str, values: Any = ()) -> Any:
        return self._guarded(text, lambda: self._real.execute(text, values))

    def executemany(self, text: str, values: Any) -> Any:
        return self._guarded(text, lambda: self._real.executemany(text, values))

    def _guarded(self, text: str, run: Callable[[], Any]) -> Any:
        kills, disk = self._disk.kills, self._disk
        if kills.is_dead:
            raise Killed
        if text == "ROLLBACK":
            return run()
        kills.at(self._place(text))
        if text == "COMMIT" and disk.is_refusing and disk.choose((True, False)):
            self._real.execute("ROLLBACK")  # SQLite does so by itself on some errors
        disk.may_refuse()
        if text == "COMMIT" and self._is_ledger and not disk.is_starting and kills.is_due(TORN):
            disk.tear(self._real, self._path)
            kills.kill(TORN)
        answer = run()
        if text == "COMMIT" and self._is_ledger and not disk.is_starting:
            kills.at("after COMMIT")
        if not self._is_ledger and text.startswith("UPDATE"):
            kills.at("after a mark")
        return answer

    def _place(self, text: str) -> str:
        if self._disk.is_starting:
            return "in start-up"
        if not self._is_ledger:
            return "at the outbox"
        if text.startswith("BEGIN"):
            return "before the transaction"
        return "before COMMIT" if text == "COMMIT" else "in the transaction"


class Database:
    """A connection to DuckDB that may end the process before each statement, and after a COMMIT."""

    def __init__(self, real: Any, kills: Kills) -> None:
        self._real, self._kills = real, kills

    def execute(self, text: str, values: Any = None) -> Any:
        self._kills.at("in the history's transaction")
        answer = self._real.execute(text) if values is None else self._real.execute(text, values)
        if text == "COMMIT":
            self._kills.at("after the history's COMMIT")
        return answer

    def __getattr__(self, name: str) -> Any:
        return getattr(self._real, name)

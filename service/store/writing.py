"""What every writer of the ledger needs: one transaction, and the tallies. Knows no table but `tally`."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import Any


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """All that is done within, or nothing of it; sqlite3.Error when it could not be written."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def tally(connection: sqlite3.Connection, counts: Iterable[tuple[str, int]]) -> None:
    """Add to the tallies by name."""
    connection.executemany(
        "INSERT INTO tally VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET count = count + excluded.count", counts
    )


def audit(connection: sqlite3.Connection, at_us: int, who: str, what: str, **detail: Any) -> None:
    """Put down what a person did to the record or to the service."""
    connection.execute(
        "INSERT INTO audit (at_us, who, what, detail) VALUES (?, ?, ?, ?)",
        (at_us, who, what, json.dumps(detail, ensure_ascii=False)),
    )

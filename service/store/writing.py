"""What every writer of the ledger needs: one transaction, and the tallies. Knows no table but `tally`."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager


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

"""Notifications that wait in the outbox to be told with others. Works inside the outbox's connection and lock.

A held row is owed and has no next try. It leaves by going out as it is, or by being told by a summary row; then it
takes the summary's end. All of a release is one transaction, so a crash tells neither nothing nor twice.
"""

from __future__ import annotations

import sqlite3

from service.model import Grouping, Released
from service.store.owed import COLUMNS, put, row_of
from service.store.writing import transaction

LANES_AT_MOST = 200  # released in one transaction; the rest follows at the next look


def release(connection: sqlite3.Connection, grouping: Grouping, now_us: int) -> int:
    """Let go what is ripe; how many rows left their lanes. sqlite3.Error when it could not be written."""
    lanes = connection.execute(
        "SELECT lane FROM held WHERE released_us IS NULL GROUP BY lane "
        "HAVING max(held_us) <= ? OR min(held_us) <= ? OR max(held_us) > ? LIMIT ?",  # the last: the clock was set back
        (now_us - grouping.quiet_us, now_us - grouping.longest_us, now_us, LANES_AT_MOST),
    ).fetchall()
    ripe = []
    for (lane,) in lanes:
        rows = [
            row_of(columns)
            for columns in connection.execute(
                f"SELECT {COLUMNS} FROM held JOIN outbox USING (id) "  # noqa: S608 - constants
                "WHERE lane = ? AND released_us IS NULL ORDER BY outbox.id",
                (lane,),
            )
        ]
        (last_us,) = connection.execute(
            "SELECT max(released_us) FROM held WHERE lane = ? AND summary IS NOT NULL", (lane,)
        ).fetchone()
        released = grouping.release(rows, now_us, last_us)
        if released is not None:
            ripe.append(released)
    if ripe:
        with transaction(connection):
            for released in ripe:
                _let_go(connection, released, now_us)
    return sum(len(released.alone) + len(released.together) for released in ripe)


def _let_go(connection: sqlite3.Connection, released: Released, now_us: int) -> None:
    connection.executemany(
        "UPDATE outbox SET next_try_us = ? WHERE id = ? AND state = 'owed'", [(now_us, id_) for id_ in released.alone]
    )
    summary = None
    if released.summary is not None:
        put(connection, released.summary, now_us)
        (summary,) = connection.execute("SELECT id FROM outbox WHERE key = ?", (released.summary.key,)).fetchone()
    connection.executemany(
        "UPDATE held SET released_us = ?, summary = ? WHERE id = ?",
        [(now_us, None, id_) for id_ in released.alone] + [(now_us, summary, id_) for id_ in released.together],
    )


def settle(connection: sqlite3.Connection, summary: int) -> None:
    """Give the rows that a summary tells the summary's end, if it has one."""
    connection.execute(
        "UPDATE outbox SET state = told.state, done_us = told.done_us, "
        "detail = 'told together with others, as ' || told.alarm_id FROM outbox AS told "
        "WHERE told.id = ? AND told.state <> 'owed' AND outbox.state = 'owed' "
        "AND outbox.id IN (SELECT id FROM held WHERE summary = ?)",
        (summary, summary),
    )


def waiting(connection: sqlite3.Connection) -> tuple[int, int | None]:
    """How many rows are held, and since when the oldest is."""
    count, oldest_us = connection.execute(
        "SELECT count(*), min(held_us) FROM held WHERE released_us IS NULL"
    ).fetchone()
    return int(count), oldest_us

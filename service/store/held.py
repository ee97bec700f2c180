"""Notifications that wait in the outbox to be told with others. Works inside the outbox's connection and lock.

A held row is owed and has no next try. It leaves by going out as it is, or by being told by a summary row; then it
takes the summary's end. All of a release is one transaction, so a crash tells neither nothing nor twice.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from functools import partial

import msgspec

from service.model import Grouping, OutboxRow, Owed, Released, Told

LANES_AT_MOST = 200  # released in one transaction; the rest follows at the next look
COLUMNS = "outbox.id, key, channel, contact, address, body, queued_us, attempts"


def row_of(columns: Sequence[object]) -> OutboxRow:
    """An outbox row from `COLUMNS`."""
    id_, key, channel, contact, address, body, queued_us, attempts = columns
    told = msgspec.json.decode(str(body), type=Told)
    return OutboxRow(id_, key, channel, contact, address, told, queued_us, attempts)  # type: ignore[arg-type]


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
        in_one(connection, *(partial(_let_go, connection, released, now_us) for released in ripe))
    return sum(len(released.alone) + len(released.together) for released in ripe)


def _let_go(connection: sqlite3.Connection, released: Released, now_us: int) -> None:
    connection.executemany(
        "UPDATE outbox SET next_try_us = ? WHERE id = ? AND state = 'owed'", [(now_us, id_) for id_ in released.alone]
    )
    summary = None if released.summary is None else _insert(connection, released.summary, now_us)
    connection.executemany(
        "UPDATE held SET released_us = ?, summary = ? WHERE id = ?",
        [(now_us, None, id_) for id_ in released.alone] + [(now_us, summary, id_) for id_ in released.together],
    )


def _insert(connection: sqlite3.Connection, owed: Owed, now_us: int) -> int:
    told = owed.told
    connection.execute(
        "INSERT OR IGNORE INTO outbox (key, alarm_id, channel, contact, address, step, body, queued_us, next_try_us, "
        "state) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 'owed')",
        (
            owed.key,
            told.alarm_id,
            owed.channel,
            owed.contact,
            owed.address,
            told.step,
            msgspec.json.encode(told).decode(),
            now_us,
            now_us,
        ),
    )
    return int(connection.execute("SELECT id FROM outbox WHERE key = ?", (owed.key,)).fetchone()[0])


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


def in_one(connection: sqlite3.Connection, *acts: Callable[[], object]) -> None:
    """Do all of it in one transaction, in this order."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        for act in acts:
            act()
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise

"""The record of numbered messages that never came: rows of `gap`, and where each gateway's numbers stand.

Writes only inside the transaction of a batch. A row is missing as a whole or filled as a whole: what comes
after all splits it. Filled rows that follow one another become one, so a burst does not leave a row for
each message. Each gateway has at most `ROWS_AT_MOST` rows; beyond that the oldest go, filled ones first.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Container
from typing import Any

from service.model import GapChange, Numbering

ROWS_AT_MOST = 2000  # of one gateway
_COLUMNS = "gateway, boot, run, first, last, noticed_us, filled_us"
_INSERT = f"INSERT INTO gap ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?)"  # noqa: S608 - constants


def write(connection: sqlite3.Connection, numbering: Numbering) -> None:
    """Write what a batch changed; the caller's transaction is open."""
    connection.executemany(
        "INSERT OR REPLACE INTO sequence_tip VALUES (?, ?)",  # whole rows, and so with fresh seals
        numbering.tips,
    )
    connection.executemany("INSERT OR REPLACE INTO sequence VALUES (?, ?)", numbering.bodies)
    for gap in numbering.gaps:
        if gap.is_filled:
            _fill(connection, gap)
        else:
            connection.execute(_INSERT, (gap.gateway, gap.boot, gap.run, gap.first, gap.last, gap.at_us, None))
    for gateway in {gap.gateway for gap in numbering.gaps}:
        connection.execute(
            "DELETE FROM gap WHERE id IN (SELECT id FROM gap WHERE gateway = ? "
            "ORDER BY filled_us IS NULL DESC, id DESC LIMIT -1 OFFSET ?)",
            (gateway, ROWS_AT_MOST),
        )


def forget(connection: sqlite3.Connection) -> None:
    """Forget where all numbers stand: a new revision of the plant writes those of its own gateways."""
    connection.execute("DELETE FROM sequence_tip")
    connection.execute("DELETE FROM sequence")


def standing(
    connection: sqlite3.Connection, damaged: Container[tuple[str, str]] = ()
) -> tuple[dict[str, str], list[str]]:
    """Bodies by gateway, and the tips of all shares, as they were written last; without (table, key) in `damaged`."""
    tips = connection.execute("SELECT CAST(share AS TEXT), body FROM sequence_tip").fetchall()
    bodies = connection.execute("SELECT gateway, body FROM sequence").fetchall()
    return (
        {gateway: body for gateway, body in bodies if ("sequence", gateway) not in damaged},
        [body for share, body in tips if ("sequence_tip", share) not in damaged],
    )


def rows(connection: sqlite3.Connection, *, missing_only: bool, limit: int) -> list[dict[str, Any]]:
    """The gaps noticed last, the newest first."""
    where = "WHERE filled_us IS NULL" if missing_only else ""
    found = connection.execute(
        f"SELECT {_COLUMNS} FROM gap {where} ORDER BY noticed_us DESC, id DESC LIMIT ?",  # noqa: S608 - constants
        (limit,),
    ).fetchall()
    return [dict(zip(_COLUMNS.split(", "), row, strict=True)) for row in found]


def _fill(connection: sqlite3.Connection, gap: GapChange) -> None:
    """Split the missing row that holds these numbers; a row that was dropped for room has nothing to split."""
    row = connection.execute(
        "SELECT id, first, last, noticed_us FROM gap "
        "WHERE gateway = ? AND filled_us IS NULL AND run = ? AND first <= ? AND last >= ?",
        (gap.gateway, gap.run, gap.first, gap.last),
    ).fetchone()
    if row is None:
        return
    number, first, last, noticed_us = row
    connection.execute("DELETE FROM gap WHERE id = ?", (number,))
    for start, end in ((first, gap.first - 1), (gap.last + 1, last)):
        if start <= end:
            connection.execute(_INSERT, (gap.gateway, gap.boot, gap.run, start, end, noticed_us, None))
    start, end = _take_neighbours(connection, gap, noticed_us)
    connection.execute(_INSERT, (gap.gateway, gap.boot, gap.run, start, end, noticed_us, gap.at_us))


def _take_neighbours(connection: sqlite3.Connection, gap: GapChange, noticed_us: int) -> tuple[int, int]:
    """Remove the filled rows of the same report on both sides; first and last number with them included."""
    beside = connection.execute(
        "SELECT id, first, last FROM gap WHERE gateway = ? AND filled_us IS NOT NULL AND run = ? AND noticed_us = ? "
        "AND (last = ? OR first = ?)",
        (gap.gateway, gap.run, noticed_us, gap.first - 1, gap.last + 1),
    ).fetchall()
    connection.executemany("DELETE FROM gap WHERE id = ?", [(number,) for number, _, _ in beside])
    firsts, lasts = [gap.first], [gap.last]
    for _, first, last in beside:
        firsts.append(first)
        lasts.append(last)
    return min(firsts), max(lasts)

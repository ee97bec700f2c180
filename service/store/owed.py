"""Rows of the outbox: how one is written, and how one is read. The writer's transaction is open."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

import msgspec

from service.model import OutboxRow, Owed, Told

COLUMNS = "outbox.id, key, channel, contact, address, body, queued_us, attempts"


def row_of(columns: Sequence[object]) -> OutboxRow:
    """An outbox row from `COLUMNS`."""
    id_, key, channel, contact, address, body, queued_us, attempts = columns
    told = msgspec.json.decode(str(body), type=Told)
    return OutboxRow(id_, key, channel, contact, address, told, queued_us, attempts)  # type: ignore[arg-type]


def put(connection: sqlite3.Connection, owed: Owed, queued_us: int, *, refused: str = "") -> None:
    """Write what is owed, unless it is there already: due at once, held in its lane, or `refused` and given up."""
    told = owed.told
    connection.execute(
        "INSERT OR IGNORE INTO outbox (key, alarm_id, channel, contact, address, step, body, queued_us, "
        "next_try_us, state, done_us, detail) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            owed.key,
            told.alarm_id,
            owed.channel,
            owed.contact,
            owed.address,
            told.step,
            msgspec.json.encode(told).decode(),
            queued_us,
            None if refused or owed.held_in else queued_us,
            "given up" if refused else "owed",
            queued_us if refused else None,
            refused,
        ),
    )
    if owed.held_in:
        connection.execute(
            "INSERT OR IGNORE INTO held (id, lane, held_us) "
            "SELECT id, ?, ? FROM outbox WHERE key = ? AND state = 'owed' AND next_try_us IS NULL",
            (owed.held_in, queued_us, owed.key),
        )

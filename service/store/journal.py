"""The journal: readings as one Arrow IPC stream per batch, and the check value that each entry carries.

The check value holds two CRC-32s. The lower half is of the entry alone (number, time, rows, readings, events), so that
each can be judged by itself. The upper half is of the previous entry's check value and that lower half: entries that
are missing, swapped or of another ledger do not link up. An entry that fails is named, and never handed on as sound.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Generator, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pyarrow as pa

from service.model import Batch
from service.store.seal import crc_of, lenient

SCHEMA = pa.schema(
    [
        ("point", pa.int32()),
        ("at_utc", pa.timestamp("us")),
        ("value", pa.float64()),
        ("original", pa.float64()),
        ("unit", pa.int16()),
        ("good", pa.bool_()),
        ("late", pa.bool_()),
    ]
)
_OPTIONS = pa.ipc.IpcWriteOptions(compression="lz4")


def encode(batch: Batch) -> bytes:
    """One batch as an IPC stream. NaN (bad quality, nothing measured) becomes null."""
    columns = [
        pa.array(batch.point.astype(np.int32)),
        pa.array(batch.at_us, pa.timestamp("us")),
        pa.array(batch.value, from_pandas=True),
        pa.array(batch.original, from_pandas=True),
        pa.array(batch.unit.astype(np.int16)),
        pa.array(batch.good),
        pa.array(batch.late),
    ]
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, SCHEMA, options=_OPTIONS) as writer:
        writer.write_batch(pa.RecordBatch.from_arrays(columns, schema=SCHEMA))
    body: bytes = sink.getvalue().to_pybytes()
    return body


def decode(body: bytes) -> Any:
    """The pyarrow table of one journal entry; pyarrow.ArrowInvalid when the bytes are not one."""
    return pa.ipc.open_stream(pa.py_buffer(body)).read_all()


def plain(table: Any) -> Batch:
    """The columns of a decoded entry as arrays, nulls as NaN."""

    def column(name: str) -> Any:
        return table.column(name).combine_chunks()

    return Batch(
        point=column("point").to_numpy().astype(np.int64),
        at_us=column("at_utc").cast(pa.int64()).to_numpy(),
        value=column("value").to_numpy(zero_copy_only=False),
        original=column("original").to_numpy(zero_copy_only=False),
        unit=column("unit").to_numpy().astype(np.int64),
        good=column("good").to_numpy(zero_copy_only=False),
        late=column("late").to_numpy(zero_copy_only=False),
    )


# ---------------------------------------------------------------- check values


@dataclass(frozen=True, slots=True)
class Stored:
    """An entry as it was read; with a `fault`, entries `seq` to `last` cannot be used, and nothing else is given."""

    seq: int
    last: int
    committed_us: int = 0
    rows: int = 0
    readings: bytes | None = None
    events: str | None = None
    fault: str = ""
    unlinked: str = ""  # sound by itself, but it does not follow the entry before it

    @property
    def what(self) -> str:
        """The place, as damage is recorded under."""
        return f"journal {self.seq}" if self.seq == self.last else f"journal {self.seq}-{self.last}"


def check_value(entry: tuple[int, int, int, bytes | None, str | None], previous: int | None) -> int:
    """The check value of an entry (its columns in the table's order) after one with `previous`: 64 bits, signed."""
    return _joined(crc_of(entry), previous)


def follow(connection: sqlite3.Connection, after: int) -> Generator[Stored, None, None]:
    """Every entry after number `after` in order, each sound or with its fault; numbers that are not there as a range.

    An entry whose number is damaged can stand anywhere and mislead a search, so a hole is looked for once more in a
    walk over the whole table. sqlite3.OperationalError when the file cannot be read at all.
    """
    with lenient(connection):
        top = _top(connection, after)
        before = connection.execute("SELECT crc FROM journal WHERE seq = ?", (after,)).fetchone()
        previous, due, links = (None if before is None else before[0]), after + 1, before is not None or after == 0
        while due <= top:
            try:
                for row in connection.execute(f"{_SELECT} WHERE seq >= ? ORDER BY seq", (due,)):
                    found = _judged(row, previous, links=links and row[0] == due)
                    if found.seq < due or (found.seq > due and found.fault):
                        continue  # its own number is damaged, and will be missing
                    if found.seq > due:
                        yield from _looked_for(connection, due, found.seq - 1)
                    yield found
                    previous, due, links = row[5], found.seq + 1, True
                yield from _looked_for(connection, due, top)
                return
            except sqlite3.OperationalError:
                raise
            except sqlite3.DatabaseError as error:  # a damaged page: what lies beyond it may be sound
                yield Stored(due, due, fault=f"journal: entry {due} cannot be read ({error}); {_REMEDY}")
                due, links = due + 1, False


_SELECT = "SELECT seq, committed_us, rows, readings, events, crc FROM journal"
_REMEDY = "it is left out; restore a backup, or accept the loss"


def _top(connection: sqlite3.Connection, after: int) -> int:
    try:
        return int(connection.execute("SELECT coalesce(max(seq), 0) FROM journal").fetchone()[0])
    except sqlite3.OperationalError:
        raise
    except sqlite3.DatabaseError:
        return after + 1  # the end cannot be found: one fault is given


def _looked_for(connection: sqlite3.Connection, first: int, last: int) -> Iterator[Stored]:
    """These entries found by a walk over the table, and a range for each hole that stays."""
    due = first
    if first <= last:
        try:
            rows = connection.execute(f"{_SELECT} WHERE +seq BETWEEN ? AND ? ORDER BY +seq", (first, last)).fetchall()
        except sqlite3.DatabaseError:
            rows = []
        for found in (_judged(row, None, links=False) for row in rows):
            if found.fault or found.seq < due:
                continue
            if found.seq > due:
                yield _missing(due, found.seq - 1)
            yield found
            due = found.seq + 1
    if due <= last:
        yield _missing(due, last)


def _missing(first: int, last: int) -> Stored:
    which = f"entry {first} is missing" if first == last else f"entries {first} to {last} are missing"
    return Stored(first, last, fault=f"journal: {which}; restore a backup, or accept the loss")


def _judged(row: tuple[Any, ...], previous: int | None, *, links: bool) -> Stored:
    """One entry judged by itself and, where the entry before it was read, by its link to that."""
    seq, committed_us, rows, readings, events, crc = row
    sound = Stored(seq, seq, committed_us, rows, readings, events)
    if crc is None and previous is None:  # from before check values
        return sound
    own = crc_of((seq, committed_us, rows, readings, events))
    kept = crc if isinstance(crc, int) else 0
    linked = _joined(own, previous)
    if kept & _HALF != own and not (links and kept >> 32 == linked >> 32):  # either half alone proves the entry
        return Stored(seq, seq, fault=_says_bad(seq, committed_us, rows))
    if not links or kept == linked:
        return sound
    says = f"journal: entry {seq} does not follow entry {seq - 1}: "
    return replace(sound, unlinked=f"{says}a check value is damaged, or one of the two is of another ledger")


def _says_bad(seq: int, committed_us: Any, rows: Any) -> str:
    """Number, time and rows of a bad entry, as far as they can be read; each of them may be what is damaged."""
    try:
        at = datetime.fromtimestamp(committed_us / 1e6, UTC).isoformat(timespec="seconds")
    except (TypeError, ValueError, OverflowError, OSError):
        at = "an unreadable time"
    return f"journal: entry {seq} of {at} with {rows!r} readings is damaged (its check value does not match); {_REMEDY}"


_HALF = 0xFFFF_FFFF


def _joined(own: int, previous: int | None) -> int:
    link = crc_of((previous or 0, own))
    value: int = struct.unpack("<q", struct.pack("<II", own, link))[0]
    return value

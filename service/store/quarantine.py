"""Quarantine: messages that could not be used, kept with their reason until they are sent again or purged.

Owns the table, its bound in bytes, and the counts by code. The writer's side works on the ledger's connection, within
the ledger's transactions; readers have their own. A row is `kept` until all of its readings are in the journal: the
transaction that writes them makes it `redriven` and takes its payload away, so a reading is never in both.
Must never decide what can be used, nor write from another thread than the ledger's.
"""

from __future__ import annotations

import json
import sqlite3
import threading
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from service.model import Chosen, Kept, Purge, Purged, Rejected, SendAgain, Settled
from service.store.writing import audit, tally, transaction

PAYLOAD_KEPT_BYTES = 262_144  # of a message; longer ones were refused for their length
TEXT_KEPT = 4000  # characters of a message's topic, of the reason, which can quote what was sent, of the publisher
QUARANTINE_BYTES_AT_MOST = 512 * 1024 * 1024  # of what is kept
ROW_BYTES = 64  # what a row costs beside its texts
ROOM_LEAST_BYTES = PAYLOAD_KEPT_BYTES + 3 * 4 * TEXT_KEPT + ROW_BYTES  # with less, the longest may not fit
PAYLOAD_LISTED_BYTES = 4096  # of each payload in a list; one message is shown whole

_PUBLISHER = "(SELECT publisher FROM brought WHERE brought.id = quarantine.id)"
_RETAINED = "coalesce((SELECT retained FROM brought WHERE brought.id = quarantine.id), 0)"
_WEIGHT = (
    "length(payload) + length(CAST(topic AS BLOB)) + length(CAST(reason AS BLOB)) + "
    f"coalesce(length(CAST({_PUBLISHER} AS BLOB)), 0) + {ROW_BYTES}"
)
_SHOWN = "id, received_us, broker, topic, code, reason, size, state, settled_us, length(payload), " + _PUBLISHER
_NAMES = (
    *("id", "received_us", "broker", "topic", "code", "reason", "size", "state", "settled_us", "kept_bytes"),
    *("publisher", "payload"),
)
_MEANT = (
    "(:ids = '[]' OR id IN (SELECT value FROM json_each(:ids))) AND (:code = '' OR code = :code) "
    "AND (:topic = '' OR topic GLOB :topic) AND received_us >= :since_us"
)


@dataclass(frozen=True, slots=True)
class Held:
    """What the quarantine holds: bytes of all rows, and kept messages by code."""

    bytes: int
    codes: Mapping[str, int]

    def with_more(self, bytes_more: int, codes_more: Iterable[tuple[str, int]]) -> Held:
        codes = dict(self.codes)
        for code, count in codes_more:
            codes[code] = codes.get(code, 0) + count
        return Held(self.bytes + bytes_more, {code: count for code, count in codes.items() if count})


class Quarantine:
    """The writer's side. `held` may be read from any thread; whoever commits sets it after the commit."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self.held = self._count()

    @property
    def is_full(self) -> bool:
        """Whether a message may no longer find room, so that it is counted only."""
        return self.held.bytes > QUARANTINE_BYTES_AT_MOST - ROOM_LEAST_BYTES

    def keep(self, rejected: Iterable[Rejected], held: Held) -> Held:
        """Keep what was rejected where there is room; the rest only grows the tally `not kept`. What is then held.

        What the broker sends again because its acknowledgement was lost, or because it retains it, and what is here
        already, grows the tally `refused again` only.
        """
        left_out = again = 0
        for item in rejected:
            kept = item.payload[:PAYLOAD_KEPT_BYTES]
            if self._has(item, kept):
                again += 1
                continue
            weight = _weight(kept, item)
            if held.bytes + weight > QUARANTINE_BYTES_AT_MOST:
                left_out += 1
                continue
            self._insert(item.received_us, item, kept)
            held = held.with_more(weight, [(item.code, 1)])
        counts = (("not kept", left_out), ("refused again", again))
        tally(self._connection, [(name, count) for name, count in counts if count])
        return held

    def settle(self, settled: Settled, at_us: int, held: Held) -> Held:
        """Record what became of messages that were sent again. What is then held.

        What went through leaves its payload; what was refused again stays with the new reason, and of a message that
        went through in part only that part stays. Nothing of it is left out for want of room: it had its room before.
        """
        for row, refusals in settled.rows:
            if not refusals:
                self._connection.execute(
                    "UPDATE quarantine SET state = 'redriven', settled_us = ?, payload = x'' WHERE id = ?",
                    (at_us, row.id),
                )
                held = held.with_more(-len(row.payload), [(row.code, -1)])
                continue
            first = refusals[0]
            self._connection.execute(
                "UPDATE quarantine SET code = ?, reason = ?, size = ?, payload = ?, digest = ? WHERE id = ?",
                (
                    first.code,
                    first.reason[:TEXT_KEPT],
                    len(first.payload),
                    first.payload,
                    _digest(row.topic, first.payload),
                    row.id,
                ),
            )
            identity = (row.publisher,) if row.publisher else ()
            weight = _weight(first.payload, replace(first, topic=row.topic, identity=identity))
            held = held.with_more(weight - row.weight, [(row.code, -1), (first.code, 1)])
            for other in refusals[1:]:
                self._insert(row.received_us, other, other.payload)
                held = held.with_more(_weight(other.payload, other), [(other.code, 1)])
        if settled.rows:
            through = sum(not refusals for _, refusals in settled.rows)
            ids = [row.id for row, _ in settled.rows]
            audit(
                self._connection,
                at_us,
                settled.who,
                "redrive",
                messages=len(ids),
                through=through,
                first=ids[0],
                last=ids[-1],
            )
        return held

    def purge(self, order: Purge, at_us: int) -> Purged:
        """Delete what was received before an instant, and say so in the audit, in one transaction of its own.

        sqlite3.Error when it could not be written: then all of it is still there. What is deleted makes room within
        the bound and within the file; the file itself does not shrink.
        """
        connection = self._connection
        with transaction(connection):
            rows = connection.execute(
                f"SELECT code, state, count(*), sum({_WEIGHT}) FROM quarantine "  # noqa: S608 - constants
                "WHERE received_us < ? GROUP BY code, state",
                (order.before_us,),
            ).fetchall()
            purged = _summed(rows)
            if purged.messages:  # a purge of nothing did nothing to the record
                of_old = "SELECT id FROM quarantine WHERE received_us < ?"
                connection.execute(f"DELETE FROM brought WHERE id IN ({of_old})", (order.before_us,))  # noqa: S608 - constant
                connection.execute("DELETE FROM quarantine WHERE received_us < ?", (order.before_us,))
                audit(
                    self._connection,
                    at_us,
                    order.who,
                    "purge",
                    why=order.why,
                    received_before_us=order.before_us,
                    messages=purged.messages,
                    never_used=purged.never_used,
                    bytes=purged.bytes,
                    codes=purged.codes,
                )
        gone = [(code, -count) for code, state, count, _ in rows if state == "kept"]
        self.held = self.held.with_more(-purged.bytes, gone)
        return purged

    def chosen(self, order: SendAgain, *, most: int, most_bytes: int) -> tuple[list[Kept], int]:
        """The next kept messages of an order, the oldest first, and how many of it are left after those.

        At most `most`, and no more after the one that brings them to `most_bytes` of payload.
        """
        meant = _bound(order.chosen) | {"after": order.after}
        ids = [
            found[0]
            for found in self._connection.execute(
                f"SELECT id FROM quarantine WHERE state = 'kept' AND id > :after AND {_MEANT} ORDER BY id",  # noqa: S608 - constants
                meant,
            )
        ]
        rows: list[Kept] = []
        taken_bytes = 0
        for number in ids[:most]:
            found = self._connection.execute(
                f"SELECT id, received_us, broker, topic, code, size, payload, {_WEIGHT}, {_PUBLISHER}, {_RETAINED} "  # noqa: S608 - constants
                "FROM quarantine WHERE id = ?",
                (number,),
            ).fetchone()
            rows.append(Kept(*found))
            taken_bytes += len(rows[-1].payload)
            if taken_bytes >= most_bytes:
                break
        return rows, len(ids) - len(rows)

    def _insert(self, received_us: int, item: Rejected, payload: bytes) -> None:
        row = self._connection.execute(
            "INSERT INTO quarantine (received_us, broker, topic, code, reason, size, payload, packet, digest) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                received_us,
                item.broker,
                item.topic[:TEXT_KEPT],
                item.code,
                item.reason[:TEXT_KEPT],
                len(item.payload),
                payload,
                item.delivery.packet,
                _digest(item.topic, payload),
            ),
        )
        name, is_retained = _publisher(item), item.delivery.is_retained
        if name or is_retained:
            brought = (row.lastrowid, name or None, is_retained)
            self._connection.execute("INSERT INTO brought VALUES (?, ?, ?)", brought)

    def _has(self, item: Rejected, payload: bytes) -> bool:
        """Whether this very message is kept already: sent again under its packet identifier, or retained."""
        delivery = item.delivery
        if not (delivery.is_again or delivery.is_retained):
            return False
        found = self._connection.execute(
            "SELECT 1 FROM quarantine WHERE digest = ? AND state = 'kept' AND broker = ? AND topic = ? AND size = ? "
            "AND payload = ? AND (packet = ? OR ?)",
            (
                _digest(item.topic, payload),
                item.broker,
                item.topic[:TEXT_KEPT],
                len(item.payload),
                payload,
                delivery.packet,
                delivery.is_retained,
            ),
        )
        return found.fetchone() is not None

    def _count(self) -> Held:
        weight = self._connection.execute(f"SELECT coalesce(sum({_WEIGHT}), 0) FROM quarantine").fetchone()[0]  # noqa: S608 - constants
        codes = self._connection.execute(
            "SELECT code, count(*) FROM quarantine WHERE state = 'kept' GROUP BY code"
        ).fetchall()
        return Held(weight, dict(codes))


class QuarantineReader:
    """What people ask of the quarantine, on a connection that may be shared under its lock."""

    def __init__(self, connection: sqlite3.Connection, lock: threading.Lock) -> None:
        self._connection, self._lock = connection, lock

    def listed(self, chosen: Chosen, *, state: str, before: int | None, limit: int) -> list[dict[str, Any]]:
        """Messages in a state ("" for any), the newest first, with the beginning of each payload as bytes.

        `before` continues a list: only those with a smaller id.
        """
        query = (
            f"SELECT {_SHOWN}, substr(payload, 1, {PAYLOAD_LISTED_BYTES}) FROM quarantine "  # noqa: S608 - constants
            f"WHERE (:before IS NULL OR id < :before) AND (:state = '' OR state = :state) AND {_MEANT} "
            "ORDER BY id DESC LIMIT :limit"
        )
        bound = _bound(chosen) | {"before": before, "state": state, "limit": limit}
        with self._lock:
            rows = self._connection.execute(query, bound).fetchall()
        return [dict(zip(_NAMES, row, strict=True)) for row in rows]

    def one(self, number: int) -> dict[str, Any] | None:
        """One message with all of the payload that was kept, as bytes; None when there is none of this id."""
        with self._lock:
            row = self._connection.execute(
                f"SELECT {_SHOWN}, payload FROM quarantine WHERE id = ?",  # noqa: S608 - constants
                (number,),
            ).fetchone()
        return None if row is None else dict(zip(_NAMES, row, strict=True))

    def counts(self) -> list[dict[str, Any]]:
        """By code, most kept first: messages kept and redriven, bytes of both, when first and last received."""
        with self._lock:
            rows = self._connection.execute(
                f"SELECT code, sum(state = 'kept') AS kept, sum(state = 'redriven'), sum({_WEIGHT}), "  # noqa: S608 - constants
                "min(received_us), max(received_us) FROM quarantine GROUP BY code ORDER BY kept DESC, code"
            ).fetchall()
        names = ("code", "kept", "redriven", "bytes", "first_received_us", "last_received_us")
        return [dict(zip(names, row, strict=True)) for row in rows]


def _publisher(item: Rejected) -> str:
    """Who published it; empty where the broker names nobody, or several, which proves nothing."""
    return item.identity[0][:TEXT_KEPT] if len(item.identity) == 1 else ""


def _weight(payload: bytes, item: Rejected) -> int:
    """The same as `_WEIGHT` of the row that it becomes."""
    texts = (item.topic, item.reason, _publisher(item))
    return len(payload) + sum(len(text[:TEXT_KEPT].encode()) for text in texts) + ROW_BYTES


def _digest(topic: str, payload: bytes) -> int:
    return zlib.crc32(payload, zlib.crc32(topic[:TEXT_KEPT].encode()))


def _bound(chosen: Chosen) -> dict[str, Any]:
    return {
        "ids": json.dumps(chosen.ids),
        "code": chosen.code,
        "topic": chosen.topic,
        "since_us": chosen.since_us,
    }


def _summed(rows: list[tuple[str, str, int, int]]) -> Purged:
    codes: dict[str, int] = {}
    for code, _, count, _ in rows:
        codes[code] = codes.get(code, 0) + count
    return Purged(
        messages=sum(codes.values()),
        never_used=sum(count for _, state, count, _ in rows if state == "kept"),
        bytes=sum(row[3] for row in rows),
        codes=codes,
    )

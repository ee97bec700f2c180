"""What is looked at whenever the ledger is opened: the small tables whole, the journal and the quarantine not.

A gigabyte of journal is read by `dustcake verify`; here the time to start decides. An index that is damaged is made
anew. Never mends a row: rows that are not as they were sealed are named, so that nothing is loaded from them.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable
from pathlib import Path

from service.model import BadConfiguration
from service.store import seal
from service.store.seal import Fault

LARGE = ("journal", "quarantine")  # read when they are asked for, and by verify
ROWS_IN_USE = {"alarm": "WHERE state = 'active'", "outbox": "WHERE state = 'owed'"}
NOT_LOADED = ("alarm_change", "held", "audit", "damage")  # nothing is decided from them at a start


def look(connection: sqlite3.Connection, path: Path, version: int) -> tuple[list[Fault], set[tuple[str, str]]]:
    """The faults found, and (table, key) of the rows among them; BadConfiguration when pages are damaged."""
    faults = seal.schema_faults(connection, version)
    damaged: set[tuple[str, str]] = set()
    for relation in ["seal", *seal.relations(connection)]:
        if relation in LARGE:
            continue
        faults += _mended(connection, path, relation)
        if relation == "seal" or relation in NOT_LOADED:
            continue
        for key, fault in seal.faults(connection, relation, ROWS_IN_USE.get(relation, "")):
            damaged.add((relation, key))
            faults.append(fault)
    return faults, damaged


def lost_tail(found: tuple[int, int] | None, seq: int, crc: int | None) -> Iterable[Fault]:
    """What the mark beside the ledger says of entries that were committed and are not there.

    The mark must have been read before the ledger was: beside a running service it would be ahead afterwards.
    """
    if found is None:
        return
    if found[0] > seq:
        yield Fault(
            f"journal {seq + 1}-{found[0]} lost",
            f"journal: it ends at entry {seq}, and entry {found[0]} had been committed: the write-ahead log was "
            "damaged, or an older ledger was put in its place; what the history had of these entries is in the file "
            "set aside; restore a backup, or accept the loss",
        )
    elif found[0] == seq and found[1] != crc:
        yield Fault(f"journal {seq} other", f"journal: entry {seq} is not the one that was committed last; {_ACCEPT}")


# What SQLite says of values that a table does not allow: bad rows on good pages, which their seals name too.
_OF_ROWS = re.compile(r"table \w+: (CHECK constraint|NULL value|TEXT value|NUMERIC value|non-\w+ value)[^;]*;")
_ACCEPT = "restore a backup, or accept it"


def _mended(connection: sqlite3.Connection, path: Path, relation: str) -> list[Fault]:
    """Nothing, or that an index was made anew."""
    found = seal.structure_faults(connection, relation)
    if not found:
        return []
    connection.execute(f"REINDEX {relation}")
    still = seal.structure_faults(connection, relation)
    if still and not _OF_ROWS.match(still[0].text):
        raise BadConfiguration(f"{path}: {still[0].text} with `dustcake restore`")
    return still or [Fault(found[0].what, f"{found[0].text.rpartition(';')[0]}; its indexes were made anew")]

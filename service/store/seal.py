"""A check value beside every row of the ledger, so that a row which changed on the disk is seen.

Owns the table `seal`: relation, key, CRC-32 of the row. Temporary triggers of each writing connection keep it, so that
no writer can forget it, and a program that knows nothing of it can still read and write the file (its rows then show
up as changed by somebody else). An update carries an old mismatch on instead of covering it up. The journal is not
sealed here: it has its own chain, see service/store/journal.py. Never repairs anything.
"""

from __future__ import annotations

import sqlite3
import struct
import zlib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from typing import Any

from service.store.migrate import split, steps

UNSEALED = ("journal", "seal")
_KEY_SIGN = "|"  # between the parts of a key of several columns


@dataclass(frozen=True, slots=True)
class Fault:
    """Something in a file that is not as it was written. `what` names the place, and is the same at each look."""

    what: str
    text: str  # what, found, expected, remedy

    def __post_init__(self) -> None:
        for name in ("what", "text"):  # they quote what is damaged, which need not be text
            object.__setattr__(self, name, getattr(self, name).encode("utf-8", "backslashreplace").decode())


def crc_of(values: Iterable[Any]) -> int:
    """CRC-32 over values as SQLite gives them: kind, length and content of each; text counts as its bytes."""
    crc = 0
    for value in values:
        if isinstance(value, bytes | str):
            body = value if isinstance(value, bytes) else value.encode("utf-8", "surrogateescape")
            crc = zlib.crc32(body, zlib.crc32(b"b%d:" % len(body), crc))
        elif isinstance(value, float):
            crc = zlib.crc32(b"f" + struct.pack("<d", value), crc)
        else:
            crc = zlib.crc32(b"n" if value is None else b"i%d;" % value, crc)
    return crc


def columns(connection: sqlite3.Connection, relation: str) -> tuple[list[str], list[str]]:
    """The names of all columns of a table, and of those of its primary key, each in order."""
    found = connection.execute(f"PRAGMA table_info({relation})").fetchall()
    keyed = sorted((row[5], row[1]) for row in found if row[5])
    return [row[1] for row in found], [name for _, name in keyed]


def relations(connection: sqlite3.Connection) -> list[str]:
    """The tables whose rows are sealed; none in a file from before seals."""
    names = [row[0] for row in connection.execute("SELECT name FROM main.sqlite_schema WHERE type = 'table'")]
    return [name for name in names if name not in UNSEALED] if "seal" in names else []


def keep(connection: sqlite3.Connection) -> None:
    """Make this connection keep the seals of what it writes; to be called again when tables were added."""
    connection.create_function("row_crc", -1, lambda *values: crc_of(values), deterministic=True)
    connection.create_function("mended_crc", 3, lambda seal, old, new: seal ^ old ^ new, deterministic=True)
    for relation in relations(connection):
        for event, body in _bodies(relation, *columns(connection, relation)).items():
            connection.execute(
                f"CREATE TEMP TRIGGER IF NOT EXISTS seal_{relation}_{event} AFTER {event} ON main.{relation} "
                f"BEGIN {body} END"
            )


def seal_all(connection: sqlite3.Connection) -> None:
    """Seal the rows that are there already: once, when a file from before seals was migrated."""
    for relation in relations(connection):
        names, key = columns(connection, relation)
        connection.execute(
            f"INSERT OR REPLACE INTO seal SELECT '{relation}', {_key('', key)}, {_crc('', names)} FROM {relation}"  # noqa: S608 - names of the schema
        )


def faults(connection: sqlite3.Connection, relation: str, where: str = "") -> Iterator[tuple[str, Fault]]:
    """(key, fault) of every row of a table that is not as it was sealed; with `where`, of those rows only.

    Without `where` also of rows that are gone, whose seal is still there.
    """
    names, key = columns(connection, relation)
    with lenient(connection):
        if where:
            of_row = f"(SELECT s.crc FROM seal AS s WHERE s.relation = '{relation}' AND s.key = {_key('', key)})"  # noqa: S608 - names of the schema
            sealed = {}
        else:
            of_row = "NULL"
            sealed = dict(connection.execute("SELECT key, crc FROM seal WHERE relation = ?", (relation,)).fetchall())
        rows = connection.execute(f"SELECT {_key('', key)}, {of_row}, {', '.join(names)} FROM {relation} {where}")  # noqa: S608 - likewise
        for name, crc, *values in rows:
            expected = sealed.pop(name, None) if crc is None else crc
            if expected is None:
                yield name, _fault(relation, name, "has no check value: another program wrote it, or a page was lost")
            elif expected != crc_of(values):
                yield name, _fault(relation, name, "is not as the service wrote it")
    for name in sealed:
        yield name, _fault(relation, name, "is gone, and its check value is still there")


def put_back(connection: sqlite3.Connection, relation: str, rows: Iterable[tuple[Any, ...]]) -> set[str]:
    """Write those of these rows (all columns, the number first) that the check value of their number proves; which.

    For numbered tables whose rows are known from elsewhere. A row that stands under another number is taken away.
    """
    sealed = dict(connection.execute("SELECT key, crc FROM seal WHERE relation = ?", (relation,)).fetchall())
    proven = {str(row[0]): row for row in rows if sealed.get(str(row[0])) == crc_of(row)}
    names, key = columns(connection, relation)
    for row in proven.values():
        marks = ", ".join("?" * len(row))
        connection.execute(f"DELETE FROM {relation} WHERE {key[0]} = ?", row[:1])  # noqa: S608 - names of the schema
        connection.execute(f"INSERT OR REPLACE INTO {relation} ({', '.join(names)}) VALUES ({marks})", row)  # noqa: S608 - likewise
    return set(proven)


def exact_text(body: bytes) -> str:
    """Text as it is stored; what is not UTF-8 (only damage makes it so) is kept in a way that can be told apart."""
    return body.decode("utf-8", "surrogateescape")


def shown_text(body: bytes) -> str:
    """Text for people: what is not UTF-8 is replaced, so that one damaged row does not hide all others."""
    return body.decode("utf-8", "replace")


@contextmanager
def lenient(connection: sqlite3.Connection) -> Iterator[None]:
    """Let text that is not UTF-8 be read, so that a damaged row can be told from a sound one."""
    before = connection.text_factory
    connection.text_factory = exact_text
    try:
        yield
    finally:
        connection.text_factory = before


def structure_faults(connection: sqlite3.Connection, relation: str = "") -> list[Fault]:
    """What SQLite itself finds wrong with the pages of one table and its indexes, or of the whole file."""
    try:
        said = [row[0] for row in connection.execute(f"PRAGMA integrity_check({relation or 100})")]
    except sqlite3.OperationalError:
        raise  # locked, full, not readable just now: that says nothing about what is stored
    except sqlite3.DatabaseError as error:
        said = [str(error)]
    where = f"table {relation}" if relation else "file"
    return [] if said == ["ok"] else [
        Fault(f"structure {relation}".strip(), f"{where}: {'; '.join(said[:5])}; restore a backup")
    ]  # fmt: skip


def schema_faults(connection: sqlite3.Connection, version: int) -> list[Fault]:
    """Tables and indexes that are not those that the migrations up to `version` make."""
    found = _texts(connection)
    expected = _expected(version)
    return [
        Fault(f"schema {name}", f"definition of {name}: found {found.get(name)!r}, expected {expected.get(name)!r}; "
              "restore a backup")
        for name in sorted(found.keys() | expected.keys())
        if found.get(name) != expected.get(name)
    ]  # fmt: skip


@cache
def _expected(version: int) -> dict[str, str]:
    made = sqlite3.connect(":memory:", isolation_level=None)
    for number, text in steps("ledger"):
        if number <= version:
            for statement in split(text):
                made.execute(statement)
    found = _texts(made)
    made.close()
    return found


def _texts(connection: sqlite3.Connection) -> dict[str, str]:
    with lenient(connection):
        return {
            f"{kind} {name} of {table}": text
            for kind, name, table, text in connection.execute(
                "SELECT type, name, tbl_name, sql FROM main.sqlite_schema WHERE name NOT LIKE 'sqlite_stat%'"
            )
        }


def _bodies(relation: str, names: list[str], key: list[str]) -> dict[str, str]:
    """What each trigger does. No upsert inside: an outer OR IGNORE would overrule it."""
    old = f"relation = '{relation}' AND key = {_key('OLD.', key)}"
    new = f"relation = '{relation}' AND key = {_key('NEW.', key)}"
    was, now = _crc("OLD.", names), _crc("NEW.", names)
    gone, come = f"DELETE FROM seal WHERE {old};", f"DELETE FROM seal WHERE {new};"  # noqa: S608 - names of the schema
    return {
        "INSERT": f"{come} INSERT INTO seal VALUES ('{relation}', {_key('NEW.', key)}, {now});",  # noqa: S608 - likewise
        "UPDATE": f"UPDATE seal SET crc = mended_crc(crc, {was}, {now}) WHERE {old};",  # noqa: S608 - likewise
        "DELETE": gone,
    }


def _key(prefix: str, key: list[str]) -> str:
    return f" || '{_KEY_SIGN}' || ".join(f"CAST({prefix}{name} AS TEXT)" for name in key)


def _crc(prefix: str, names: list[str]) -> str:
    """Text goes in as bytes: SQLite cannot hand on text that is not UTF-8, and a damaged row must not stop a write."""
    full = [prefix + name for name in names]
    blobs = [f"iif(typeof({name}) = 'text', CAST({name} AS BLOB), {name})" for name in full]
    return f"row_crc({', '.join(blobs)})"


def _fault(relation: str, key: str, says: str) -> Fault:
    return Fault(f"{relation} {key}", f"row {key!r} of table {relation} {says}; restore a backup, or accept the loss")

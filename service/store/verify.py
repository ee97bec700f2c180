"""Looks at a ledger and a history from end to end: pages, check values, numbers, and whether they agree.

Reads only, in one transaction, so it sees one committed state while the service goes on. Decides nothing and mends
nothing: it says what is wrong, where, and what to do.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from service.store import journal, mark, opening, seal
from service.store.ledger import connect
from service.store.migrate import steps
from service.store.seal import Fault
from service.store.writing import transaction

FAULTS_AT_MOST = 1_000
Query = Callable[[str], list[tuple[Any, ...]]]


@dataclass(slots=True)
class Report:
    """What was found, and how much was looked at."""

    faults: list[Fault] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    fresh: dict[int, int] = field(default_factory=dict)  # readings that are not late, by sound journal entry
    unknown: set[int] = field(default_factory=set)  # journal entries that are damaged
    last: int = 0  # journal entry
    is_in_use: bool = False


def check_ledger(path: Path) -> Report:
    """Everything about a ledger file. sqlite3.Error only where it cannot be opened at all."""
    report, said = Report(), mark.read(path)
    with closing(connect(path, read_only=True)) as connection:
        connection.execute("BEGIN")  # one state for all questions
        for found in _ledger_faults(connection, said, report):
            if len(report.faults) < FAULTS_AT_MOST:
                report.faults.append(found)
    return report


def history_counts(query: Query) -> tuple[int, list[tuple[int, int]]]:
    """How far the history is, and (entry, readings that are not late) of what is in it. `query` asks the history."""
    ((applied,),) = query("SELECT seq FROM applied")
    counted = "SELECT seq, count(*) FILTER (NOT late) FROM reading GROUP BY seq ORDER BY seq"
    return int(applied), [(int(seq), int(fresh)) for seq, fresh in query(counted)]


def read_all_blocks(query: Query) -> None:
    """Read every block of the readings, so that the history's own check sums are looked at; its errors come out."""
    for column in ("point", "at_utc", "value", "original", "unit", "good", "late", "seq"):
        query(f"SELECT bit_xor(hash({column})) FROM reading")  # noqa: S608 - constants
    query("SELECT bit_xor(hash(COLUMNS(*))) FROM alarm_change")


def check_history(applied: int, counts: list[tuple[int, int]], report: Report) -> None:
    """Add to a ledger's report what in the history is not as the journal has it."""
    upto = min(applied, report.last)
    have = {seq: fresh for seq, fresh in counts if seq <= upto}
    report.counts |= {"entries in the history": applied, "readings in the history": sum(have.values())}
    if applied > report.last and not report.is_in_use:
        report.faults.append(Fault("history applied", f"history: it is at entry {applied}, and the journal ends at "
                                   f"{report.last}; it is made anew at the next start"))  # fmt: skip
    for seq in sorted(have.keys() | {seq for seq in report.fresh if seq <= upto}):
        fresh, expected = have.get(seq, 0), report.fresh.get(seq, 0)
        if fresh != expected and seq not in report.unknown:  # what a damaged entry had, only the history may know
            says = f"history: entry {seq} has {fresh} readings that are not late, the journal has {expected}"
            report.faults.append(Fault(f"history {seq}", f"{says}; {REBUILD}"))


REBUILD = "make the history anew with `dustcake rebuild`, or by moving its file away while the service is stopped"


def _ledger_faults(connection: sqlite3.Connection, said: tuple[int, int] | None, report: Report) -> Iterator[Fault]:
    """`said` is the mark beside the ledger."""
    try:
        yield from seal.structure_faults(connection)
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if version != steps("ledger")[-1][0]:
            yield Fault("schema version", f"schema version: found {version}, expected {steps('ledger')[-1][0]}; "
                        "start this release once, or verify with the release that wrote it")  # fmt: skip
            return
        yield from seal.schema_faults(connection, version)
        yield from _journal_faults(connection, said, report)
        yield from _row_faults(connection, report)
        yield from _outbox_faults(connection)
    except sqlite3.DatabaseError as error:
        yield Fault("file", f"file: {error}; restore a backup with `dustcake restore`")


def _journal_faults(connection: sqlite3.Connection, said: tuple[int, int] | None, report: Report) -> Iterator[Fault]:
    """Each entry, whether they follow one another, and whether the alarms are what the entries say."""
    counts = report.counts
    counts |= {"journal entries": 0, "readings": 0, "entries from before check values": 0}
    alarms: dict[str, tuple[Any, ...]] = {}
    last, is_whole = 0, True
    for stored in journal.follow(connection, 0):
        report.last = last = stored.last
        if stored.fault:
            report.unknown.update(range(stored.seq, min(stored.last, stored.seq + FAULTS_AT_MOST) + 1))
        if stored.fault or stored.unlinked:
            is_whole = is_whole and not stored.fault
            yield Fault(stored.what, stored.fault or stored.unlinked)
        if not stored.fault:
            counts["journal entries"] += 1
            yield from _entry_faults(stored, report)
            for change in json.loads(stored.events or "[]"):
                _tell(alarms, change)
    counts["entries from before check values"] = connection.execute(
        "SELECT count(*) FROM journal WHERE crc IS NULL"
    ).fetchone()[0]
    crc = connection.execute("SELECT crc FROM journal WHERE seq = ?", (last,)).fetchone()
    yield from opening.lost_tail(said, last, crc[0] if crc else None)
    if is_whole:
        yield from _alarm_faults(connection, alarms)


def _entry_faults(stored: journal.Stored, report: Report) -> Iterator[Fault]:
    if stored.readings is None:
        found = 0
    else:
        try:
            table = journal.decode(stored.readings)
        except pa.ArrowInvalid as error:
            yield Fault(stored.what, f"journal: entry {stored.seq} cannot be decoded ({error}); restore a backup")
            return
        found = table.num_rows
        report.fresh[stored.seq] = found - (pc.sum(table.column("late")).as_py() or 0)
    report.counts["readings"] += found
    if found != stored.rows:
        yield Fault(stored.what, f"journal: entry {stored.seq} has {found} readings, expected {stored.rows}")


def _tell(alarms: dict[str, tuple[Any, ...]], change: dict[str, Any]) -> None:
    """Bring the alarms on by one change, in the way in which the ledger's table is."""
    raised = change["change"] == "raised"
    if raised and change["alarm_id"] in alarms:
        return
    alarms[change["alarm_id"]] = (
        change["collector"], change["point"], change["tier"], change["raised_us"],
        "active" if raised else change["change"], None if raised else change["at_us"],
    )  # fmt: skip


def _alarm_faults(connection: sqlite3.Connection, expected: dict[str, tuple[Any, ...]]) -> Iterator[Fault]:
    rows = connection.execute("SELECT id, collector, point, tier, raised_us, state, cleared_us FROM alarm")
    found = {row[0]: tuple(row[1:]) for row in rows}
    for name in sorted(expected.keys() | found.keys()):
        if found.get(name) != expected.get(name):
            yield Fault(f"alarm {name} journal", f"alarm {name}: found {found.get(name)}, and the journal says "
                        f"{expected.get(name)}; restore a backup, or accept the loss")  # fmt: skip


def _row_faults(connection: sqlite3.Connection, report: Report) -> Iterator[Fault]:
    for relation in seal.relations(connection):
        report.counts[f"rows of {relation}"] = connection.execute(f"SELECT count(*) FROM {relation}").fetchone()[0]  # noqa: S608 - names of the schema
        for _, fault in seal.faults(connection, relation):
            yield fault
    known = ", ".join(f"'{name}'" for name in seal.relations(connection))
    for relation, key in connection.execute(f"SELECT relation, key FROM seal WHERE relation NOT IN ({known})"):  # noqa: S608 - likewise
        yield Fault(f"seal {relation} {key}", f"check value of {relation} {key}: no such table; restore a backup")


def _outbox_faults(connection: sqlite3.Connection) -> Iterator[Fault]:
    """Notifications of limits' and gateways' alarms that belong to no alarm, and owed ones that nothing will send."""
    for row_id, alarm in connection.execute(
        "SELECT id, alarm_id FROM outbox WHERE step IN ('raised', 'escalated', 'eased', 'cleared', 'closed', "
        "'no-data', 'data-back') AND alarm_id NOT IN (SELECT id FROM alarm)"
    ):
        yield Fault(f"outbox {row_id} alarm", f"notification {row_id}: its alarm {alarm} is not on record; "
                    "restore a backup, or accept the loss")  # fmt: skip
    for (row_id,) in connection.execute(
        "SELECT id FROM outbox WHERE state = 'owed' AND next_try_us IS NULL "
        "AND id NOT IN (SELECT id FROM held WHERE released_us IS NULL OR summary IS NOT NULL)"
    ):
        yield Fault(f"outbox {row_id} try", f"notification {row_id}: owed, and no next try is set; it is never sent; "
                    "restore a backup, or accept the loss")  # fmt: skip


def accepted(path: Path) -> set[str]:
    """The places whose damage a person has accepted; none while they cannot be read."""
    try:
        with closing(connect(path, read_only=True)) as connection:
            return {row[0] for row in connection.execute("SELECT what FROM damage WHERE settled_us IS NOT NULL")}
    except sqlite3.Error:
        return set()


def accept(path: Path, faults: list[Fault], at_us: int, who: str) -> None:
    """Put on record that a person accepts these losses: health shows them no longer. Mends nothing."""
    with closing(connect(path)) as connection, transaction(connection):
        connection.executemany(
            "INSERT INTO damage (noticed_us, what, detail, settled_us) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (what) DO UPDATE SET settled_us = excluded.settled_us",
            [(at_us, fault.what, fault.text, at_us) for fault in faults],
        )
        connection.execute("UPDATE damage SET settled_us = ? WHERE settled_us IS NULL", (at_us,))
        detail = json.dumps({"places": [fault.what for fault in faults[:20]], "in all": len(faults)})
        connection.execute(
            "INSERT INTO audit (at_us, who, what, detail) VALUES (?, ?, 'accept damage', ?)", (at_us, who, detail)
        )

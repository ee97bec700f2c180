"""What must hold after a run: nothing lost, nothing twice, nothing decided or told otherwise than without a kill.

Owns the judgement and its words. Five questions, each with its own witness: the broker (is everything there once?),
the same rounds played without a kill (is the record the same to the byte?), the columnar engine (are the alarms
right?), the receivers (is everybody told?), and the history (does it say what the journal says?).
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import duckdb
import pyarrow as pa

from rules.collector import advance, new_state
from rules.columnar import replay
from rules.types import Change, CollectorSpec, Reading
from service.model import OutboxRow
from service.notify import routes
from service.notify.routes import Recipient
from service.store import journal
from tests.property.evaluators import column, ordered
from tests.property.histories import Item
from tests.property.oracle import Alarm, Case
from tests.simulation.broker import Broker
from tests.simulation.world import World

LATER_US = 4 * 10**15
Key = tuple[str, str, int, float, bool]  # collector, point, instant, value (nought under a bad reading), good

# What two runs may differ in: when it was tried to tell people, and when a message was received.
OF_THE_RUN = ("seal", "held", "outbox", "quarantine")
PARTLY = {
    "outbox": "SELECT key, alarm_id, channel, contact, address, step, body FROM outbox "
    "WHERE step <> 'found-late' ORDER BY id",
    "quarantine": "SELECT topic, code, reason, size, payload FROM quarantine ORDER BY id",
}


class Found(NamedTuple):
    """A run's end: what the broker accepted, what the receivers got, and two folders with ledgers."""

    world: World
    broker: Broker
    got: list[OutboxRow]
    killed: Path
    whole: Path


class Truth(NamedTuple):
    """Questions to the SQL query, and the answers of the killed service."""

    cases: list[Case]
    alarms: list[set[Alarm]]


@contextlib.contextmanager
def opened(folder: Path) -> Iterator[sqlite3.Connection]:
    """The ledger in a folder, to be read."""
    with contextlib.closing(sqlite3.connect(folder / "ledger.sqlite")) as connection:
        yield connection


def judge(found: Found) -> tuple[Counter[str], str, Truth | None]:
    """Figures, what is wrong (empty where nothing is), and what is still to be asked of the SQL query."""
    figures: Counter[str] = Counter()
    wrong = [f"broker: {fault}" for fault in found.broker.faults]
    with opened(found.killed) as killed, opened(found.whole) as whole:
        rows = _journal(killed)
        wrong += _nothing_lost_or_twice(found, rows, figures)
        wrong += _quarantined(found, killed, figures)
        wrong += _same_as_whole(killed, whole, figures)
        wrong += _changes_once(killed)
        wrong += [f"damage that nobody did: {row}" for row in killed.execute("SELECT * FROM damage")]
        wrong += _told(found, killed, figures)
        truth = _truth(found, killed) if found.world.is_orderly else None
        if truth is not None:
            wrong += _right(truth, figures)
        if found.world.has_history:
            wrong += _history(found, killed, rows, figures)
    return figures, "\n".join(wrong), truth


# ---------------------------------------------------------------- the journal


def _journal(ledger: sqlite3.Connection) -> list[tuple[Key, bool]]:
    """Every row of the journal, and whether it came late."""
    names = {number: (c, p) for number, c, p in ledger.execute("SELECT id, collector, name FROM point")}
    rows: list[tuple[Key, bool]] = []
    for (body,) in ledger.execute("SELECT readings FROM journal WHERE readings IS NOT NULL ORDER BY seq"):
        batch = journal.plain(journal.decode(body))
        columns = (batch.point, batch.at_us, batch.original, batch.good, batch.late)
        for number, at_us, value, good, late in zip(*(part.tolist() for part in columns), strict=True):
            rows.append(((*names[number], at_us, value if good else 0.0, good), late))
    return rows


def _accepted(found: Found) -> list[Key]:
    """Every reading that the broker accepted and the service must take, in order."""
    return [
        (row.collector, row.point, row.at_us, row.value if row.good else 0.0, row.good)
        for sent in found.broker.accepted
        for row in sent.rows
    ]


def _nothing_lost_or_twice(found: Found, rows: list[tuple[Key, bool]], figures: Counter[str]) -> list[str]:
    accepted = _accepted(found)
    there = Counter(key for key, _ in rows)
    once = Counter(key[:3] for key, late in rows if not late)
    wanted = set(_news(accepted))
    lost = [key for key in dict.fromkeys(accepted) if key not in there]
    if found.world.is_orderly:
        lost += [key for key in sorted(wanted) if once[key[:3]] == 0 and key in there]
    twice = [key for key, count in once.items() if count > 1]
    strange = [key for key in there if key not in set(accepted)]
    figures["readings"] += len(accepted)
    figures["lost"] += len(lost)
    figures["twice"] += len(twice)
    figures["came again"] += sum(late for _, late in rows)
    wrong = [f"lost: {key}" for key in lost[:3]] + [f"twice: {key}" for key in twice[:3]]
    if found.world.is_orderly and sum(once.values()) != len(wanted):
        wrong.append(f"{sum(once.values())} readings evaluated, expected {len(wanted)}")
    return wrong + [f"from nowhere: {key}" for key in strange[:3]]


def _news(accepted: Sequence[Key]) -> Iterator[Key]:
    """What is newer than all before it of its point, in the order of the broker."""
    last_us: dict[tuple[str, str], int] = {}
    for key in accepted:
        if key[2] > last_us.get(key[:2], -1):
            last_us[key[:2]] = key[2]
            yield key


def _quarantined(found: Found, ledger: sqlite3.Connection, figures: Counter[str]) -> list[str]:
    """Each refused message is kept as often as the gateway sent it; more often only where the broker sent it as new."""
    kept = Counter(_mark(payload) for (payload,) in ledger.execute("SELECT payload FROM quarantine"))
    sent: Counter[tuple[str, ...]] = Counter()
    came: Counter[tuple[str, ...]] = Counter()
    for number, message in enumerate(found.broker.accepted):
        if message.refused:
            sent[message.mark] += 1
            came[message.mark] += found.broker.deliveries[number]
    figures["quarantined"] += sum(sent.values())
    figures["quarantined again"] += sum((kept - sent).values())
    wrong = [f"not in quarantine: {mark}" for mark in sent if kept[mark] < sent[mark]]
    wrong += [f"in quarantine {kept[mark]} times: {mark}" for mark in kept if kept[mark] > came[mark]]
    return wrong[:5]


def _mark(payload: bytes) -> tuple[str, ...]:
    try:
        body = json.loads(payload)
    except ValueError:
        return (payload.decode(),)
    return body["gateway"], body["boot"], str(body["seq"])


def _same_as_whole(killed: sqlite3.Connection, whole: sqlite3.Connection, figures: Counter[str]) -> list[str]:
    wrong = []
    tables = [name for (name,) in killed.execute("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")]
    whole_tables = {name: f"SELECT * FROM {name} ORDER BY 1, 2" for name in tables if name not in OF_THE_RUN}
    for name, question in {**whole_tables, **PARTLY}.items():
        read = READ.get(name, _as_it_is)
        one, other = ([tuple(map(read, row)) for row in ledger.execute(question)] for ledger in (killed, whole))
        if one != other:
            figures["differences"] += 1
            rest = [(a, b) for a, b in zip(one, other, strict=False) if a != b]
            a, b = rest[0] if rest else (f"{len(one)} rows", f"{len(other)} rows")
            wrong.append(f"{name}: {_short(a)}, and without a kill {_short(b)}")
    return wrong


def _as_it_is(cell: Any) -> Any:
    return cell


def _state(cell: Any) -> Any:
    """A collector's state without the value under a bad reading, which means nothing."""
    if not isinstance(cell, bytes):
        return cell
    body = json.loads(cell)
    for held in body["points"].values():
        if not held[2]:
            held[1] = 0.0
    return body


def _tips(cell: Any) -> Any:
    if not isinstance(cell, bytes):
        return cell
    rows = pa.ipc.open_stream(pa.py_buffer(cell)).read_all().to_pylist()
    return [row | {"value": row["value"] if row["good"] else 0.0} for row in rows]


READ = {"collector_state": _state, "tips": _tips}


def _short(row: Any) -> str:
    return repr(row)[:1500]


# ---------------------------------------------------------------- alarms


def _changes_once(ledger: sqlite3.Connection) -> list[str]:
    counts: Counter[tuple[str, str]] = Counter()
    for (events,) in ledger.execute("SELECT events FROM journal WHERE events IS NOT NULL"):
        counts.update((change["alarm_id"], change["change"]) for change in json.loads(events))
    recorded = Counter(ledger.execute("SELECT alarm_id, change FROM alarm_change").fetchall())
    wrong = [f"alarm {name} {change} decided {count} times" for (name, change), count in counts.items() if count > 1]
    return wrong + ([] if recorded == counts else [f"alarm_change {recorded - counts}, journal {counts - recorded}"])


def _truth(found: Found, ledger: sqlite3.Connection) -> Truth:
    """Per collector, its readings in the order of the broker, and the alarms that the killed service recorded."""
    items: dict[str, list[Item]] = defaultdict(list)
    for collector, point, at_us, value, good in _accepted(found):
        items[collector].append(Item(point, Reading(at_us, value, good)))
    alarms: dict[str, set[Alarm]] = defaultdict(set)
    for name, collector, raised_us, cleared_us in ledger.execute(
        "SELECT id, collector, raised_us, cleared_us FROM alarm WHERE tier <> 'no-data'"
    ):
        alarms[collector].add((name, raised_us, cleared_us))
    specs = found.world.specs
    return Truth([Case(spec, items[spec.name]) for spec in specs], [alarms[spec.name] for spec in specs])


def _right(truth: Truth, figures: Counter[str]) -> list[str]:
    wrong = []
    for case, alarms in zip(truth.cases, truth.alarms, strict=True):
        expected = by_columns(case.spec, case.items)
        figures["alarms"] += len(expected)
        if alarms != expected:
            wrong.append(f"{case.spec.name}: {_short(alarms - expected)} but not {_short(expected - alarms)}")
    return wrong


def by_columns(spec: CollectorSpec, items: Sequence[Item]) -> set[Alarm]:
    """The alarms of a history by the columnar engine, when all that is held has run out."""
    news: dict[str, list[Reading]] = {}
    for point, reading in items:
        known = news.setdefault(point, [])
        if not known or reading.at_us > known[-1].at_us:
            known.append(reading)
    state = new_state(spec)
    events = replay(spec, state, {name: column(readings) for name, readings in news.items()})
    events += advance(spec, state, LATER_US)
    changes = {(event.alarm_id, event.change): event.at_us for event in ordered(events)}
    raised = [(name, at_us) for (name, change), at_us in changes.items() if change is Change.RAISED]
    return {(name, at_us, changes.get((name, Change.CLEARED))) for name, at_us in raised}


# ---------------------------------------------------------------- notifications


def _told(found: Found, ledger: sqlite3.Connection, figures: Counter[str]) -> list[str]:
    """Everything owed has come to its receiver under its one key, in the order of its lane, and nothing else has.

    What came and went inside stored data is told by a summary instead.
    """
    summaries = dict(
        ledger.execute(
            "SELECT told.key, summary.key FROM held JOIN outbox AS told USING (id) "
            "JOIN outbox AS summary ON summary.id = held.summary"
        ).fetchall()
    )
    owed = ledger.execute(
        "SELECT id, key, alarm_id, step, contact, channel, address, state FROM outbox ORDER BY id"
    ).fetchall()
    got = Counter(row.key for row in found.got)
    figures["owed"] += len(owed)
    figures["told again"] += sum(got.values()) - len(got)
    heard = got.keys() | {key for key, summary in summaries.items() if got[summary]}
    wrong = [f"notification {row[1]} is {row[7]} and was never told" for row in owed if row[1] not in heard]
    wrong += [f"told, and in a summary too: {key}" for key in summaries if got[key]]
    wrong += [f"notification {row[1]} is {row[7]} in the end" for row in owed if row[7] != "accepted"]
    wrong += [f"told, and not on record: {key}" for key in got.keys() - {row[1] for row in owed}]
    for _, key, name, step, contact, channel, address, _ in owed:
        if key != routes.key_for(name, step, Recipient(contact, channel, address)):
            wrong.append(f"notification of {name} {step} to {address} has key {key}")
    told: Counter[tuple[str, ...]] = Counter()
    for row in {row.key: row for row in found.got}.values():
        told[row.told.alarm_id, row.told.step, row.contact, row.channel, row.address] += 1
    wrong += [f"told {count} times though repeats are dropped: {what}" for what, count in told.items() if count > 1]
    return wrong[:5] + _lanes(found.got, {row[1]: row[0] for row in owed})


def _lanes(got: list[OutboxRow], order: dict[str, int]) -> list[str]:
    lanes: dict[tuple[str, str, str], list[int]] = defaultdict(list)
    for key, row in {row.key: row for row in reversed(got)}.items():
        lanes[row.told.alarm_id, row.channel, row.address].append(order.get(key, 0))
    return [f"told out of order: {lane}" for lane, ids in lanes.items() if sorted(ids, reverse=True) != ids]


# ---------------------------------------------------------------- the history


def _history(
    found: Found, ledger: sqlite3.Connection, rows: list[tuple[Key, bool]], figures: Counter[str]
) -> list[str]:
    """Every reading once, whether or not it came late, and every alarm change once."""
    with contextlib.closing(duckdb.connect(str(found.killed / "history.duckdb"), read_only=True)) as connection:
        rows_there = Counter(
            connection.execute("SELECT collector, point, epoch_us(at_utc), value, good FROM readings").fetchall()
        )
        changes = Counter(connection.execute("SELECT alarm_id, change FROM alarm_change").fetchall())
    figures["in the history"] += sum(rows_there.values())
    # Two bad readings of one instant may carry different values: they are two, though neither value means anything.
    readings = {(*row[:3], row[3] if row[4] else 0.0, row[4]) for row in rows_there}
    there = {key for key, _ in rows}
    wrong = [f"history has {count} of {row}" for row, count in rows_there.items() if count > 1]
    wrong += [f"history lacks {key}" for key in there - readings]
    wrong += [f"history has {key} from nowhere" for key in readings - there]
    recorded = Counter(ledger.execute("SELECT alarm_id, change FROM alarm_change").fetchall())
    return wrong[:5] + ([] if changes == recorded else ["history has other alarm changes than the ledger"])

"""A small, whole record on disk as a killed service leaves it, and what the service makes of a copy that was damaged.

Everything is the service's own code but for broker and network: ledger, taking up the plant, outbox, history, verify.
"""

from __future__ import annotations

import contextlib
import itertools
import shutil
import sqlite3
import time
import tomllib
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb

from service.model import BadConfiguration
from service.plant.file import parse
from service.registering import take_up
from service.store.history import History
from service.store.ledger import Ledger, connect
from service.store.outbox import LedgerOutbox
from service.store.seal import relations
from service.store.verify import Report, check_history, check_ledger, history_counts, read_all_blocks
from tests.end_to_end.story import tell
from tests.parts import plant_text
from tests.service.test_pipeline import START_S, TOLD, S, Stage, parcel

LEDGER, WAL, MARK = "ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite.last"
HISTORY, HISTORY_WAL = "history.duckdb", "history.duckdb.wal"
FILES = {"ledger": LEDGER, "ledger-wal": WAL, "history": HISTORY, "history-wal": HISTORY_WAL}
COLLECTORS, SECONDS, PER_BATCH = 2, 500, 4
PLANT = parse(tomllib.loads(plant_text(COLLECTORS, contacts=TOLD)), "test")
NOW_US = (START_S + SECONDS) * S
WAIT_S = 20.0
REBUILDS_AT_MOST = 20
_stamps = itertools.count(1)


def make(folder: Path) -> None:
    """Two records in `folder`: `clean`, stopped in order, and `killed`, a part of it in write-ahead logs."""
    live = folder / "live"
    live.mkdir(parents=True)
    messages = tell(COLLECTORS, SECONDS, start_s=START_S, seed=5).payloads()
    _feed(live, messages[: len(messages) * 2 // 3])
    _feed(live, messages[len(messages) * 2 // 3 :], copy_to=folder / "killed")
    shutil.copytree(live, folder / "clean", ignore=shutil.ignore_patterns("*-shm"))
    shutil.rmtree(live)


def _feed(folder: Path, messages: list[tuple[str, bytes]], copy_to: Path | None = None) -> None:
    stage = Stage(folder, collectors=COLLECTORS)
    history = _history(folder)
    history.start()
    stage.clock.us = NOW_US
    for at in range(0, len(messages), PER_BATCH):
        stage.pipeline.round([parcel(body, topic.split("/")[2]) for topic, body in messages[at : at + PER_BATCH]])
    stage.pipeline.round([parcel(b"{", "gw-0"), parcel(b'{"gateway": "gw-0", "state": "offline"}', "gw-0", "status")])
    stage.pipeline._commit(stage.pipeline._entry(*_nothing(), tips=True))
    history.follow(stage.ledger.seq)
    assert history.wait_applied(stage.ledger.seq, WAIT_S), history.error
    if copy_to is not None:
        shutil.copytree(folder, copy_to, ignore=shutil.ignore_patterns("*-shm"))
    history.stop(WAIT_S)
    stage.ledger.close()


def _nothing() -> tuple[Any, Any]:
    from service.batch import Round  # noqa: PLC0415 - likewise
    from service.evaluate.evaluator import Judged  # noqa: PLC0415 - of this one place

    return Judged(), Round([], [])


def _history(folder: Path, noted: dict[str, str] | None = None) -> History:
    note = (lambda *_: None) if noted is None else noted.__setitem__
    return History(folder / HISTORY, folder / LEDGER, lambda: f"{next(_stamps):08d}", note=note, memory_mb=256)


@dataclass
class Seen:
    """What the service made of a record. `error` is what ended the start, if anything did."""

    error: str = ""
    crashed: bool = False  # not with the text for people that was meant for it
    start: list[str] = field(default_factory=list)
    apply: dict[str, str] = field(default_factory=dict)
    rebuilt: list[str] = field(default_factory=list)
    stuck: str = ""
    verify: list[str] = field(default_factory=list)
    tables: dict[str, list[tuple[Any, ...]]] = field(default_factory=dict)
    readings: Counter[tuple[Any, ...]] = field(default_factory=Counter)


def run(folder: Path) -> Seen:
    """Start on a record as the daemon does, let the history apply all, look at the outbox, then verify."""
    seen = Seen()
    try:
        ledger = Ledger(folder / LEDGER)
    except BadConfiguration as error:
        seen.error = str(error)
        return seen
    except Exception as error:  # noqa: BLE001 - counted: no damage may end in one
        seen.error, seen.crashed = f"{type(error).__name__}: {error}", True
        return seen
    try:
        take_up(ledger, PLANT, plant_us=NOW_US, wall_us=NOW_US, who="plant file", why="test")
        _look(folder, ledger, seen)
    except (BadConfiguration, sqlite3.DatabaseError) as error:  # the latter is put into words by the wiring
        seen.error = str(error)
    except Exception as error:  # noqa: BLE001 - as above
        seen.error, seen.crashed = f"{type(error).__name__}: {error}", True
    finally:
        seen.start = [fault.text for fault in ledger.faults]
        ledger.close()
    if not seen.error:
        _verify(folder, seen)
    return seen


def _look(folder: Path, ledger: Ledger, seen: Seen) -> None:
    history = _history(folder, seen.apply)
    history.start()
    try:
        history.follow(ledger.seq)
        readings = _asked(history, ledger.seq)
        seen.stuck = "" if readings is not None else history.error or "not caught up"
        seen.readings = readings or Counter()
    finally:
        seen.rebuilt = list(history.rebuilt)
        history.stop(WAIT_S)
    outbox = LedgerOutbox(folder / LEDGER, note=seen.apply.__setitem__)
    outbox.due(NOW_US * 2, 1_000)
    outbox.close()
    with contextlib.closing(connect(folder / LEDGER, read_only=True)) as connection:
        for relation in [*relations(connection), "journal"]:
            try:
                seen.tables[relation] = connection.execute(f"SELECT * FROM {relation}").fetchall()
            except sqlite3.DatabaseError as error:  # a table that a start does not read
                seen.tables[relation] = [("unreadable", str(error))]


def _caught_up(history: History, seq: int) -> bool:
    """Whether the history is up to `seq` with no rebuild outstanding; an error that stays ends the wait early."""
    end = time.monotonic() + WAIT_S
    while time.monotonic() < end:
        if history.wait_applied(seq, 0.05) and not history._rebuild_asked and history._database is not None:
            return True
    return False


def _asked(history: History, seq: int) -> Counter[tuple[Any, ...]] | None:
    """All readings of the history once it is up to `seq`, asked again where a question finds damage; None if never."""
    for _ in range(REBUILDS_AT_MOST):
        if not _caught_up(history, seq):
            return None
        with contextlib.suppress(RuntimeError):  # it has found damage, and makes the file anew
            return Counter(history.query(_ALL))
    return None


_ALL = (
    "SELECT p.collector, p.name, p.quantity, u.name, r.* FROM reading AS r "
    "JOIN point AS p ON p.id = r.point JOIN unit AS u ON u.id = r.unit"
)


def _verify(folder: Path, seen: Seen) -> None:
    report: Report = check_ledger(folder / LEDGER)
    try:
        with contextlib.closing(duckdb.connect(str(folder / HISTORY), read_only=True)) as connection:
            check_history(*history_counts(lambda text: connection.execute(text).fetchall()), report)
            read_all_blocks(lambda text: connection.execute(text).fetchall())
    except duckdb.Error as error:
        seen.verify.append(str(error))
    seen.verify += [fault.text for fault in report.faults]

"""Real SQLite and real DuckDB: one transaction per batch, entries applied once, the history rebuilt when it is bad."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from service.model import BadConfiguration, Batch, Entry, Owed, Told
from service.store import journal
from service.store.history import History
from service.store.ledger import Ledger, connect
from service.store.outbox import LedgerOutbox


def batch(*rows: tuple[int, int, float], late: bool = False, good: bool = True) -> Batch:
    point, at_us, value = zip(*rows, strict=True)
    size = len(rows)
    return Batch(
        np.array(point, np.int64),
        np.array(at_us, np.int64),
        np.array(value, float),
        np.array(value, float),
        np.ones(size, np.int64),
        np.full(size, good),
        np.full(size, late),
    )


def entry(*rows: tuple[int, int, float], late: bool = False, good: bool = True) -> Entry:
    return Entry(committed_us=7, batch=batch(*rows, late=late, good=good))


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    made = Ledger(tmp_path / "ledger.sqlite")
    made.number_units([("Pa", 0.0, 1.0, 1.0)])
    made.number_points([("q/c/d", "dp", "differential pressure"), ("q/c/d", "fan", "airflow")], 5)
    yield made
    made.close()


@pytest.fixture
def history(ledger: Ledger, tmp_path: Path) -> Iterator[History]:
    made = History(tmp_path / "history.duckdb", ledger.path, lambda: "20261125T080000")
    made.start()
    yield made
    made.stop(10)


def rows(history: History, seq: int) -> list[tuple[object, ...]]:
    history.follow(seq)
    assert history.wait_applied(seq, 20), history.error
    return history.query("SELECT point, epoch_us(at_utc), value, good, late, seq FROM reading ORDER BY ALL")


def test_ledger_is_durable_by_setting(ledger: Ledger) -> None:
    other = connect(ledger.path)
    assert other.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert other.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL, https://sqlite.org/pragma.html
    other.close()


def test_history_has_each_reading_once_after_being_stopped_and_started(ledger: Ledger, tmp_path: Path) -> None:
    first = History(tmp_path / "history.duckdb", ledger.path, lambda: "x")
    first.start()
    seq = ledger.commit(entry((1, 1_000_000, 2.5), (2, 1_000_000, 3.0)))
    assert len(rows(first, seq)) == 2
    first.stop(10)
    seq = ledger.commit(entry((1, 2_000_000, 2.6)))
    second = History(tmp_path / "history.duckdb", ledger.path, lambda: "x")
    second.start()
    assert rows(second, seq) == [
        (1, 1_000_000, 2.5, True, False, 1),
        (1, 2_000_000, 2.6, True, False, 2),
        (2, 1_000_000, 3.0, True, False, 1),
    ]
    second.stop(10)


def test_late_readings_that_are_already_there_are_not_stored_again(ledger: Ledger, history: History) -> None:
    ledger.commit(entry((1, 1_000_000, 2.5), (1, 2_000_000, 2.6)))
    ledger.commit(entry((1, 1_000_000, 2.5), (1, 1_500_000, 9.0), late=True))
    seq = ledger.commit(entry((1, 1_500_000, 9.0), (1, 1_000_000, 2.51), late=True))
    assert rows(history, seq) == [
        (1, 1_000_000, 2.5, True, False, 1),
        (1, 1_000_000, 2.51, True, True, 3),
        (1, 1_500_000, 9.0, True, True, 2),
        (1, 2_000_000, 2.6, True, False, 1),
    ]


def test_a_bad_reading_without_a_value_is_null_and_is_recognised_when_it_comes_again(
    ledger: Ledger, history: History
) -> None:
    ledger.commit(entry((1, 1_000_000, float("nan")), good=False))
    seq = ledger.commit(entry((1, 1_000_000, float("nan")), late=True, good=False))
    assert rows(history, seq) == [(1, 1_000_000, None, False, False, 1)]


def test_a_history_that_cannot_be_opened_is_set_aside_and_rebuilt(ledger: Ledger, tmp_path: Path) -> None:
    seq = ledger.commit(entry((1, 1_000_000, 2.5)))
    (tmp_path / "history.duckdb").write_bytes(b"not a database" * 1000)
    made = History(tmp_path / "history.duckdb", ledger.path, lambda: "20261125T080000")
    made.start()
    assert len(rows(made, seq)) == 1
    assert (tmp_path / "history.duckdb.20261125T080000.aside").read_bytes().startswith(b"not a database")
    assert len(made.rebuilt) == 1
    made.stop(10)


def test_rebuild_makes_the_same_history_anew(ledger: Ledger, history: History) -> None:
    for n in range(5):
        seq = ledger.commit(entry((1, n * 1_000_000, float(n)), (2, n * 1_000_000, 1.0)))
    before = rows(history, seq)
    history.rebuild()
    history.follow(seq)
    deadline = 200
    while not (history.rebuilt and history.applied == seq) and deadline:
        history.wait_applied(seq + 1, 0.05)
        deadline -= 1
    assert history.rebuilt
    assert rows(history, seq) == before


def test_a_failed_commit_leaves_nothing_and_can_be_tried_again(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    attempt = entry((1, 1_000_000, 2.5))
    with monkeypatch.context() as patched:
        patched.setattr(Ledger, "_write_owed", _raise)
        with pytest.raises(sqlite3.OperationalError, match="disk is full"):
            ledger.commit(attempt)
    reader = connect(ledger.path, read_only=True)
    assert reader.execute("SELECT count(*) FROM journal").fetchone() == (0,)
    assert ledger.commit(attempt) == 1
    assert reader.execute("SELECT seq, rows FROM journal").fetchall() == [(1, 1)]
    reader.close()


def _raise(*_: object) -> None:
    raise sqlite3.OperationalError("database or disk is full")


def test_a_ledger_of_a_newer_release_is_refused_with_the_remedy(ledger: Ledger) -> None:
    other = connect(ledger.path)
    other.execute("PRAGMA user_version = 99")
    other.close()
    with pytest.raises(BadConfiguration, match=r"schema version 99.*restore a backup"):
        Ledger(ledger.path)


def test_a_notification_is_owed_until_it_is_accepted_and_only_once(ledger: Ledger) -> None:
    told = Told("a1", "raised", "q/c/d", "Plate cutting", "Quay", "Europe/Dublin", "dp", "differential pressure",
                "high", "low", "inH2O", 5, 7)  # fmt: skip
    owed = Owed("a1|raised|lead|mail", "mail", "lead", "lead@alder-pike.example", told)
    ledger.commit(Entry(committed_us=7, queued_us=7, owed=(owed,)))
    ledger.commit(Entry(committed_us=8, queued_us=8, owed=(owed,)))
    outbox = LedgerOutbox(ledger.path)
    assert outbox.due(6, 10) == []
    (row,) = outbox.due(7, 10)
    assert (row.key, row.told, row.attempts) == (owed.key, told, 0)
    outbox.failed(row.id, 9, "451 busy", 100)
    assert outbox.due(99, 10) == []
    assert outbox.due(100, 10)[0].attempts == 1
    outbox.accepted(row.id, 101, "250 ok")
    assert outbox.due(10**15, 10) == []
    outbox.close()


def test_a_history_that_is_ahead_of_a_restored_ledger_is_made_anew(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    first = Ledger(path)
    first.number_units([("Pa", 0.0, 1.0, 1.0)])
    first.number_points([("q/c/d", "dp", "differential pressure")], 5)
    first.commit(entry((1, 1_000_000, 2.5)))
    with closing(sqlite3.connect(tmp_path / "backup.sqlite")) as backup, closing(connect(path)) as source:
        source.backup(backup)
    seq = first.commit(replace(entry((1, 2_000_000, 2.6)), committed_us=8))
    history = History(tmp_path / "history.duckdb", path, lambda: "1")
    history.start()
    assert len(rows(history, seq)) == 2
    history.stop(10)
    first.close()
    for name in ("ledger.sqlite", "ledger.sqlite-wal", "ledger.sqlite-shm"):
        (tmp_path / name).unlink(missing_ok=True)
    (tmp_path / "backup.sqlite").rename(path)
    restored = Ledger(path)
    again = History(tmp_path / "history.duckdb", path, lambda: "2")
    again.start()
    assert rows(again, restored.commit(replace(entry((1, 3_000_000, 2.7)), committed_us=9))) == [
        (1, 1_000_000, 2.5, True, False, 1),
        (1, 3_000_000, 2.7, True, False, 2),
    ]
    assert "restored from a backup" in again.rebuilt[0]
    again.stop(10)
    restored.close()


def test_thousands_of_small_entries_are_applied_in_bounded_pieces(ledger: Ledger, history: History) -> None:
    ledger._connection.execute("PRAGMA synchronous = OFF")  # only here: this test is about the reading side
    for n in range(2_500):
        seq = ledger.commit(entry((1, n * 1_000_000, float(n))))
    history.follow(seq)
    assert history.wait_applied(seq, 60), history.error
    assert history.query("SELECT count(*), sum(value) FROM reading") == [(2_500, 2_500 * 2_499 / 2)]


def test_far_behind_it_gets_on_in_steps_that_begin_small_and_begin_small_again_after_a_failure(
    ledger: Ledger, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A process that dies again and again a second after its start must still catch up."""
    ledger._connection.execute("PRAGMA synchronous = OFF")  # only here: this test is about the reading side
    for n in range(2_000):
        seq = ledger.commit(entry((1, n * 1_000_000, float(n))))
    history = History(tmp_path / "history.duckdb", ledger.path, lambda: "20261125T080000")
    taken: list[int] = []
    read, decode = history._read, journal.decode

    def decode_once_not(body: bytes) -> object:
        if len(taken) == 3 and not failures:
            failures.append(1)
            raise OSError("the disk did not answer")
        return decode(body)

    failures: list[int] = []
    monkeypatch.setattr(history, "_read", lambda most: (taken.append(most), read(most))[1])
    monkeypatch.setattr(journal, "decode", decode_once_not)
    monkeypatch.setattr("service.store.history.CATCH_UP_S", 0.01)
    history.start()
    try:
        history.follow(seq)
        assert history.wait_applied(seq, 60), history.error
        assert history.query("SELECT count(*) FROM reading") == [(2_000,)]
    finally:
        history.stop(10)
    assert taken == [200, 400, 800, 200, 400, 800]


def test_a_reader_does_not_stop_the_writer(ledger: Ledger, history: History) -> None:
    seq = ledger.commit(entry(*[(1, n * 1_000_000, float(n)) for n in range(1_000)]))
    assert len(rows(history, seq)) == 1_000
    with history._guard:
        assert history._database is not None
        cursor = history._database.cursor()
    cursor.execute("SELECT value FROM reading ORDER BY at_utc")
    assert cursor.fetchone() == (0.0,)  # and the question stays open
    seq = ledger.commit(entry((2, 5_000_000, 1.0)))
    history.follow(seq)
    assert history.wait_applied(seq, 20), history.error
    assert len(cursor.fetchall()) == 999
    cursor.close()

"""The record in forms that any program can read: each reading once, in the columns that are promised."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from service.model import BadConfiguration
from service.store.export import READINGS, export
from service.store.ledger import Ledger
from tests.service.store.test_ledger_and_history import entry

COLUMNS = ("collector", "point", "quantity", "at_utc", "value", "original", "unit", "good", "late", "seq")


@pytest.fixture
def ledger(tmp_path: Path) -> Any:
    made = Ledger(tmp_path / "it's a ledger.sqlite")
    made.number_units([("Pa", 0.0, 1.0, 1.0)])
    made.number_points([("q/c/d", "dp", "differential pressure"), ("q/c/d", "fan", "airflow")], 5)
    yield made
    made.close()


def rows(folder: Path) -> list[tuple[Any, ...]]:
    table = pq.read_table(folder / READINGS)
    assert tuple(table.column_names) == COLUMNS
    assert str(table.schema.field("at_utc").type) == "timestamp[us, tz=UTC]"
    found = [tuple(row.values()) for row in table.to_pylist()]
    return [(row[1], int(row[3].timestamp()), row[4], row[8], row[9]) for row in found]


def test_a_reading_that_came_again_late_is_there_once(ledger: Ledger, tmp_path: Path) -> None:
    """Once sent again late, once twice in one entry, and once late the first time: all of them once."""
    for one in (
        entry((1, 1_000_000, 5.0), (2, 1_000_000, 7.0)),
        entry((1, 2_000_000, 6.0)),
        entry((1, 1_000_000, 5.0), (1, 500_000, 4.0), (1, 500_000, 4.0), late=True),
        entry((1, 500_000, 4.0), (1, 1_000_000, 5.5), late=True),
    ):
        ledger.commit(one)
    target = tmp_path / "it's out"
    assert export(ledger.path, target)["readings"] == 5
    assert sorted(rows(target)) == [
        ("dp", 0, 4.0, True, 3), ("dp", 1, 5.0, False, 1), ("dp", 1, 5.5, True, 4), ("dp", 2, 6.0, False, 2),
        ("fan", 1, 7.0, False, 1),
    ]  # fmt: skip
    assert [row[-1] for row in rows(target)] == sorted(row[-1] for row in rows(target))
    assert sorted(file.name for file in target.iterdir()) == ["alarms.jsonl", READINGS]


def test_bad_readings_that_came_again_are_there_once_too(ledger: Ledger, tmp_path: Path) -> None:
    nothing = float("nan")
    ledger.commit(entry((1, 1_000_000, nothing), good=False))
    ledger.commit(entry((1, 2_000_000, 6.0)))
    ledger.commit(entry((1, 1_000_000, nothing), good=False, late=True))
    assert export(ledger.path, tmp_path / "out")["readings"] == 2


def test_without_late_readings_all_are_there(ledger: Ledger, tmp_path: Path) -> None:
    ledger.commit(entry((1, 1_000_000, 5.0)))
    assert export(ledger.path, tmp_path / "out") == {"readings": 1, "alarms": 0, "left_out": []}
    assert rows(tmp_path / "out") == [("dp", 1, 5.0, False, 1)]


def test_nothing_is_written_over(ledger: Ledger, tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    with pytest.raises(BadConfiguration, match="exists already"):
        export(ledger.path, tmp_path / "out")

"""The record in forms that any program can read: readings as Parquet, alarms as JSON lines. Reads only.

Taken from the ledger alone, in one transaction: it needs no history and works beside a running service. Each reading is
there once, as in the history: one that came again late, which the journal has twice, is left out the second time.
"""

from __future__ import annotations

import json
import shutil
from contextlib import closing
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from service.model import BadConfiguration
from service.store import journal
from service.store.ledger import connect
from service.store.reader import ALARM, alarm_of

READINGS, ALARMS = "readings.parquet", "alarms.jsonl"
ROWS_PER_GROUP = 500_000
MEMORY = "512MB"  # for leaving out what came again; more goes to the disk beside the target


def export(ledger: Path, target: Path) -> dict[str, Any]:
    """Write both files into the new folder `target`; how many readings and alarms, and what was left out as damaged.

    Columns of readings: collector, point, quantity, at_utc (microseconds), value (canonical unit), original, unit (it
    was sent in), good, late, seq. BadConfiguration when `target` exists or there is no ledger.
    """
    if target.exists():
        raise BadConfiguration(f"{target}: exists already; expected the name of a new folder; give another one")
    if not ledger.is_file():
        raise BadConfiguration(f"{ledger}: no such file; expected the ledger of a service; correct the data folder")
    part = target.with_name(target.name + ".part")
    part.mkdir(parents=True, exist_ok=True)
    with closing(connect(ledger, read_only=True)) as connection:
        connection.execute("BEGIN")
        readings, late, left_out = _readings(connection, part / READINGS)
        if late:
            readings = _once(part / READINGS)
        alarms = 0
        with (part / ALARMS).open("w", encoding="utf-8") as lines:
            for row in connection.execute(f"SELECT {ALARM} FROM alarm ORDER BY raised_us, id"):  # noqa: S608 - constants
                lines.write(json.dumps(alarm_of(row), ensure_ascii=False) + "\n")
                alarms += 1
    part.rename(target)
    return {"readings": readings, "alarms": alarms, "left_out": left_out}


_ONCE = """
COPY (
    SELECT * FROM read_parquet($journal) WHERE NOT late
    UNION ALL
    SELECT DISTINCT ON (collector, point, at_utc, value, good) * FROM read_parquet($journal) AS new
    WHERE late AND NOT EXISTS (
        FROM read_parquet($journal) AS old
        WHERE NOT old.late AND old.collector = new.collector AND old.point = new.point AND old.at_utc = new.at_utc
          AND old.value IS NOT DISTINCT FROM new.value AND old.good = new.good
    )
    ORDER BY seq
) TO $once (FORMAT parquet, COMPRESSION zstd)
"""


def _once(readings: Path) -> int:
    """Leave out of a file what came again late; how many are left. The order is that of the journal's entries."""
    once = readings.with_suffix(".once")
    settings: dict[str, Any] = {"memory_limit": MEMORY, "threads": 2, "temp_directory": str(readings.parent / "work")}
    with closing(duckdb.connect(config=settings)) as database:
        database.execute("SET TimeZone = 'UTC'")
        database.execute(_ONCE.replace("$journal", f"'{_quoted(readings)}'").replace("$once", f"'{_quoted(once)}'"))
    shutil.rmtree(readings.parent / "work", ignore_errors=True)
    once.replace(readings)
    return int(pq.read_metadata(readings).num_rows)


def _quoted(path: Path) -> str:
    """A path inside a text of SQL: COPY takes no parameters."""
    return str(path).replace("'", "''")


def _readings(connection: Any, target: Path) -> tuple[int, bool, list[str]]:
    """Everything as it is in the journal: how many, whether any is late, and what was left out as damaged."""
    points = {row[0]: row[1:] for row in connection.execute("SELECT id, collector, name, quantity FROM point")}
    units = dict(connection.execute("SELECT id, name FROM unit").fetchall())
    left_out: list[str] = []
    waiting: list[Any] = []
    count, rows, late = 0, 0, False
    with pq.ParquetWriter(target, _SCHEMA, compression="zstd") as writer:
        for stored in journal.follow(connection, 0):
            if stored.fault:
                left_out.append(stored.fault)
            elif stored.readings is not None:
                table = journal.decode(stored.readings)
                waiting.append(table.append_column("seq", pa.array([stored.seq] * table.num_rows, pa.int64())))
                rows += table.num_rows
                late = late or bool(pc.any(table.column("late")).as_py())
            if rows >= ROWS_PER_GROUP:
                writer.write_table(_named(waiting, points, units))
                count, rows, waiting = count + rows, 0, []
        if waiting:
            writer.write_table(_named(waiting, points, units))
    return count + rows, late, left_out


_SCHEMA = pa.schema(
    [
        ("collector", pa.string()),
        ("point", pa.string()),
        ("quantity", pa.string()),
        ("at_utc", pa.timestamp("us", "UTC")),
        ("value", pa.float64()),
        ("original", pa.float64()),
        ("unit", pa.string()),
        ("good", pa.bool_()),
        ("late", pa.bool_()),
        ("seq", pa.int64()),
    ]
)


def _named(tables: list[Any], points: dict[int, tuple[str, ...]], units: dict[int, str]) -> Any:
    table = pa.concat_tables(tables)
    numbers = table.column("point").to_pylist()
    nobody = ("", "", "")
    columns = [pa.array([points.get(number, nobody)[i] for number in numbers], pa.string()) for i in range(3)]
    unit = pa.array([units.get(number, "") for number in table.column("unit").to_pylist()], pa.string())
    rest = {name: table.column(name) for name in ("value", "original", "good", "late", "seq")}
    at_utc = table.column("at_utc").cast(pa.timestamp("us", "UTC"))
    return pa.table(
        [*columns, at_utc, rest["value"], rest["original"], unit, rest["good"], rest["late"], rest["seq"]],
        schema=_SCHEMA,
    )

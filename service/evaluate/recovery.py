"""Last readings as the ledger keeps them, and brought up to date from the journal after a restart."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa

from rules.microbatch import NEVER_US, Tips

Ints = npt.NDArray[np.int64]


def write_tips(numbers: Ints, tips: Tips, last_good_us: Ints) -> bytes:
    """One Arrow IPC stream, a row per point that was ever heard."""
    heard = tips.last_us != NEVER_US
    table = pa.table(
        {
            "point": numbers[heard],
            "last_us": tips.last_us[heard],
            "value": tips.value[heard],
            "good": tips.good[heard],
            "last_good_us": last_good_us[heard],
        }
    )
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    body: bytes = sink.getvalue().to_pybytes()
    return body


def read_tips(body: bytes, numbers: Ints, tips: Tips, last_good_us: Ints) -> None:
    """Put saved last readings into place; points that are no longer registered are passed over."""
    table = pa.ipc.open_stream(pa.py_buffer(body)).read_all()
    index, known = _index(column(table, "point"), numbers)
    tips.last_us[index] = tips.evaluated_us[index] = column(table, "last_us")[known]
    tips.value[index] = column(table, "value")[known]
    tips.good[index] = column(table, "good")[known]
    last_good_us[index] = column(table, "last_good_us")[known]


def replay(body: bytes, numbers: Ints, tips: Tips, last_good_us: Ints) -> None:
    """Move the last readings on by one journal entry. Its rows ascend in time for each point."""
    table = pa.ipc.open_stream(pa.py_buffer(body)).read_all()
    late, good = column(table, "late"), column(table, "good")
    index, known = _index(column(table, "point"), numbers)
    at_us, value = column(table, "at_utc").astype("datetime64[us]").astype(np.int64), column(table, "value")
    heard = known & good
    np.maximum.at(last_good_us, index[good[known]], at_us[heard])
    fresh = ~late[known]
    where = index[fresh]
    # Where a point comes several times the last assignment stands, and that is its newest row.
    tips.last_us[where] = tips.evaluated_us[where] = at_us[known][fresh]
    tips.value[where], tips.good[where] = value[known][fresh], good[known][fresh]


def _index(points: Ints, numbers: Ints) -> tuple[Ints, npt.NDArray[np.bool_]]:
    """The board's index of ledger numbers, and which of them are registered at all."""
    order = np.argsort(numbers)
    place = np.minimum(np.searchsorted(numbers, points, sorter=order), max(len(numbers) - 1, 0))
    known = numbers[order[place]] == points if len(numbers) else np.zeros(len(points), bool)
    return order[place][known] if len(numbers) else np.zeros(0, np.int64), known


def column(table: Any, name: str) -> Any:
    """One column of a decoded stream as an array."""
    return table.column(name).combine_chunks().to_numpy(zero_copy_only=False)

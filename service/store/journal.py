"""The journal's readings as one Arrow IPC stream per batch: columns, compressed, readable by anyone."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from service.model import Batch

SCHEMA = pa.schema(
    [
        ("point", pa.int32()),
        ("at_utc", pa.timestamp("us")),
        ("value", pa.float64()),
        ("original", pa.float64()),
        ("unit", pa.int16()),
        ("good", pa.bool_()),
        ("late", pa.bool_()),
    ]
)
_OPTIONS = pa.ipc.IpcWriteOptions(compression="lz4")


def encode(batch: Batch) -> bytes:
    """One batch as an IPC stream. NaN (bad quality, nothing measured) becomes null."""
    columns = [
        pa.array(batch.point.astype(np.int32)),
        pa.array(batch.at_us, pa.timestamp("us")),
        pa.array(batch.value, from_pandas=True),
        pa.array(batch.original, from_pandas=True),
        pa.array(batch.unit.astype(np.int16)),
        pa.array(batch.good),
        pa.array(batch.late),
    ]
    sink = pa.BufferOutputStream()
    with pa.ipc.new_stream(sink, SCHEMA, options=_OPTIONS) as writer:
        writer.write_batch(pa.RecordBatch.from_arrays(columns, schema=SCHEMA))
    body: bytes = sink.getvalue().to_pybytes()
    return body


def decode(body: bytes) -> Any:
    """The pyarrow table of one journal entry; pyarrow.ArrowInvalid when the bytes are not one."""
    return pa.ipc.open_stream(pa.py_buffer(body)).read_all()


def plain(table: Any) -> Batch:
    """The columns of a decoded entry as arrays, nulls as NaN."""

    def column(name: str) -> Any:
        return table.column(name).combine_chunks()

    return Batch(
        point=column("point").to_numpy().astype(np.int64),
        at_us=column("at_utc").cast(pa.int64()).to_numpy(),
        value=column("value").to_numpy(zero_copy_only=False),
        original=column("original").to_numpy(zero_copy_only=False),
        unit=column("unit").to_numpy().astype(np.int64),
        good=column("good").to_numpy(zero_copy_only=False),
        late=column("late").to_numpy(zero_copy_only=False),
    )

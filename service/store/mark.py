"""A mark beside the ledger: the number and check value of the last entry that was committed.

Written after each commit and not waited for, so it is never ahead of what was on disk. Where it is ahead when the
ledger is opened, entries that had been acknowledged are gone: SQLite drops the tail of a damaged write-ahead log
without a word. A mark that is missing or damaged says nothing, and is written again.
"""

from __future__ import annotations

import os
import struct
import zlib
from pathlib import Path

_FORM = struct.Struct("<qq")


class Mark:
    """The file `<ledger>.last`; one writer."""

    def __init__(self, ledger: Path) -> None:
        self.path = path_of(ledger)
        self._file = os.open(self.path, os.O_RDWR | os.O_CREAT, 0o644)

    def write(self, seq: int, crc: int) -> None:
        """Note entry `seq`; OSError when it cannot be written."""
        body = _FORM.pack(seq, crc)
        os.pwrite(self._file, body + struct.pack("<I", zlib.crc32(body)), 0)

    def close(self) -> None:
        os.close(self._file)


def path_of(ledger: Path) -> Path:
    return ledger.with_name(ledger.name + ".last")


def read(ledger: Path) -> tuple[int, int] | None:
    """(number, check value) of the last entry; None when there is no mark, or none that can be believed."""
    try:
        body = path_of(ledger).read_bytes()
    except OSError:
        return None
    if len(body) != _FORM.size + 4 or struct.unpack("<I", body[-4:])[0] != zlib.crc32(body[:-4]):
        return None
    seq, crc = _FORM.unpack(body[:-4])
    return int(seq), int(crc)

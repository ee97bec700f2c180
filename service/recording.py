"""The file of a recording: messages exactly as a broker sent them, with the time of each. Owns the form of that file.

    head    16 bytes SIGN, version (2 bytes), start (8 bytes, microseconds UTC), CRC-32 of those
    block   length of its body, length of the body unpacked, count of records, CRC-32 of the body, CRC-32 of those
            four (4 bytes each), then the body
    body    the next piece of one raw deflate stream (RFC 1951) that goes through the whole file and is flushed to
            whole bytes at the end of each block; unpacked it is a MessagePack array of records

All numbers of head and block are little-endian. Each CRC-32 starts from the one before it in the file, so that a block
that is missing, repeated or of another recording is noticed. The last record of a recording that ended in order is
`Ended`; a file without it was cut off, by a kill or a full disk, and is read up to its last whole block. A block does
not stand alone: a slow plant has one or two messages in two seconds, which only pack well after those before them.

Reads no clock, knows no broker and no payload form.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, NamedTuple

import msgspec

from service.model import BadInput, Delivery, Parcel

SUFFIX = ".heard"  # what such a file is called by custom; nothing depends on it
SIGN = b"dustcake heard\r\n"
VERSION = 1
FLUSH_US = 2_000_000  # a block is written at the latest so long after its first record
BLOCK_BYTES = 262_144  # of topics and payloads, beyond which a block is written at once
RECORD_BYTES_MOST = 32 * 1024 * 1024  # topic, payload and properties of one message; longer ones are refused
UNPACKED_MOST = 2 * RECORD_BYTES_MOST  # of one block

_HEAD = struct.Struct("<16sHq")
_BLOCK = struct.Struct("<IIII")
_CRC = struct.Struct("<I")
_WINDOW_BITS = -15  # a raw stream with the largest window: the blocks have check values of their own
_OTHER_BYTES = 64  # about what a record costs beside topic, payload and properties


class Recorded(msgspec.Struct, frozen=True, gc=False, array_like=True, tag=0):
    """One message as it came. The two last are MQTT 5 properties (3.3.2.3.7 and 3.3.2.3.9)."""

    received_us: int
    broker: str
    topic: str
    payload: bytes
    qos: int
    is_retained: bool = False  # it was kept by the broker and came with the subscription
    is_again: bool = False  # DUP: it was sent before
    content_type: str | None = None
    user_properties: tuple[tuple[str, str], ...] = ()

    def as_parcel(self, asked: str | None = None) -> Parcel:
        """What the service's own receiver would have made of it; the packet identifier is not recorded.

        `asked` is the user property in which the broker says who published.
        """
        delivery = Delivery(0, self.is_again, self.is_retained)
        identity = tuple(value for name, value in self.user_properties if name == asked)
        return Parcel(self.topic, self.payload, self.received_us, None, delivery, self.broker, identity)


class Missed(msgspec.Struct, frozen=True, gc=False, array_like=True, tag=1):
    """A time in which the recorder was not connected: what came then is not in the recording."""

    from_us: int
    to_us: int


class Ended(msgspec.Struct, frozen=True, gc=False, array_like=True, tag=2):
    """The recorder ended in order; nothing follows."""

    at_us: int


Record = Recorded | Missed | Ended

_encoder = msgspec.msgpack.Encoder()
_decoder = msgspec.msgpack.Decoder(list[Record])


def _size(record: Recorded) -> int:
    """Bytes or characters of what can be long in a message."""
    texts = (record.topic, record.content_type or "", *(text for pair in record.user_properties for text in pair))
    return len(record.payload) + sum(map(len, texts))


class Writer:
    """Writes one recording to a file that is open for it. Not for several threads at once; OSError from any call."""

    def __init__(self, file: BinaryIO, started_us: int) -> None:
        self._file = file
        self._deflate = zlib.compressobj(wbits=_WINDOW_BITS)
        self._waiting: list[Record] = []
        self._waiting_bytes = 0
        self._first_us = 0
        head = _HEAD.pack(SIGN, VERSION, started_us)
        self._crc = zlib.crc32(head)
        self._write(head + _CRC.pack(self._crc))

    def add(self, record: Recorded | Missed, now_us: int) -> None:
        """Take one record, and write a block when one is due; BadInput for a message that is too long to be kept."""
        size = _size(record) if isinstance(record, Recorded) else 0
        if size > RECORD_BYTES_MOST:
            raise BadInput(f"message of {size} bytes: expected at most {RECORD_BYTES_MOST}; it is not recorded")
        if not self._waiting:
            self._first_us = now_us
        self._waiting.append(record)
        self._waiting_bytes += size + _OTHER_BYTES
        if self._waiting_bytes >= BLOCK_BYTES:
            self.flush()
        else:
            self.flush_due(now_us)

    def flush_due(self, now_us: int) -> None:
        """Write what has waited for FLUSH_US, or for ever since the clock was set back."""
        if self._waiting and not 0 <= now_us - self._first_us < FLUSH_US:
            self.flush()

    def flush(self) -> None:
        """Write what waits as one block."""
        if not self._waiting:
            return
        unpacked = _encoder.encode(self._waiting)
        body = self._deflate.compress(unpacked) + self._deflate.flush(zlib.Z_SYNC_FLUSH)
        body_crc = zlib.crc32(body, self._crc)
        head = _BLOCK.pack(len(body), len(unpacked), len(self._waiting), body_crc)
        self._crc = zlib.crc32(head, body_crc)
        self._waiting, self._waiting_bytes = [], 0
        self._write(head + _CRC.pack(self._crc) + body)

    def end(self, at_us: int) -> None:
        """Say that the recording ended in order. The file stays open."""
        self._waiting.append(Ended(at_us))
        self.flush()

    def _write(self, body: bytes) -> None:
        self._file.write(body)
        self._file.flush()


class Reader:
    """The records of a recording in order, a block in memory at a time. Iterate over it once, within `with`.

    BadInput, with the place in the file, for a file that is no recording or is damaged: when it is opened or at the
    damaged block, after all records before it. `cut_off` says after the last record where the file was cut off, and is
    empty when the recording ended in order; `ended_us` is when.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            self._file = path.open("rb")
        except OSError as error:
            raise BadInput(f"{path}: {error.strerror}; expected a recording of `dustcake record`") from error
        self.cut_off = ""
        self.ended_us: int | None = None
        self._at = 0  # where in the file the next byte is
        self._inflate = zlib.decompressobj(_WINDOW_BITS)
        try:
            self.started_us = self._read_head()
        except BadInput:
            self._file.close()
            raise

    def __enter__(self) -> Reader:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._file.close()

    def __iter__(self) -> Iterator[Recorded | Missed]:
        """BadInput at a damaged block."""
        while not self.cut_off and (records := self._read_block()):
            for record in records:
                if isinstance(record, Ended):
                    self._end(record, records)
                    return
                yield record

    @property
    def read_bytes(self) -> int:
        """How far in the file it is; for progress, beside `size_bytes`."""
        return self._at

    @property
    def size_bytes(self) -> int:
        return self.path.stat().st_size

    def _read_head(self) -> int:
        body = self._read(_HEAD.size + _CRC.size)
        remedy = "expected a recording of `dustcake record`; give another file"
        if not body.startswith(SIGN):
            raise BadInput(f"{self.path}: it begins with {body[:16]!r}; {remedy}")
        if len(body) < _HEAD.size + _CRC.size:
            raise BadInput(f"{self.path}: cut off at byte {len(body)}, within its head; {remedy}")
        _, version, started_us = _HEAD.unpack_from(body)
        self._crc = zlib.crc32(body[: _HEAD.size])
        if _CRC.unpack_from(body, _HEAD.size)[0] != self._crc:
            raise BadInput(f"{self.path}: its head (bytes 0 to {len(body)}) does not match its check value; {remedy}")
        if version != VERSION:
            raise BadInput(
                f"{self.path}: a recording of version {version}; expected version {VERSION}; read it with the release "
                "of dustcake that made it"
            )
        return int(started_us)

    def _read_block(self) -> list[Record]:
        """The records of the next block; none at the end of the file, and then `cut_off` says so."""
        at = self._at
        head = self._read(_BLOCK.size + _CRC.size)
        if len(head) < _BLOCK.size + _CRC.size:
            return self._ends_without_end(at)
        packed, unpacked, count, body_crc = _BLOCK.unpack_from(head)
        crc = zlib.crc32(head[: _BLOCK.size], body_crc)
        if _CRC.unpack_from(head, _BLOCK.size)[0] != crc or unpacked > UNPACKED_MOST or packed > UNPACKED_MOST:
            raise self._damaged(at, "its head does not match its check value")
        body = self._read(packed)
        if len(body) < packed:
            return self._ends_without_end(at)
        if zlib.crc32(body, self._crc) != body_crc:
            raise self._damaged(at, "it does not match its check value, or does not follow the block before it")
        self._crc = crc
        return self._unpack(at, body, unpacked, count)

    def _unpack(self, at: int, body: bytes, size: int, count: int) -> list[Record]:
        try:
            unpacked = self._inflate.decompress(body, size + 1)
            if len(unpacked) != size or self._inflate.unconsumed_tail:
                raise self._damaged(at, f"it unpacks to more or less than the {size} bytes that it names")
            records = _decoder.decode(unpacked)
        except (zlib.error, msgspec.DecodeError, UnicodeDecodeError) as error:
            raise self._damaged(at, str(error)) from error
        if len(records) != count or not records:
            raise self._damaged(at, f"it has {len(records)} records and names {count}")
        return records

    def _ends_without_end(self, at: int) -> list[Record]:
        self.cut_off = (
            f"{self.path}: cut off at byte {at}: the recorder did not end in order; up to {FLUSH_US // 1_000_000} s of "
            "messages after the last one are missing"
        )
        return []

    def _end(self, record: Ended, records: list[Record]) -> None:
        self.ended_us = record.at_us
        if records[-1] is not record or self._read(1):
            raise BadInput(f"{self.path}: there is more after its end at byte {self._at - 1}; expected one recording")

    def _damaged(self, at: int, found: str) -> BadInput:
        return BadInput(
            f"{self.path}: the block at byte {at} is damaged: {found}; expected a block as it was written; all before "
            f"it is sound: take a whole copy, or cut the file there (head -c {at}) and use what is left"
        )

    def _read(self, count: int) -> bytes:
        body = self._file.read(count)
        self._at += len(body)
        return body


class Survey(NamedTuple):
    """What is in a recording. `topics` has the number of messages of each (broker, topic)."""

    started_us: int
    first_us: int | None  # None without a message
    last_us: int | None
    ended_us: int | None  # None when it was cut off
    messages: int
    payload_bytes: int
    missed: int  # times in which the recorder was not connected
    topics: dict[tuple[str, str], int]
    cut_off: str


def survey(path: Path) -> Survey:
    """Read a whole recording and count; BadInput when it is none, or is damaged."""
    topics: dict[tuple[str, str], int] = {}
    first_us = last_us = None
    messages = size = missed = 0
    with Reader(path) as reader:
        for record in reader:
            if isinstance(record, Missed):
                missed += 1
                continue
            first_us = record.received_us if first_us is None else first_us
            last_us = record.received_us
            messages, size = messages + 1, size + len(record.payload)
            key = record.broker, record.topic
            topics[key] = topics.get(key, 0) + 1
        return Survey(
            reader.started_us, first_us, last_us, reader.ended_us, messages, size, missed, topics, reader.cut_off
        )

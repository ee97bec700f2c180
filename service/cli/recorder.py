"""The recorder of `dustcake record`: from a visitor's messages to the file. Publishes nothing, and reads no payload."""

from __future__ import annotations

import os
import secrets
import shutil
import signal
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO

from service.cli.failure import Exit, Failure
from service.cli.progress import Progress, size_text
from service.cli.visitor import Visitor
from service.clock import SystemClock
from service.model import BadInput
from service.recording import Missed, Recorded, Writer

LOOK_S = 0.2  # between two looks at the time, the count, the room on the disk and the block that waits
FREE_LEAST_BYTES = 1 << 30  # on the disk of the file, which may be the daemon's: the bound of its own check of the disk


class Recorder:
    """Puts what comes into the file: the network thread takes messages, the calling thread looks at the time."""

    def __init__(self, visitor: Visitor, broker: str, topics: list[str], *, most: int | None) -> None:
        self._now_us = SystemClock().wall_us
        self._visitor, self._broker, self._topics, self._most = visitor, broker, topics, most
        self._writing = threading.Lock()  # the writer and all counts
        self._writer: Writer | None = None
        self._ended = threading.Event()
        self._error: OSError | None = None
        self._stopped = ""  # why it ended before its time
        self._lost_us: int | None = None
        self._seen: set[str] = set()
        self.messages = self.payload_bytes = self.retained = self.left_out = 0
        self.missed_us: list[int] = []  # how long each time without a connection was
        visitor.client.on_message = self._on_message
        visitor.on_listening, visitor.on_lost = self._on_listening, self._on_lost

    def run(self, file: Path, for_s: float | None) -> dict[str, Any]:
        """Record until told to end; the summary. What was in the file before goes once something has been recorded."""
        before = {number: signal.signal(number, self._end) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            if full := _too_full(file):
                raise Failure(Exit.BROKEN, full)
            self._visitor.enter()
            return self._record(file, for_s)
        finally:
            self._visitor.leave()
            for number, handler in before.items():
                signal.signal(number, handler)

    def _record(self, path: Path, for_s: float | None) -> dict[str, Any]:
        started_us, began_s = self._now_us(), time.monotonic()
        place = None
        try:
            place = _Place(path)
            with place.file:
                self._writer = Writer(place.file, started_us)
                place.empty_bytes = place.file.tell()
                self._visitor.subscribe(self._topics)
                self._wait(began_s, for_s, place)
                self._visitor.leave()  # nothing more comes after it
                self._close()
            if not self.messages and not self._stopped:
                place.empty_bytes = sys.maxsize  # there is an end in it now, and nothing else
                raise Failure(
                    Exit.USAGE,
                    f"{', '.join(self._topics)}: nothing was heard, so there is no recording; listen longer with "
                    "--for, or give other topics: --topic '#' is all",
                )
            place.take()
        except OSError as error:
            raise Failure(
                Exit.BROKEN, f"{path}: {error.strerror or error}; what was written before it is whole"
            ) from None
        finally:
            if place is not None:
                place.leave()
        return self._summary(path, time.monotonic() - began_s)

    def _wait(self, began_s: float, for_s: float | None, place: _Place) -> None:
        progress = Progress()
        while not self._ended.wait(LOOK_S):
            with self._writing:
                if self._writer is not None:
                    self._writer.flush_due(self._now_us())
            place.settle()
            if said := self._visitor.check():
                progress.end(said)
            since_s = time.monotonic() - began_s
            self._stopped = _too_full(place.path)
            if self._stopped or (for_s is not None and since_s >= for_s):
                break
            progress.say(lambda: self._line(since_s, place.file.tell()))  # noqa: B023 - it is asked at once
        progress.end(self._line(time.monotonic() - began_s, place.file.tell()))

    def _close(self) -> None:
        """Write what waits and the end; OSError of the disk, also of the one that ended it."""
        if self._error is not None:
            raise self._error
        with self._writing:
            now_us = self._now_us()
            assert self._writer is not None
            if self._lost_us is not None:
                self._miss(now_us)
            self._writer.end(now_us)
            self._writer = None

    def _end(self, *_: object) -> None:
        self._ended.set()

    # ------------------------------------------------------------ the network thread

    def _on_message(self, _client: Any, _data: Any, message: Any) -> None:
        now_us = self._now_us()
        with self._writing:
            if self._writer is None or self._ended.is_set():
                return
            try:
                record = self._recorded(message, now_us)
                self._writer.add(record, now_us)
            except (BadInput, UnicodeDecodeError):  # too long, or a topic that is not UTF-8
                self.left_out += 1
                return
            except OSError as error:  # of the disk: said by the calling thread
                self._error = error
                self._ended.set()
                return
            self._seen.add(record.topic)
            self.messages += 1
            self.payload_bytes += len(record.payload)
            self.retained += record.is_retained
            if self.messages == self._most:
                self._ended.set()

    def _recorded(self, message: Any, now_us: int) -> Recorded:
        properties = message.properties
        return Recorded(
            received_us=now_us,
            broker=self._broker,
            topic=message.topic,
            payload=bytes(message.payload),
            qos=message.qos,
            is_retained=bool(message.retain),
            is_again=bool(message.dup),
            content_type=getattr(properties, "ContentType", None),
            user_properties=tuple(map(tuple, getattr(properties, "UserProperty", ()))),
        )

    def _on_listening(self) -> None:
        """Put down for how long nothing could come, once the broker has accepted the subscription anew."""
        with self._writing:
            if self._writer is None or self._lost_us is None:
                return
            try:
                self._miss(self._now_us())
            except OSError as error:  # as above
                self._error = error
                self._ended.set()

    def _on_lost(self) -> None:
        with self._writing:
            if self._lost_us is None:
                self._lost_us = self._now_us()

    def _miss(self, now_us: int) -> None:
        assert self._writer is not None
        assert self._lost_us is not None
        self._writer.add(Missed(self._lost_us, now_us), now_us)
        self.missed_us.append(now_us - self._lost_us)
        self._lost_us = None

    # ------------------------------------------------------------ words

    def _line(self, since_s: float, size: int) -> str:
        rate = self.messages / since_s if since_s > 0 else 0.0
        away = "; NOT CONNECTED" if self._lost_us is not None else ""
        return (
            f"{self.messages} messages, {size_text(self.payload_bytes)} in {size_text(size)}, "
            f"{len(self._seen)} topics, {rate:.1f} messages/s, {since_s:.0f} s{away}"
        )

    def _summary(self, path: Path, since_s: float) -> dict[str, Any]:
        return {
            "file": str(path),
            "broker": self._broker,
            "filters": self._topics,
            "seconds": round(since_s, 3),
            "messages": self.messages,
            "retained": self.retained,
            "topics": len(self._seen),
            "payload_bytes": self.payload_bytes,
            "file_bytes": path.stat().st_size,
            "left_out": self.left_out,
            "without_connection_s": [round(us / 1e6, 3) for us in self.missed_us],
            "stopped": self._stopped,
        }


class _Place:
    """Where a recording is written: under its own name, or beside a file that is there until it may be replaced.

    Only its owner reads it: it is as confidential as the plant's own data.
    """

    def __init__(self, path: Path) -> None:
        """FileExistsError when one came meanwhile."""
        self.path = path
        self._beside = path.with_name(f"{path.name}.{secrets.token_hex(4)}.part") if path.exists() else None
        self._is_taken = False
        self.empty_bytes = sys.maxsize  # size without a message, once it is known
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
        self.file: BinaryIO = os.fdopen(os.open(self._beside or path, flags, 0o600), "wb")

    def settle(self) -> None:
        """Take the name once something has been recorded."""
        if not self._is_taken and (self._beside or self.path).stat().st_size > self.empty_bytes:
            self.take()

    def take(self) -> None:
        """Take the name: the file that was there goes."""
        if self._beside is not None and not self._is_taken:
            self._beside.replace(self.path)
        self._is_taken = True

    def leave(self) -> None:
        """A file in which nothing came does not stay; nor does the one that was there go for it."""
        with suppress(FileNotFoundError):  # somebody deleted it
            self.settle()
            if not self._is_taken:
                (self._beside or self.path).unlink()


def _too_full(path: Path) -> str:
    """Why nothing more may be written beside the daemon; empty when there is room."""
    folder = path.parent
    try:
        free = shutil.disk_usage(folder).free
    except OSError as error:
        return f"{folder}: {error.strerror or error}; give a folder that is there"
    if free >= FREE_LEAST_BYTES:
        return ""
    return (
        f"{folder}: {free >> 20} MiB free, at least {FREE_LEAST_BYTES >> 20} expected, for the service may need them; "
        "make room, or record to another disk"
    )

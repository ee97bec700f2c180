"""The recorder of `dustcake record`: from a visitor's messages to the file. Publishes nothing, and reads no payload."""

from __future__ import annotations

import signal
import threading
import time
from pathlib import Path
from typing import Any, BinaryIO

from service.cli.failure import Exit, Failure
from service.cli.progress import Progress, size_text
from service.cli.visitor import Visitor
from service.clock import SystemClock
from service.model import BadInput
from service.recording import Missed, Recorded, Writer

LOOK_S = 0.2  # between two looks at the time, the count and the block that waits


class Recorder:
    """Puts what comes into the file: the network thread takes messages, the calling thread looks at the time."""

    def __init__(self, visitor: Visitor, broker: str, topics: list[str], *, most: int | None) -> None:
        self._now_us = SystemClock().wall_us
        self._visitor, self._broker, self._topics, self._most = visitor, broker, topics, most
        self._writing = threading.Lock()  # the writer and all counts
        self._writer: Writer | None = None
        self._ended = threading.Event()
        self._error: OSError | None = None
        self._lost_us: int | None = None
        self._seen: set[str] = set()
        self.messages = self.payload_bytes = self.retained = self.left_out = 0
        self.missed_us: list[int] = []  # how long each time without a connection was
        visitor.client.on_message = self._on_message
        visitor.on_connected, visitor.on_lost = self._on_connected, self._on_lost

    def run(self, file: Path, for_s: float | None) -> dict[str, Any]:
        """Record until told to end; the summary. The file is made once the broker has let us in."""
        before = {number: signal.signal(number, self._end) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            self._visitor.enter()
            return self._record(file, for_s)
        finally:
            self._visitor.leave()
            for number, handler in before.items():
                signal.signal(number, handler)

    def _record(self, path: Path, for_s: float | None) -> dict[str, Any]:
        started_us, began_s = self._now_us(), time.monotonic()
        try:
            with path.open("wb") as file:
                self._writer = Writer(file, started_us)
                self._subscribe(path)
                self._wait(began_s, for_s, file)
                self._visitor.leave()  # nothing more comes after it
                self._close()
        except OSError as error:
            raise Failure(
                Exit.BROKEN, f"{path}: {error.strerror or error}; what was written before it is whole"
            ) from None
        return self._summary(path, time.monotonic() - began_s)

    def _subscribe(self, path: Path) -> None:
        """Begin to listen; a file in which nothing can come does not stay."""
        try:
            self._visitor.subscribe(self._topics)
        except Failure:
            path.unlink(missing_ok=True)
            raise

    def _wait(self, began_s: float, for_s: float | None, file: BinaryIO) -> None:
        progress = Progress()
        while not self._ended.wait(LOOK_S):
            with self._writing:
                if self._writer is not None:
                    self._writer.flush_due(self._now_us())
            since_s = time.monotonic() - began_s
            if for_s is not None and since_s >= for_s:
                break
            progress.say(lambda: self._line(since_s, file.tell()))  # noqa: B023 - it is asked at once
        progress.end(self._line(time.monotonic() - began_s, file.tell()))

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

    def _on_connected(self) -> None:
        """Of a connection that came back: subscribe anew, and put down for how long there was none."""
        with self._writing:
            if self._writer is None:
                return
            if self._lost_us is not None:
                self._miss(self._now_us())
        self._visitor.client.subscribe([(topic, 1) for topic in self._topics])

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
        }

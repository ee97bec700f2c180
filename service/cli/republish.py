"""Publishes a recording to a broker, in its order and at its pace. Owns the choice of what may be published.

Must never change a payload, nor leave anything behind at the broker: nothing is published as retained. Must never
publish a command to equipment: not what is known for one, and under its own topic nothing but what the service reads.
"""

from __future__ import annotations

import re
import signal
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.cli.failure import Exit, Failure
from service.cli.progress import Progress, size_text
from service.cli.visitor import ANSWER_S, Visitor
from service.decode.intake import Intake
from service.recording import Reader, Recorded, Survey

LOOK_S = 0.2  # between two looks at the time while the next message is not due
SKIPPED = {
    "commands": "Sparkplug commands and host states, which are never published",
    "no_source": "on topics that no source of the settings takes, such as commands to equipment",
}
# NCMD, DCMD and STATE (Sparkplug 3.0.0, 4.1), also below a prefix
_COMMAND = re.compile(r"(?:^|/)spBv1\.0/(?:STATE|[^/]*/[ND]CMD)(?:/|$)")


class Choice:
    """Which messages of a recording are published, and which of those a source of the settings would take."""

    def __init__(self, intake: Intake, broker: str, prefix: str) -> None:
        self._intake, self._broker, self.prefix = intake, broker, prefix

    def skipped(self, topic: str) -> str:
        """Why a message of this recorded topic is not published, a key of `SKIPPED`; empty when it is."""
        if _COMMAND.search(topic) or _COMMAND.search(self.prefix + topic):
            return "commands"
        return "" if self.prefix or self._is_taken(topic) else "no_source"

    def live(self, found: Survey) -> str:
        """The first topic to be published that a source takes, so that a daemon would take it for live data."""
        topics = (self.prefix + topic for _, topic in found.topics if not self.skipped(topic))
        return next(filter(self._is_taken, topics), "")

    def _is_taken(self, topic: str) -> bool:
        return self._intake.find(self._broker, topic) is not None


class Publisher:
    """Publishes and waits for what the broker acknowledges. `speed` None: as fast as it does."""

    def __init__(self, visitor: Visitor, choice: Choice, speed: float | None) -> None:
        self._visitor, self._choice, self._speed = visitor, choice, speed
        self._room = threading.Semaphore(visitor.in_flight_most)
        self._stopping = threading.Event()
        self.messages = self.payload_bytes = self.answered = self.refused = 0
        self.skipped: Counter[str] = Counter()
        self._visitor.client.on_publish = self._on_publish

    def play(self, reader: Reader, total: int) -> dict[str, Any]:
        """Publish all messages of the recording, or those up to Ctrl-C; the summary, without the file's name."""
        progress, began_s = Progress(), time.monotonic()
        first_us: int | None = None
        with self._signals():
            for record in reader:
                if not isinstance(record, Recorded):
                    continue
                if why := self._choice.skipped(record.topic):
                    self.skipped[why] += 1
                    continue
                first_us = record.received_us if first_us is None else first_us
                due_s = began_s + (0.0 if self._speed is None else (record.received_us - first_us) / 1e6 / self._speed)
                if not self._wait(due_s, progress, began_s, total) or not self._take_room():
                    break
                self._publish(record)
            self._drain()
        progress.end(self._line(began_s, total))
        return {
            "messages": self.messages,
            "of": total,
            "acknowledged": self.answered - self.refused,
            "refused": self.refused,
            "skipped": {why: self.skipped[why] for why in SKIPPED},
            "payload_bytes": self.payload_bytes,
            "seconds": round(time.monotonic() - began_s, 3),
            "stopped": self._stopping.is_set(),
        }

    def _wait(self, due_s: float, progress: Progress, began_s: float, total: int) -> bool:
        """Wait until a message is due; false when it is to end."""
        while not self._stopping.is_set():
            progress.say(lambda: self._line(began_s, total))
            self._check()
            left_s = due_s - time.monotonic()
            if left_s <= 0:
                return True
            self._stopping.wait(min(left_s, LOOK_S))
        return False

    def _take_room(self) -> bool:
        """Wait until there is room for one more on the way; false when it is to end."""
        since_s = time.monotonic()
        while not self._room.acquire(timeout=LOOK_S):
            self._check()
            if time.monotonic() - since_s > ANSWER_S:
                raise Failure(Exit.UNREACHABLE, self._stuck())
            if self._stopping.is_set():
                return False
        return True

    def _publish(self, record: Recorded) -> None:
        topic = self._choice.prefix + record.topic
        try:
            self._visitor.client.publish(topic, record.payload, record.qos, properties=self._properties(record))
        except ValueError as error:
            raise Failure(Exit.USAGE, f"topic {topic[:128]!r}: {error}; give another --topic-prefix") from None
        self.messages += 1
        self.payload_bytes += len(record.payload)

    def _properties(self, record: Recorded) -> Any:
        if self._visitor.link.version != 5 or not (record.content_type or record.user_properties):
            return None
        properties: Any = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho leaves it untyped
        if record.content_type:
            properties.ContentType = record.content_type
        if record.user_properties:
            properties.UserProperty = list(record.user_properties)
        return properties

    def _drain(self) -> None:
        """Wait until the broker has answered all; Failure when it no longer does."""
        seen, since_s = -1, time.monotonic()
        while self.answered < self.messages:
            self._check()
            if self.answered != seen:
                seen, since_s = self.answered, time.monotonic()
            if time.monotonic() - since_s > ANSWER_S:
                raise Failure(Exit.UNREACHABLE, self._stuck())
            time.sleep(0.01)

    def _check(self) -> None:
        if self._visitor.lost.is_set():
            raise Failure(
                Exit.UNREACHABLE,
                f"{self._visitor.place}: the connection was lost after {self.answered} acknowledged messages; "
                "see to the broker and its access list, and begin again",
            )

    def _stuck(self) -> str:
        return (
            f"{self._visitor.place}: {self.messages - self.answered} messages are not acknowledged for "
            f"{ANSWER_S:g} s; see to the broker, and begin again"
        )

    def _on_publish(self, _client: Any, _data: Any, _mid: int, reason: Any, _properties: Any) -> None:
        self.refused += reason.is_failure  # 0x80 and above (MQTT 5.0, 3.4.2.1 and 3.7.2.1)
        self.answered += 1
        self._room.release()

    @contextmanager
    def _signals(self) -> Iterator[None]:
        before = {
            number: signal.signal(number, lambda *_: self._stopping.set()) for number in (signal.SIGINT, signal.SIGTERM)
        }
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def _line(self, began_s: float, total: int) -> str:
        since_s = time.monotonic() - began_s
        rate = self.messages / since_s if since_s > 0 else 0.0
        share = 100 * (self.messages + self.skipped.total()) // total if total else 100
        refused = f", {self.refused} REFUSED" if self.refused else ""
        return (
            f"{self.messages} of {total} messages ({share} %), {size_text(self.payload_bytes)}, "
            f"{rate:.1f} messages/s, {since_s:.0f} s{refused}"
        )

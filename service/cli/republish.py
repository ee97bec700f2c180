"""Publishes a recording to a broker, in its order and at its pace. Owns the guard against publishing beside live data.

Must never change a payload, nor leave anything behind at the broker: nothing is published as retained.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.cli.failure import Exit, Failure
from service.cli.folder import is_in_use
from service.cli.progress import Progress, size_text
from service.cli.visitor import ANSWER_S, Visitor
from service.decode.intake import Intake
from service.recording import Reader, Recorded, Survey
from service.settings import Settings

LOOK_S = 0.2  # between two looks at the time while the next message is not due
SERVICES = "dustcake/v1/service/+/status"  # where services say that they are there, unless their settings say other


def why_not(visitor: Visitor, settings: Settings, intake: Intake, found: Survey, prefix: str) -> str:
    """Why publishing this would look like live data to a running daemon; empty when it would not.

    With topics that no source of the settings takes it never would. Else a daemon must neither be using the data
    folder of the settings on this computer, nor say at the broker that it is there.
    """
    name = visitor.link.name
    taken = next((topic for _, topic in found.topics if intake.find(name, prefix + topic) is not None), None)
    if prefix and taken is None:
        return ""
    beside = f"; its topics, such as {prefix}{taken}, are those of the sources" if taken is not None else ""
    if is_in_use(settings.data_dir):
        return f"a dustcake service is running with these settings (it uses {settings.data_dir}){beside}"
    there = services_at(visitor, list(dict.fromkeys((SERVICES, settings.topics.service))))
    return f"{visitor.place}: a dustcake service says that it is there ({', '.join(there)}){beside}" if there else ""


def services_at(visitor: Visitor, topics: list[str]) -> list[str]:
    """The topics on which a service says that it is online, as the broker keeps them."""
    there: set[str] = set()

    def look(_client: Any, _data: Any, message: Any) -> None:
        if b'"online"' in bytes(message.payload):
            there.add(message.topic)

    visitor.client.on_message = look
    visitor.subscribe(topics)
    visitor.unsubscribe(topics)  # its answer comes behind what the broker kept
    return sorted(there)


class Publisher:
    """Publishes and waits for what the broker acknowledges. `speed` None: as fast as it does."""

    def __init__(self, visitor: Visitor, prefix: str, speed: float | None) -> None:
        self._visitor, self._prefix, self._speed = visitor, prefix, speed
        self._room = threading.Semaphore(visitor.in_flight_most)
        self._stopping = threading.Event()
        self.messages = self.payload_bytes = self.acknowledged = 0
        self._visitor.client.on_publish = self._on_publish

    def play(self, reader: Reader, total: int) -> dict[str, Any]:
        """Publish all messages of the recording, or those up to Ctrl-C; the summary, without the file's name."""
        progress, began_s = Progress(), time.monotonic()
        first_us: int | None = None
        with self._signals():
            for record in reader:
                if not isinstance(record, Recorded):
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
            "acknowledged": self.acknowledged,
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
        topic = self._prefix + record.topic
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
        """Wait until the broker has acknowledged all; Failure when it no longer does."""
        seen, since_s = -1, time.monotonic()
        while self.acknowledged < self.messages:
            self._check()
            if self.acknowledged != seen:
                seen, since_s = self.acknowledged, time.monotonic()
            if time.monotonic() - since_s > ANSWER_S:
                raise Failure(Exit.UNREACHABLE, self._stuck())
            time.sleep(0.01)

    def _check(self) -> None:
        if self._visitor.lost.is_set():
            raise Failure(
                Exit.UNREACHABLE,
                f"{self._visitor.place}: the connection was lost after {self.acknowledged} acknowledged messages; "
                "see to the broker and its access list, and begin again",
            )

    def _stuck(self) -> str:
        return (
            f"{self._visitor.place}: {self.messages - self.acknowledged} messages are not acknowledged for "
            f"{ANSWER_S:g} s; see to the broker, and begin again"
        )

    def _on_publish(self, *_: object) -> None:
        self.acknowledged += 1
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
        share = 100 * self.messages // total if total else 100
        return (
            f"{self.messages} of {total} messages ({share} %), {size_text(self.payload_bytes)}, "
            f"{rate:.1f} messages/s, {since_s:.0f} s"
        )

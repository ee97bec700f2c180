"""The listener of `dustcake discover`: fills the sample from a broker or from a recording. Publishes nothing.

What a broker had kept from before is only counted: it says nothing of how often it comes, nor of clocks.
"""

from __future__ import annotations

import signal
import sys
import threading
import time
from pathlib import Path
from typing import Any

from paho.mqtt.client import topic_matches_sub

from service.cli.daemon import settings_path
from service.cli.failure import Exit, Failure
from service.cli.progress import Progress, size_text
from service.cli.visitor import Visitor, reach
from service.clock import SystemClock
from service.discover.families import TOPICS_SHOWN
from service.discover.findings import Findings, LeftOut
from service.discover.kept import TOPIC_LONGEST, Kept
from service.model import BadInput
from service.recording import Reader, Recorded

LOOK_S = 0.2  # between two looks at the time
RETAINED_TOPICS_MOST = 1_000  # whose names are remembered
RETAINED_WHY = "kept by the broker from before, they say nothing of now"
SIGNALS = (signal.SIGINT, signal.SIGTERM)


class Listener:
    """One look at these topics; `kept` is what was heard."""

    def __init__(self, topics: list[str]) -> None:
        self.kept = Kept()
        self._topics = topics
        self._retained: set[str] = set()
        self._retained_messages = 0
        self._ended = threading.Event()

    def read(self, path: Path, broker: str) -> None:
        """All that a recording has of a broker and of the topics. Failure when it is none."""
        progress, brokers = Progress(), set[str]()
        try:
            with Reader(path) as reader:
                for record in reader:
                    progress.say(lambda: f"{size_text(reader.read_bytes)} of {size_text(reader.size_bytes)} read")
                    if isinstance(record, Recorded):
                        brokers.add(record.broker)
                        if record.broker == broker and any(
                            topic_matches_sub(one, record.topic) for one in self._topics
                        ):
                            self._add(record.topic, record.payload, record.received_us, record.is_retained)
        except BadInput as error:
            raise Failure(Exit.USAGE, str(error)) from None
        if brokers and broker not in brokers:
            raise Failure(
                Exit.USAGE, f"{path}: nothing of broker {broker}; give --broker {' or '.join(sorted(brokers))}"
            )

    def listen(self, for_s: float, config: Path | None, broker: str) -> None:
        """What comes within this time, or until Ctrl-C. Failure when the broker does not let us."""
        _, _, link = reach(settings_path(config), broker, is_first=True)
        now_us = SystemClock().wall_us  # as a recording has it
        visitor = Visitor(link, "dis", comes_back=True)
        visitor.client.on_message = lambda _client, _data, message: self._take(message, now_us())
        before = {number: signal.signal(number, lambda *_: self._ended.set()) for number in SIGNALS}
        try:
            visitor.enter()
            visitor.subscribe(self._topics)
            sys.stderr.write(f"listening at {visitor.place} for {for_s:.0f} s; Ctrl-C ends it early\n")
            sys.stderr.flush()
            self._wait(for_s, visitor)
        finally:
            visitor.leave()
            for number, handler in before.items():
                signal.signal(number, handler)

    def add_retained(self, found: Findings) -> None:
        """Say what was not looked at because the broker had kept it."""
        silent = sorted(self._retained - self.kept.topics.keys())
        if self._retained_messages:
            shown = tuple(silent[:TOPICS_SHOWN])
            found.left_out.append(LeftOut(RETAINED_WHY, shown, len(silent), self._retained_messages))

    def _take(self, message: Any, received_us: int) -> None:
        try:
            name = message.topic
        except UnicodeDecodeError:
            return  # no topic of MQTT; no source could name it
        self._add(name, bytes(message.payload), received_us, bool(message.retain))

    def _add(self, name: str, payload: bytes, received_us: int, is_retained: bool) -> None:
        if not is_retained:
            self.kept.add(name, payload, received_us)
            return
        self._retained_messages += 1
        if len(self._retained) < RETAINED_TOPICS_MOST:
            self._retained.add(name[:TOPIC_LONGEST])

    def _wait(self, for_s: float, visitor: Visitor) -> None:
        progress, began_s = Progress(), time.monotonic()
        since_s = 0.0
        while since_s < for_s and not self._ended.wait(min(LOOK_S, for_s - since_s)):
            if said := visitor.check():
                progress.end(said)
            since_s = time.monotonic() - began_s
            progress.say(lambda: self._line(since_s, for_s))  # noqa: B023 - it is asked at once
        progress.end(self._line(since_s, for_s))

    def _line(self, since_s: float, for_s: float) -> str:
        kept = self.kept
        return (
            f"{since_s:.0f} of {for_s:.0f} s: {kept.messages} messages on {len(kept.topics)} topics, "
            f"{size_text(kept.bytes)} kept"
        )

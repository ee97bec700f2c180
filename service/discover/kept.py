"""Keeps a bounded sample of what comes: of each topic the first messages, and later ones ever further apart.

Owns that memory. Must never read a payload. Whatever is sent, it holds at most `TOPICS_MOST` topics and `BYTES_MOST` of
payloads; what it leaves out is counted and told.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

TOPICS_MOST = 5_000
CHILDREN_MOST = 1_000  # topics that differ in their last level only: more are no tags, but something that counts
TOPIC_LONGEST = 256  # characters
PAYLOAD_LONGEST = 262_144  # bytes, as intake.payload_bytes
MESSAGES_MOST = 240  # of one topic
FIRST_MOST = 12  # of them, those that came first and without a gap
BYTES_MOST = 32 * 1024 * 1024
MESSAGE_BYTES = 200  # what a message takes beside its payload
INTERVALS_MOST = 120  # of one topic, the latest

Message = tuple[str, bytes, int]  # topic, payload, microseconds UTC of its arrival


@dataclass(slots=True)
class Topic:
    """What is kept of one topic: (received_us, payload) in order of arrival, and the time between arrivals."""

    name: str
    messages: list[tuple[int, bytes]] = field(default_factory=list)
    intervals_us: deque[int] = field(default_factory=lambda: deque(maxlen=INTERVALS_MOST))
    count: int = 0
    last_us: int = 0
    step: int = 1  # of the later messages, one in so many is kept

    def wants(self) -> bool:
        """Whether the next message is one of those to be kept."""
        return self.count < FIRST_MOST or (self.count - FIRST_MOST) % self.step == 0

    def thin(self) -> int:
        """Keep every other one of the later messages; the bytes that became free."""
        gone = self.messages[FIRST_MOST + 1 :: 2]
        if not gone:
            return 0
        self.messages[FIRST_MOST:] = self.messages[FIRST_MOST::2]
        self.step *= 2
        return sum(len(payload) + MESSAGE_BYTES for _, payload in gone)


class Kept:
    """The sample of one look at a broker."""

    def __init__(self) -> None:
        self.topics: dict[str, Topic] = {}
        self.messages = self.long_messages = self.left_out_messages = 0
        self.first_us = self.last_us = 0
        self.bytes = 0
        self._children: dict[str, int] = {}
        self._is_full = False

    def add_all(self, messages: Iterable[Message]) -> None:
        for topic, payload, received_us in messages:
            self.add(topic, payload, received_us)

    def add(self, name: str, payload: bytes, received_us: int) -> None:
        """Count one message, and keep it if there is room and its turn."""
        self.first_us = received_us if self.messages == 0 else min(self.first_us, received_us)
        self.last_us = max(self.last_us, received_us)
        self.messages += 1
        topic = self.topics.get(name) or self._new(name)
        if topic is None:
            self.left_out_messages += 1
            return
        if topic.count:
            topic.intervals_us.append(max(received_us - topic.last_us, 0))
        if len(payload) > PAYLOAD_LONGEST:
            self.long_messages += 1
        elif topic.wants() and not self._is_full:
            topic.messages.append((received_us, payload))
            self.bytes += len(payload) + MESSAGE_BYTES
            self._make_room(topic)
        topic.count, topic.last_us = topic.count + 1, received_us

    def used(self) -> Iterator[Topic]:
        """The topics of which something is kept, by name."""
        return (self.topics[name] for name in sorted(self.topics) if self.topics[name].messages)

    def _new(self, name: str) -> Topic | None:
        parent = name.rpartition("/")[0]
        children = self._children.get(parent, 0)
        if len(self.topics) >= TOPICS_MOST or len(name) > TOPIC_LONGEST or children >= CHILDREN_MOST:
            return None
        self._children[parent] = children + 1
        found = self.topics[name] = Topic(name)
        return found

    def _make_room(self, topic: Topic) -> None:
        if len(topic.messages) > MESSAGES_MOST:
            self.bytes -= topic.thin()
        if self.bytes > BYTES_MOST:
            self.bytes -= sum(each.thin() for each in self.topics.values())
            self._is_full = self.bytes > BYTES_MOST * 9 // 10  # thinning does not help any more

"""A simulated broker: one persistent session at QoS 1, and the client library's face of it.

Owns what was accepted, what is on its way, and what was acknowledged. After a new connection it sends again what was
not acknowledged, in order, marked as sent again and under the same packet numbers (MQTT 5.0, 4.4); after a restart of
the broker as if it were new, which the standard does not allow and which it costs nothing to bear. Then it goes on. An
acknowledgement that no message of this connection waits for is a fault of the service, and is kept as one.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any, NamedTuple

from tests.simulation.gateways import Sent

RECEIVE_MAXIMUM = 64


class Message(NamedTuple):
    """What the client library hands over."""

    topic: str
    payload: bytes
    mid: int
    dup: bool
    retain: bool
    qos: int = 1


class Waiting(NamedTuple):
    """A message that is to be sent; `mid` is 0 until it was sent once, and after that its packet number."""

    number: int  # of the accepted messages; -1 for a retained one
    sent: Sent
    mid: int = 0


@dataclass(slots=True)
class Broker:
    """`note` is told everything; `interrupt` is called where a process may end."""

    note: Callable[[str], None]
    interrupt: Callable[[str], None]
    is_up: bool = True
    accepted: list[Sent] = field(default_factory=list)
    deliveries: Counter[int] = field(default_factory=Counter)  # as new, by number of the accepted message
    faults: list[str] = field(default_factory=list)
    _waiting: deque[Waiting] = field(default_factory=deque)
    _on_way: dict[int, Waiting] = field(default_factory=dict)  # by packet number, in order
    _forgets: bool = False  # at the next connection: which messages it has sent before
    _retained: dict[str, Sent] = field(default_factory=dict)
    _client: Client | None = None
    _mid: int = 0

    @property
    def backlog(self) -> int:
        return len(self._waiting) + len(self._on_way)

    @property
    def undelivered(self) -> int:
        return len(self._waiting)

    def accept(self, sent: Sent) -> None:
        self._waiting.append(Waiting(len(self.accepted), sent))
        self.accepted.append(sent)
        if sent.retained:
            self._retained[sent.topic] = sent

    def connect(self, client: Client) -> None:
        """Take the session up: what is not acknowledged comes again, first and in order."""
        again = [Waiting(*item[:2], 0 if self._forgets else mid) for mid, item in self._on_way.items()]
        self._waiting.extendleft(reversed(again))
        self._on_way.clear()
        self._client, self._forgets = client, False

    def restart(self) -> None:
        """Come back after an outage of its own."""
        self.is_up = self._forgets = True

    def subscribe(self) -> None:
        """A subscription brings the retained messages once more."""
        self._waiting.extend(Waiting(-1, sent) for _, sent in sorted(self._retained.items()))

    def drop(self) -> None:
        self._client = None

    def deliver(self, most: int) -> None:
        """Send the next messages, as far as the client takes more."""
        client = self._client
        while client is not None and most > 0 and self._waiting and len(self._on_way) < RECEIVE_MAXIMUM:
            item = self._waiting.popleft()
            most -= 1
            is_again, mid = item.mid > 0, item.mid or self._mid + 1
            self._mid = max(self._mid, mid)
            self._on_way[mid] = item
            self.deliveries[item.number] += not is_again
            self.note(f"delivers {item.number} as {mid}{' again' if is_again else ''}")
            message = Message(item.sent.topic, item.sent.payload, mid, is_again, item.number < 0)
            client.on_message(client, None, message)

    def acknowledge(self, client: Client, mid: int) -> None:
        if client is not self._client:
            self.faults.append(f"packet {mid} acknowledged without a connection")
            return
        if mid != next(iter(self._on_way), None):
            expected = next(iter(self._on_way), "none")
            self.faults.append(f"packet {mid} acknowledged, expected {expected}: the first that is not yet")
        self._on_way.pop(mid, None)


class Client:
    """What the receiver needs of paho's client; its callbacks are called by whoever drives the run."""

    def __init__(self, broker: Broker) -> None:
        self._broker = broker
        self._asked: list[tuple[str, int]] = []
        self.on_connect: Callable[..., None]
        self.on_disconnect: Callable[..., None]
        self.on_subscribe: Callable[..., None]
        self.on_message: Callable[..., None]
        self.on_socket_register_write: Callable[..., None]

    def connect(self, *_: Any, **__: Any) -> None:
        self._broker.connect(self)
        self.on_connect(self, None, None, SimpleNamespace(is_failure=False), None)
        self.on_subscribe(self, None, 1, [SimpleNamespace(is_failure=False) for _ in self._asked], None)

    def subscribe(self, topics: list[tuple[str, int]]) -> tuple[int, int]:
        self._broker.subscribe()
        self._asked = topics
        return 0, 1

    def ack(self, mid: int, _qos: int) -> None:
        self._broker.interrupt("before an acknowledgement")
        self._broker.acknowledge(self, mid)
        self._broker.note(f"acknowledged {mid}")
        self._broker.interrupt("after an acknowledgement")

    def publish(self, *_: Any, **__: Any) -> None:
        """The service's own status; nobody here reads it."""

    def will_set(self, *_: Any, **__: Any) -> None:
        """Likewise."""

    def ws_set_options(self, **_: Any) -> None:
        """Likewise."""

    def max_queued_messages_set(self, _most: int) -> None:
        """Likewise."""

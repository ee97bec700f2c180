"""A TCP relay between the daemon and its broker that can cut, hold and refuse, and that reads MQTT as it passes.

Owns the list of messages that the daemon has acknowledged, seen from outside: what is on it and not in the
journal is an acknowledged message that was lost. It never changes a byte.
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

PUBLISH, PUBACK = 3, 4
CHUNK_BYTES = 65_536
NAMED = re.compile(rb'"gateway": "([^"]+)", "boot": "[^"]+", "seq": (\d+)')
Named = tuple[str, int]  # gateway and sequence number


class Frames:
    """Cuts a byte stream into MQTT control packets (MQTT 5.0, 2.1.4)."""

    def __init__(self, found: Callable[[int, bytes], None]) -> None:
        self._found, self._rest = found, b""

    def feed(self, data: bytes) -> None:
        self._rest += data
        while (cut := _length(self._rest, 1)) is not None:
            length, start = cut
            if len(self._rest) < start + length:
                return
            self._found(self._rest[0], self._rest[start : start + length])
            self._rest = self._rest[start + length :]


def _length(data: bytes, at: int) -> tuple[int, int] | None:
    """A variable byte integer at `at` (MQTT 5.0, 1.5.5): value and where it ends; None when it is not whole."""
    value = 0
    for place in range(4):
        if len(data) <= at + place:
            return None
        value |= (data[at + place] & 127) << (7 * place)
        if data[at + place] < 128:
            return value, at + place + 1
    raise ValueError("variable byte integer longer than 4 bytes: not MQTT")


@dataclass
class _Way:
    """One connection of the daemon: both sockets, and what is under way on it."""

    near: socket.socket
    far: socket.socket
    delivered: dict[int, Named] = field(default_factory=dict)

    def close(self) -> None:
        for end in (self.near, self.far):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()


class Relay:
    """Listens on a port of its own; `acknowledged` are (gateway, sequence number)."""

    def __init__(self, host: str, port: int) -> None:
        self._to = (host, port)
        self.acknowledged: set[Named] = set()
        self.strays = 0  # acknowledgements of packet numbers that were not under way on that connection
        self.connections = self.packets = 0  # messages delivered, each time that they are
        self._ways: list[_Way] = []
        self._lock = threading.Lock()
        self._flows = threading.Event()
        self._flows.set()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def cut(self) -> None:
        """Close every connection, as a router does that restarts."""
        with self._lock:
            ways, self._ways = self._ways, []
        for way in ways:
            way.close()

    def hold(self) -> None:
        """Swallow nothing and forward nothing, until `release`: a partition that nobody is told of."""
        self._flows.clear()

    def release(self) -> None:
        self._flows.set()

    @property
    def under_way(self) -> int:
        """Messages delivered on the connections that are open, and not acknowledged there."""
        with self._lock:
            return sum(len(way.delivered) for way in self._ways)

    def close(self) -> None:
        self._listening.close()
        self.release()
        self.cut()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listening.accept()
            except OSError:
                return  # closed
            try:
                far = socket.create_connection(self._to, timeout=2)
                far.settimeout(None)
            except OSError:
                near.close()  # the broker is not there: nor is the relay
                continue
            way = _Way(near, far)
            with self._lock:
                self._ways.append(way)
                self.connections += 1
            for source, target, found in ((far, near, self._from_broker), (near, far, self._from_daemon)):
                threading.Thread(target=self._carry, args=(way, source, target, found), daemon=True).start()

    def _carry(
        self, way: _Way, source: socket.socket, target: socket.socket, found: Callable[[_Way, int, bytes], None]
    ) -> None:
        frames = Frames(lambda head, body: found(way, head, body))
        with contextlib.suppress(OSError):
            while data := source.recv(CHUNK_BYTES):
                frames.feed(data)
                self._flows.wait()
                target.sendall(data)
        way.close()
        with self._lock:
            self._ways = [other for other in self._ways if other is not way]

    def _from_broker(self, way: _Way, head: int, body: bytes) -> None:
        named = NAMED.search(body) if head >> 4 == PUBLISH and head & 0b110 else None
        if named is not None:
            topic = int.from_bytes(body[:2], "big")
            mid = int.from_bytes(body[2 + topic : 4 + topic], "big")
            way.delivered[mid] = (named[1].decode(), int(named[2]))
            self.packets += 1

    def _from_daemon(self, way: _Way, head: int, body: bytes) -> None:
        if head >> 4 == PUBACK:
            named = way.delivered.pop(int.from_bytes(body[:2], "big"), None)
            if named is None:
                self.strays += 1
            else:
                self.acknowledged.add(named)

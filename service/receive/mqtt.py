"""The broker's side: a persistent session at QoS 1, acknowledged by hand after the commit.

The network thread only puts parcels into the inbox and cannot raise. Each parcel carries the epoch of
its connection; an acknowledgement from an earlier connection is dropped, because its packet number may
by then belong to another message. This module publishes the service's own status and notifications;
it has no topic that equipment listens to.
"""

from __future__ import annotations

import itertools
import json
import math
import random
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal, NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.model import MAIN, BadConfiguration, Delivery, Parcel
from service.receive.access import Encryption, Secret, why

PACKET_BYTES = 16 * 1024 * 1024  # the broker drops what is longer, before it fills our memory (MQTT 5)
CUT_BYTES = PACKET_BYTES + 131_072  # with MQTT 3.1.1 it does not: what is longer is cut as it comes
READ_BYTES = 65_536  # taken from the socket at a time
PUBLISH_QUEUE_MOST = 1000  # own messages that wait for the broker
LOOP_S = 0.25  # the longest that the network thread waits for the broker before it looks around


_receivers = itertools.count(1)


class Token(NamedTuple):
    """What an acknowledgement needs."""

    mid: int
    qos: int
    epoch: int


@dataclass(frozen=True, slots=True)
class Link:
    """How to reach the broker. Durations in seconds; `tls` is a configured ssl.SSLContext or None.

    `encryption` is what `tls` asks for, since contexts cannot be compared; `secret` is where `password` stands, if it
    is to be read anew for each connection. `identity_property` names the user property (MQTT 5) in which the broker
    says who published a message.
    """

    host: str
    port: int
    version: int  # 5 or 3 (3.1.1)
    client_id: str
    username: str | None
    password: str | None = field(repr=False)
    tls: Any
    keepalive_s: int
    session_expiry_s: int
    receive_maximum: int
    reconnect_longest_s: float
    topics: tuple[str, ...]
    status_topic: str
    name: str = MAIN  # of the broker, among all
    encryption: Encryption | None = None
    secret: Secret | None = None
    transport: Literal["tcp", "websockets"] = "tcp"
    path: str = "/mqtt"  # of the WebSocket
    identity_property: str | None = None

    @property
    def at(self) -> str:
        return f"broker {self.host}:{self.port}"


class _Client(paho.Client):
    """Holds no more than CUT_BYTES of a packet that is coming in, and READ_BYTES.

    MQTT allows 256 MiB (3.1.1, 2.2.3), and to disconnect would only bring the packet again. The client has no setting
    for it, but calls this method for each piece, and the part that has come is a bytearray, which may be shortened.
    What stays is longer than any message that the settings allow, so it is refused and kept like those.

    `tls_error` is why TLS ended a connection after the handshake: with TLS 1.3 our certificate is judged only then.
    """

    tls_error = ""

    def _sock_recv(self, bufsize: int) -> bytes:
        del self._in_packet["packet"][CUT_BYTES:]
        try:
            return super()._sock_recv(min(bufsize, READ_BYTES))
        except ssl.SSLError as error:
            self.tls_error = why(error)
            raise


class Receiver:
    """One connection to one broker. `put` takes a parcel, and may wait; `wall_us` dates receipt."""

    def __init__(
        self, link: Link, put: Callable[[Parcel], bool], wall_us: Callable[[], int], iso: Callable[[int], str]
    ) -> None:
        self._link, self._put, self._wall_us, self._iso = link, put, wall_us, iso
        self._epoch = next(_receivers) << 32  # so that no token of one receiver is ever another's
        self._settled: deque[Token] = deque()  # on disk, to be acknowledged by the network thread
        self._in_order = threading.Lock()
        self._stopping = threading.Event()
        self.connected = threading.Event()
        self.connected_since_us: int | None = None
        self._listened_us: int | None = None  # wall time at which listening began, later by every gap since
        self._lost_us: int | None = None
        self._answered = False  # the broker has, in the present connection
        self._listening = threading.Lock()  # guards what is listened to, and these three:
        self._asked: int | None = None  # the number of the newest packet that asks for all topics
        self._left: set[str] = set()  # topics that the broker's session may still have
        self._again_s = math.inf  # monotonic; when to ask again for what was refused
        self.last_error = "not connected yet"
        self._client = self._new_client()
        self._thread = threading.Thread(target=self._run, name="receive", daemon=True)

    def start(self) -> None:
        """Connect in the background, and go on trying until stopped."""
        self._thread.start()

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    @property
    def listened_since_us(self) -> int | None:
        """Wall time since when the service has listened, gaps taken off; None while it does not."""
        return self._listened_us if self.connected.is_set() else None

    def acknowledge(self, tokens: Sequence[Token]) -> None:
        """Tell the broker that these messages are on disk, in the order in which they came (MQTT 5.0, 4.6).

        Those of an earlier connection will come again. The network thread does it, many at once, because it
        is cheaper there; where it has nothing left to acknowledge, the first goes out from here and wakes it.
        """
        with self._in_order:
            first = 0 if self._settled else 1
            if first and tokens:
                self._acknowledge(tokens[0])
            self._settled.extend(tokens[first:])

    def _acknowledge(self, token: Token) -> None:
        if token.epoch == self._epoch and token.qos > 0:
            self._client.ack(token.mid, token.qos)

    def _acknowledge_settled(self) -> None:
        with self._in_order:
            while self._settled:
                self._acknowledge(self._settled.popleft())

    def publish(self, topic: str, payload: bytes, timeout_s: float) -> None:
        """Publish at QoS 1 and wait for the broker's acknowledgement. ConnectionError or TimeoutError."""
        if not self.connected.is_set():
            raise ConnectionError(f"not connected: {self.last_error}")
        info = self._client.publish(topic, payload, qos=1)
        try:
            info.wait_for_publish(timeout_s)
        except (RuntimeError, ValueError) as error:  # disconnected, or the client's own queue is full
            raise ConnectionError(f"topic {topic}: not published: {error}") from error
        if not info.is_published():
            raise TimeoutError(f"topic {topic}: no acknowledgement from the broker within {timeout_s:g} s")

    def ask(self, topic: str, payload: bytes) -> None:
        """Publish without waiting; not at all while there is no connection: it will be asked again."""
        if self.connected.is_set():
            self._client.publish(topic, payload, qos=0)

    def listen_to(self, topics: tuple[str, ...]) -> None:
        """Subscribe to these and to no others from now on; the session, and what waits in it, stay."""
        if topics == self._link.topics:
            return
        with self._listening:
            self._left = (self._left | set(self._link.topics)) - set(topics)
            self._link = replace(self._link, topics=topics)
        if self._client.is_connected():  # else it is done when it connects
            self._listen()

    def stop(self, timeout_s: float) -> None:
        """Say that the service is off, disconnect, and end the thread. The session stays with the broker."""
        ends_s = time.monotonic() + timeout_s
        self._stopping.set()
        if self.connected.is_set():
            info = self._client.publish(self._link.status_topic, self._status("offline"), qos=1, retain=True)
            try:
                info.wait_for_publish(min(timeout_s / 2, 2.0))
            except (RuntimeError, ValueError) as error:
                self.last_error = str(error)
        self._client.disconnect()
        self._thread.join(max(0.0, ends_s - time.monotonic()))

    # ------------------------------------------------------------ the network thread

    def _run(self) -> None:
        """Connect and read until stopped, with jittered back-off between attempts."""
        attempt = 0
        while not self._stopping.is_set():
            started_s = time.monotonic()
            try:
                self._connect()
                while self._client.loop(LOOP_S) == paho.MQTT_ERR_SUCCESS:
                    self._acknowledge_settled()
                    self._listen_again(time.monotonic())
                self._ended()
            except Exception as error:  # noqa: BLE001 - a packet the client cannot read must not end this thread
                self.last_error = self._said(error)
            self._lost()
            attempt = 0 if time.monotonic() - started_s > self._link.reconnect_longest_s else attempt + 1
            longest_s = min(self._link.reconnect_longest_s, 0.25 * 2**attempt)
            self._stopping.wait(random.uniform(longest_s / 4, longest_s))  # noqa: S311 - jitter is no secret

    def _ended(self) -> None:
        """Say why a connection ended that the broker has not answered; otherwise it is said already."""
        if self._client.tls_error:
            self.last_error = f"{self._link.at}: {self._client.tls_error}"
        elif not self._answered and not self._stopping.is_set():
            self.last_error = self._unanswered()

    def _unanswered(self) -> str:
        return (
            f"{self._link.at}: closed the connection without an answer; expected MQTT there; "
            "correct host, port, tls or transport; or it asks for a client certificate"
        )

    def _said(self, error: Exception) -> str:
        """What went wrong, for people."""
        if isinstance(error, ssl.SSLError):
            return f"{self._link.at}: {why(error)}"
        if isinstance(error, paho.WebsocketConnectionError):
            return (
                f"{self._link.at}: no WebSocket at {self._link.path} ({error}); expected one that speaks MQTT; "
                "correct port and path, or transport"
            )
        if isinstance(error, ConnectionResetError):
            return self._unanswered()
        if isinstance(error, OSError):
            return f"{self._link.at}: {error.strerror or error}; correct host and port, or start the broker"
        return (
            str(error) if isinstance(error, BadConfiguration) else f"{self._link.at}: {type(error).__name__}: {error}"
        )

    def _connect(self) -> None:
        link = self._link
        self._answered, self._client.tls_error = False, ""
        if link.username is not None:
            self._client.username_pw_set(link.username, link.secret.read() if link.secret else link.password)
        if link.version == 5:
            properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
            properties.SessionExpiryInterval = link.session_expiry_s
            properties.ReceiveMaximum = link.receive_maximum
            properties.MaximumPacketSize = PACKET_BYTES
            self._client.connect(link.host, link.port, link.keepalive_s, clean_start=False, properties=properties)
        else:
            self._client.connect(link.host, link.port, link.keepalive_s)

    def _new_client(self) -> _Client:
        link = self._link
        five = link.version == 5
        client = _Client(
            CallbackAPIVersion.VERSION2,
            client_id=link.client_id,
            protocol=paho.MQTTv5 if five else paho.MQTTv311,
            clean_session=None if five else False,
            manual_ack=True,
            reconnect_on_failure=False,
            transport=link.transport,
        )
        client.max_queued_messages_set(PUBLISH_QUEUE_MOST)
        client.ws_set_options(path=link.path)
        if link.tls is not None:
            client.tls_set_context(link.tls)
        client.will_set(link.status_topic, self._status("offline"), qos=1, retain=True)
        client.on_connect, client.on_disconnect = self._on_connect, self._on_disconnect
        client.on_subscribe, client.on_message = self._on_subscribe, self._on_message
        # With a callback here the client only queues and wakes the network thread. Without it, it would write
        # to the socket from whichever thread publishes or acknowledges, beside the network thread's own writes.
        client.on_socket_register_write = lambda *_: None
        return client

    def _on_connect(self, _client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._answered = True
        if reason.is_failure:
            self.last_error = f"{self._link.at} refused the connection: {reason}"
            return
        self._epoch += 1
        self._listen()

    def _listen(self) -> None:
        """Ask for all topics, and leave the others: the session may have them from before."""
        with self._listening:
            self._again_s, topics = math.inf, self._link.topics
            if self._left:
                self._client.unsubscribe(sorted(self._left))
            # Under the lock: the answer may come before the number is noted.
            self._asked = self._client.subscribe([(topic, 1) for topic in topics])[1] if topics else None
        if not topics:
            self._heard()

    def _listen_again(self, due_s: float) -> None:
        if due_s >= self._again_s:
            self._listen()

    def _on_subscribe(self, _client: paho.Client, _data: Any, mid: int, codes: Any, _properties: Any) -> None:
        with self._listening:
            if mid != self._asked:
                return  # since then all topics of now were asked for
            refused = [topic for topic, code in zip(self._link.topics, codes, strict=False) if code.is_failure]
            self._left = set()  # what was left before these were asked for is answered before them
            if refused:
                self._again_s = time.monotonic() + self._link.reconnect_longest_s
        if not refused:
            self._heard()
            return
        self.last_error = (
            f"{self._link.at} refused the subscription to {', '.join(refused)}; allow it in the broker's access list"
        )
        self._not_heard()

    def _heard(self) -> None:
        self._client.publish(self._link.status_topic, self._status("online"), qos=1, retain=True)
        now_us = self._wall_us()
        gap_us = now_us - (self._lost_us or now_us)
        self._listened_us = now_us if self._listened_us is None else self._listened_us + gap_us
        self._lost_us, self.connected_since_us = None, now_us
        self.connected.set()

    def _on_disconnect(self, _client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if self.connected.is_set():  # else it was refused, and why is known already
            self.last_error = f"{self._link.at}: disconnected ({reason})"
        self._lost()

    def _lost(self) -> None:
        self._epoch += 1
        self._again_s = math.inf
        self._not_heard()

    def _not_heard(self) -> None:
        """By a connection that stands, what comes can still be acknowledged."""
        self.connected.clear()
        self.connected_since_us = None
        if self._listened_us is not None and self._lost_us is None:
            self._lost_us = self._wall_us()

    def _on_message(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        if self._settled:
            self._acknowledge_settled()
        token = Token(message.mid, message.qos, self._epoch)
        delivery = Delivery(message.mid, message.dup, message.retain)
        name, asks = self._link.name, self._link.identity_property
        identity = () if asks is None else identity_of(message, asks)
        self._put(Parcel(_topic(message), bytes(message.payload), self._wall_us(), token, delivery, name, identity))

    def _status(self, state: str) -> bytes:
        body = {"service": self._link.client_id, "state": state, "at": self._iso(self._wall_us())}
        return json.dumps(body).encode()


def identity_of(message: paho.MQTTMessage, name: str) -> tuple[str, ...]:
    """All values of the user property of this name: it may be there several times (MQTT 5.0, 3.3.2.3.7)."""
    return tuple(value for key, value in getattr(message.properties, "UserProperty", ()) if key == name)


def _topic(message: paho.MQTTMessage) -> str:
    """Its topic; one that is not UTF-8, which a broker should not let through, with escapes: it must not come again."""
    try:
        return message.topic
    except UnicodeDecodeError as error:
        return bytes(error.object).decode("utf-8", "backslashreplace")

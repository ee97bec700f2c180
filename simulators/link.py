"""One gateway's connection to the broker: one paho client, QoS 1. Owns the window of unacknowledged messages; must
never measure, number or store a message.

Rules: the last will is the status "offline"; the birth is the status "online", both retained. At most `WINDOW`
messages are unacknowledged; those survive a reconnect inside the client and are sent again.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from paho.mqtt.client import Client, ConnectFlags
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

WINDOW = 200  # messages
KEEPALIVE_S = 30
LAST_WORDS_S = 2.0  # how long a closing link waits for acknowledgements
RECONNECT_MAX_S = 5
VERSIONS = {3: MQTTProtocolVersion.MQTTv311, 5: MQTTProtocolVersion.MQTTv5}


@dataclass(frozen=True, slots=True)
class Broker:
    """Where the gateways publish. `version` is 3 (3.1.1) or 5."""

    host: str
    port: int
    version: int = 5
    username: str | None = None
    password: str | None = None


class Link:
    """One connection that can be taken up and down. Methods are for one thread; callbacks come from paho's own."""

    def __init__(self, broker: Broker, gateway: str, status: Callable[[str], bytes]) -> None:
        """`status` gives the status message for "online" or "offline" as of now."""
        self.broker = broker
        self.trouble = ""
        self._readings_topic = f"dustcake/v1/{gateway}/readings"
        self._status_topic = f"dustcake/v1/{gateway}/status"
        self._status = status
        self._changed = threading.Condition()
        self._published = self._acknowledged = self._refused = 0
        self._is_up = False
        self._client = self._made(gateway)

    @property
    def connected(self) -> bool:
        """Whether the broker has accepted the connection and it stands."""
        return self._is_up and self._client.is_connected()

    @property
    def waiting(self) -> bool:
        """Whether it is meant to be up and is not."""
        return self._is_up and not self._client.is_connected()

    @property
    def window(self) -> int:
        """How many more messages may be published now."""
        with self._changed:
            return WINDOW - (self._published - self._acknowledged) if self.connected else 0

    @property
    def refused(self) -> int:
        """Messages that the broker acknowledged with a failure."""
        return self._refused

    def up(self) -> None:
        """Connect, and keep reconnecting until `down`."""
        if self._is_up:
            return
        self._is_up = True
        self._client.will_set(self._status_topic, self._status("offline"), qos=1, retain=True)
        self._client.connect_async(self.broker.host, self.broker.port, keepalive=KEEPALIVE_S)
        self._client.loop_start()

    def publish(self, payload: bytes) -> None:
        """Hand one message of readings over; call it only while `window` is above zero."""
        self._send(self._readings_topic, payload, retain=False)

    def down(self) -> None:
        """Wait shortly for acknowledgements, say "offline" and disconnect."""
        if not self._is_up:
            return
        if self.connected:
            self._settled()
            # An orderly disconnect takes the will back, so the status is said in its place.
            self._send(self._status_topic, self._status("offline"), retain=True)
            self._settled()
        self._is_up = False
        self._client.disconnect()
        self._client.loop_stop()

    def _made(self, gateway: str) -> Client:
        client = Client(CallbackAPIVersion.VERSION2, client_id=gateway, protocol=VERSIONS[self.broker.version])
        client.max_inflight_messages_set(WINDOW)
        client.max_queued_messages_set(2 * WINDOW)
        client.reconnect_delay_set(1, RECONNECT_MAX_S)
        if self.broker.username is not None:
            client.username_pw_set(self.broker.username, self.broker.password)
        client.on_connect = self._on_connect
        client.on_publish = self._on_publish
        return client

    def _send(self, topic: str, payload: bytes, *, retain: bool) -> None:
        with self._changed:
            self._published += 1
        info = self._client.publish(topic, payload, qos=1, retain=retain)
        if info.rc == MQTTErrorCode.MQTT_ERR_QUEUE_SIZE:
            raise RuntimeError(f"{topic}: the client's queue of {2 * WINDOW} is full; publish only within `window`")

    def _settled(self) -> bool:
        with self._changed:
            return self._changed.wait_for(lambda: self._acknowledged >= self._published, LAST_WORDS_S)

    # Callbacks of the network thread: they count and answer, and cannot raise.

    def _on_connect(
        self, _client: Client, _data: Any, _flags: ConnectFlags, code: ReasonCode, _properties: Properties | None
    ) -> None:
        self.trouble = str(code) if code.is_failure else ""
        if not code.is_failure:
            self._send(self._status_topic, self._status("online"), retain=True)

    def _on_publish(self, _client: Client, _data: Any, _mid: int, code: ReasonCode, _properties: Properties) -> None:
        with self._changed:
            self._acknowledged += 1
            self._refused += int(code.is_failure)
            self._changed.notify_all()

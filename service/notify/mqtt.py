"""The channel that publishes a notification as JSON on one topic.

Owns the topic that the site configured and never publishes on another: what it sends is news, and must
never be a command to equipment. The connection is the wiring's.
"""

from __future__ import annotations

import json
from collections.abc import Callable

from service.model import Accepted, BadConfiguration, OutboxRow, Refused
from service.notify.message import body_json

TOPIC_BYTES = 65_535  # MQTT 5.0 1.5.4: a UTF-8 string has at most 65,535 bytes


class MqttChannel:
    """Accepted when the broker has acknowledged; `publish(topic, payload, timeout_s)` returns then, or raises."""

    def __init__(
        self, name: str, *, topic: str, publish: Callable[[str, bytes, float], None], timeout_s: float = 15.0
    ) -> None:
        if not topic or set("+#\x00") & set(topic) or topic.startswith("$") or len(topic.encode()) > TOPIC_BYTES:
            raise BadConfiguration(
                f"channels.{name}.topic {topic!r}: expected a topic to publish on, without + # or NUL and not"
                " beginning with $; correct it"
            )
        self.name, self.timeout_s = name, timeout_s
        self._topic, self._publish = topic, publish

    def send(self, row: OutboxRow) -> Accepted | Refused:
        payload = json.dumps(body_json(row.told), allow_nan=False, separators=(",", ":")).encode()
        try:
            self._publish(self._topic, payload, self.timeout_s)
        except (OSError, ValueError, RuntimeError) as error:  # time-out, not connected, queue full
            return Refused(f"publish on {self._topic}: {type(error).__name__}: {error}")
        return Accepted(f"acknowledged by the broker on {self._topic}")

    def close(self) -> None:
        """The connection is the wiring's: nothing to close."""

"""A verb's own short connection to a broker: a clean session under a client id that nobody else has.

So the daemon's session, and what waits in it, is never touched. Has no last will and says nothing of itself. Decides
nothing about messages.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.cli.failure import Exit, Failure
from service.config import load
from service.decode.intake import Intake
from service.linking import links_of
from service.model import MAIN
from service.receive.mqtt import PACKET_BYTES, Link
from service.settings import Settings
from service.sources.file import load as load_sources
from service.sources.form import Sources
from service.sourcing import intake_of

ANSWER_S = 15.0  # for an answer of the broker
RECONNECT_LONGEST_S = 30
IN_FLIGHT_MOST = 200  # own messages on their way that the broker has not acknowledged, if it allows so many
IN_FLIGHT_311 = 20  # a broker cannot say what it allows with MQTT 3.1.1; beyond it some end the connection


def reach(config: Path, broker: str) -> tuple[Settings, Intake, Link]:
    """The settings, what the sources take, and the way to a broker that they name; Failure when none is called so."""
    settings = load(config)
    sources = load_sources(settings.sources) if settings.sources is not None else Sources()
    names = [MAIN, *(item.name for item in sources.broker)]
    if broker not in names:
        raise Failure(
            Exit.USAGE, f"--broker {broker!r}: expected one of {', '.join(names)}; give one, or add it to the sources"
        )
    intake = intake_of(settings, sources, str(settings.sources))
    return settings, intake, links_of(settings, sources, intake)[broker]


class Visitor:
    """One connection. `client` takes further callbacks before `enter`; every method raises Failure with a remedy."""

    def __init__(self, link: Link, purpose: str, *, comes_back: bool) -> None:
        """`purpose`, of 3 letters, stands in the client id; `comes_back`: a lost connection is made again."""
        self.link = link
        self.connected, self.lost = threading.Event(), threading.Event()
        self.in_flight_most = IN_FLIGHT_311  # known once it is connected
        self.trouble = ""  # why the broker does not want us
        self.on_connected: Callable[[], None] = lambda: None  # each time, on the network thread
        self.on_lost: Callable[[], None] = lambda: None
        self._answers: dict[int, list[Any]] = {}
        self._answered = threading.Condition()
        five = link.version == 5
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"dustcake-{purpose}-{secrets.token_hex(4)}",  # 21 bytes: 3.1.1 promises no more than 23
            protocol=paho.MQTTv5 if five else paho.MQTTv311,
            clean_session=None if five else True,
            transport=link.transport,
            reconnect_on_failure=comes_back,
        )
        self.client.max_inflight_messages_set(IN_FLIGHT_MOST)
        self.client.ws_set_options(path=link.path)
        self.client.reconnect_delay_set(1, RECONNECT_LONGEST_S)
        if link.username is not None:
            self.client.username_pw_set(link.username, link.password)
        if link.tls is not None:
            self.client.tls_set_context(link.tls)
        self.client.on_connect, self.client.on_disconnect = self._on_connect, self._on_disconnect
        self.client.on_subscribe = lambda _client, _data, mid, codes, _properties: self._note(mid, codes)
        self.client.on_unsubscribe = lambda _client, _data, mid, codes, _properties: self._note(mid, codes)

    @property
    def place(self) -> str:
        return f"broker {self.link.host}:{self.link.port}"

    def enter(self) -> None:
        """Connect; returns once the broker has accepted us."""
        link = self.link
        words: dict[str, Any] = {}
        if link.version == 5:
            properties: Any = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho leaves it untyped
            properties.ReceiveMaximum, properties.MaximumPacketSize = link.receive_maximum, PACKET_BYTES
            words = {"clean_start": True, "properties": properties}
        try:
            self.client.connect(link.host, link.port, link.keepalive_s, **words)
        except (OSError, ValueError) as error:
            raise Failure(
                Exit.UNREACHABLE, f"{self.place}: {error}; see whether it runs and that [broker] names its address"
            ) from None
        self.client.loop_start()
        self.connected.wait(ANSWER_S)
        self.check()
        if not self.connected.is_set():
            raise Failure(
                Exit.UNREACHABLE, f"{self.place}: no answer within {ANSWER_S:g} s; see whether it is a broker"
            )

    def check(self) -> None:
        """Raise what the network thread has noticed since."""
        if self.trouble:
            raise Failure(Exit.REFUSED, self.trouble)

    def subscribe(self, topics: list[str]) -> None:
        """Subscribe at QoS 1, and wait for the broker's word."""
        try:
            _, mid = self.client.subscribe([(topic, 1) for topic in topics])
        except ValueError as error:
            raise Failure(Exit.USAGE, f"topics {', '.join(topics)}: {error}; expected topic filters of MQTT") from None
        codes = self._answer(mid)
        refused = [topic for topic, code in zip(topics, codes, strict=False) if code.is_failure]
        if refused:
            raise Failure(
                Exit.REFUSED,
                f"{self.place} refused the subscription to {', '.join(refused)}; allow it in the broker's access list",
            )

    def unsubscribe(self, topics: list[str]) -> None:
        """Leave the topics, and wait for the broker's word: what it had to send before has then come."""
        _, mid = self.client.unsubscribe(topics)
        self._answer(mid)

    def leave(self) -> None:
        """Disconnect in order."""
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, properties: Any) -> None:
        if self.link.version == 5:  # without a word of it the broker allows 65,535 (MQTT 5.0, 3.2.2.3.3)
            self.in_flight_most = min(IN_FLIGHT_MOST, getattr(properties, "ReceiveMaximum", IN_FLIGHT_MOST))
        if reason.is_failure:
            self.trouble = f"{self.place} refused the connection: {reason}; see username, password_file and TLS"
        else:
            self.on_connected()
        self.connected.set()

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self.lost.set()
            self.on_lost()

    def _note(self, mid: int, codes: Any) -> None:
        with self._answered:
            self._answers[mid] = list(codes or [])
            self._answered.notify_all()

    def _answer(self, mid: int | None) -> list[Any]:
        with self._answered:
            if not self._answered.wait_for(lambda: mid in self._answers, ANSWER_S):
                raise Failure(Exit.UNREACHABLE, f"{self.place}: no answer within {ANSWER_S:g} s; see to the broker")
            return self._answers.pop(mid)  # type: ignore[arg-type]  # it is there, so it is a number

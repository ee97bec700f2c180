"""A verb's own short connection to a broker: a clean session under a client id that nobody else has.

So the daemon's session, and what waits in it, is never touched. Has no last will and says nothing of itself. Decides
nothing about messages. A broker that does not let it listen ends the visit only at its beginning: later it is said, and
tried again, because what has been heard until then must not be lost.
"""

from __future__ import annotations

import secrets
import threading
import time
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
ASK_AGAIN_S = 30.0  # between two requests for a subscription that is refused, or not answered, after a reconnection
IN_FLIGHT_MOST = 200  # own messages on their way that the broker has not acknowledged, if it allows so many
IN_FLIGHT_311 = 20  # a broker cannot say what it allows with MQTT 3.1.1; beyond it some end the connection


def reach(config: Path, broker: str, *, is_first: bool = False) -> tuple[Settings, Intake, Link]:
    """The settings, what the sources take, and the way to a broker that they name; Failure when none is called so.

    `is_first`: the verb serves to make the sources file, so there need be none yet where the settings say.
    """
    settings = load(config)
    path = settings.sources
    is_there = path is not None and not (is_first and not path.exists())
    sources = load_sources(path) if path is not None and is_there else Sources()
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
        self.trouble = ""  # why nothing can come now
        self.on_listening: Callable[[], None] = lambda: None  # each time, on the network thread
        self.on_lost: Callable[[], None] = lambda: None
        self._topics: list[str] = []
        self._listened = False  # the broker has accepted the subscription once
        self._said = ""  # the trouble that has been told
        self._asked: int | None = None  # the request that the broker has not answered
        self._ask_again_s = 0.0
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

    def check(self) -> str:
        """What is new: why nothing can come now, or that it can again. When it is time, the subscription is tried anew.

        Failure as long as the broker has never let us listen.
        """
        with self._answered:
            trouble = self.trouble
            if self._listened and trouble and self.client.is_connected() and time.monotonic() >= self._ask_again_s:
                self._ask()
        if trouble and not self._listened:
            raise Failure(Exit.REFUSED, trouble)
        told, self._said = self._said, trouble
        if trouble == told:
            return ""
        return f"dustcake: {trouble}; it is tried again" if trouble else f"dustcake: {self.place}: it listens again"

    def subscribe(self, topics: list[str]) -> None:
        """Subscribe at QoS 1, and wait for the broker's word; a connection that comes back does it anew by itself."""
        with self._answered:
            self._topics = topics
            try:
                self._ask()
            except ValueError as error:
                texts = ", ".join(topics)
                raise Failure(Exit.USAGE, f"topics {texts}: {error}; expected topic filters of MQTT") from None
            self._answered.wait_for(lambda: self._listened or self.trouble, ANSWER_S)
        self.check()
        if not self._listened:
            raise Failure(Exit.UNREACHABLE, f"{self.place}: no answer within {ANSWER_S:g} s; see to the broker")

    def leave(self) -> None:
        """Disconnect in order."""
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, properties: Any) -> None:
        if self.link.version == 5:  # without a word of it the broker allows 65,535 (MQTT 5.0, 3.2.2.3.3)
            self.in_flight_most = min(IN_FLIGHT_MOST, getattr(properties, "ReceiveMaximum", IN_FLIGHT_MOST))
        if reason.is_failure:
            self._tell(f"{self.place} refused the connection: {reason}; see username, password_file and TLS")
        else:
            with self._answered:
                self.trouble = self.trouble if self._listened else ""
                if self._topics:  # a clean session has no subscriptions
                    self._ask()
        self.connected.set()

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self.lost.set()
            if self._listened and not self.trouble:  # a reason that the broker gave says more
                self._tell(f"{self.place}: the connection was lost ({reason})")
            self.on_lost()

    def _ask(self) -> None:
        """Ask for the topics; ValueError when one is none. The answer to an earlier request says nothing any more."""
        _, self._asked = self.client.subscribe([(topic, 1) for topic in self._topics])
        self._ask_again_s = time.monotonic() + ASK_AGAIN_S

    def _note(self, mid: int, codes: Any) -> None:
        with self._answered:
            if mid != self._asked:
                return
            self._asked = None
            refused = [topic for topic, code in zip(self._topics, codes or [], strict=False) if code.is_failure]
        if refused:
            topics = ", ".join(refused)
            self._tell(f"{self.place} refused the subscription to {topics}; allow it in the broker's access list")
            return
        self.on_listening()
        with self._answered:
            self.trouble, self._listened = "", True
            self._answered.notify_all()

    def _tell(self, trouble: str) -> None:
        with self._answered:
            self.trouble = trouble
            self._answered.notify_all()

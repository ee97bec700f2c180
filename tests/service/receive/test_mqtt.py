"""The receiver against a real broker: persistent session, acknowledgement by hand, epochs, birth and last will."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from service.model import Parcel
from service.receive.mqtt import Link, Receiver, Token
from service.units.times import iso
from tests.parts import MOSQUITTO, BrokerAt, answers, free_port, publisher, running, wait_until

pytestmark = pytest.mark.broker
TOPIC, STATUS = "dustcake/v1/gw-1/readings", "dustcake/v1/service/test/status"
VERSIONS = pytest.mark.parametrize("version", [5, 3])


class Real:
    """One broker for the module, and its process."""

    def __init__(self, at: BrokerAt, process: subprocess.Popen[bytes]) -> None:
        self.at, self.process = at, process


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Real]:
    if MOSQUITTO is None:
        pytest.skip("no mosquitto binary")
    folder, port = tmp_path_factory.mktemp("broker"), free_port()
    config = folder / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nlog_type error\n")
    with running([MOSQUITTO, "-c", str(config)], folder / "log") as process:
        wait_until(lambda: answers(port), "mosquitto answers")
        yield Real(BrokerAt("127.0.0.1", port, "mosquitto"), process)


class Heard:
    """A receiver and what it has put."""

    def __init__(self, at: BrokerAt, version: int, client_id: str, *, most: int = 10**6, **link: Any) -> None:
        self.parcels: list[Parcel] = []
        self.accepts = True
        fields: dict[str, Any] = {
            "host": at.host,
            "port": at.port,
            "version": version,
            "client_id": client_id,
            "username": None,
            "password": None,
            "tls": None,
            "keepalive_s": 30,
            "session_expiry_s": 3600,
            "receive_maximum": most if most < 65_535 else 2000,
            "reconnect_longest_s": 0.3,
            "topics": (f"{client_id}/v1/+/readings", f"{client_id}/v1/+/status"),
            "status_topic": f"{client_id}/v1/service/test/status",
        }
        self.link = Link(**(fields | link))
        self.receiver = Receiver(self.link, self._put, lambda: time.time_ns() // 1000, iso)
        self.topic = f"{client_id}/v1/gw-1/readings"

    def _put(self, parcel: Parcel) -> bool:
        if self.accepts:
            self.parcels.append(parcel)
        return self.accepts

    def start(self) -> None:
        self.receiver.start()
        wait_until(self.receiver.connected.is_set, "the receiver is connected")

    def payloads(self) -> list[bytes]:
        return [parcel.payload for parcel in self.parcels]

    def acknowledge(self, parcels: list[Parcel] | None = None) -> None:
        self.receiver.acknowledge([parcel.token for parcel in (self.parcels if parcels is None else parcels)])

    def settle(self) -> None:
        """Return once the broker has what was acknowledged: it answers a message that was sent after it."""
        wait_until(lambda: not self.receiver._settled, "all acknowledgements are on their way")
        self.receiver.publish(f"{self.link.client_id}/v1/settled", b"", 20)

    def drop(self) -> None:
        """Cut the connection under the receiver, and wait until it has come back."""
        epoch = self.receiver._epoch
        cut(self.receiver)
        wait_until(
            lambda: self.receiver._epoch > epoch + 1 and self.receiver.connected.is_set(), "the receiver is back"
        )


def cut(receiver: Receiver) -> None:
    """Shut the client's socket without a word, as a lost link does."""
    held = receiver._client.socket()
    assert isinstance(held, socket.socket)
    held.shutdown(socket.SHUT_RDWR)


@contextlib.contextmanager
def heard(at: BrokerAt, version: int, client_id: str, **link: Any) -> Iterator[Heard]:
    made = Heard(at, version, client_id, **link)
    try:
        yield made
    finally:
        made.receiver.stop(5)


def publish(at: BrokerAt, topic: str, payloads: list[bytes], *, qos: int = 1, retain: bool = False) -> None:
    with publisher(at) as client:
        infos = [client.publish(topic, payload, qos=qos, retain=retain) for payload in payloads]
        for info in infos:
            info.wait_for_publish(20)


@contextlib.contextmanager
def watching(at: BrokerAt, topic: str) -> Iterator[list[tuple[dict[str, Any], bool]]]:
    """(status, retained) of each message on a topic."""
    seen: list[tuple[dict[str, Any], bool]] = []
    ready: list[bool] = []
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)

    def subscribe(*_: Any) -> None:
        client.subscribe(topic, 1)

    client.on_connect = subscribe
    client.on_subscribe = lambda *_: ready.append(True)
    client.on_message = lambda _c, _d, message: seen.append((json.loads(message.payload), message.retain))
    client.connect(at.host, at.port)
    client.loop_start()
    try:
        wait_until(lambda: ready, "the watcher listens")
        yield seen
    finally:
        client.disconnect()
        client.loop_stop()


@VERSIONS
def test_a_message_comes_with_topic_payload_time_and_token(broker: Real, version: int) -> None:
    before_us = time.time_ns() // 1000
    with heard(broker.at, version, f"plain-{version}") as one:
        one.start()
        publish(broker.at, one.topic, [b"\x00\xff not text"])
        publish(broker.at, one.topic.replace("readings", "status"), [b"kept"], retain=True)
        publish(broker.at, one.topic, [b"at most once"], qos=0)
        wait_until(lambda: len(one.parcels) == 3, "all have come")
        first, second, third = one.parcels
        assert (first.topic, first.payload) == (one.topic, b"\x00\xff not text")
        assert before_us <= first.received_us <= time.time_ns() // 1000
        assert isinstance(first.token, Token)
        assert (second.payload, third.payload, third.token.qos) == (b"kept", b"at most once", 0)
        one.acknowledge()  # the token of the last one has nothing to acknowledge, and does no harm
        assert one.receiver.connected_since_us is not None


@VERSIONS
def test_what_was_not_acknowledged_comes_again_and_what_was_does_not(broker: Real, version: int) -> None:
    name = f"again-{version}"
    with heard(broker.at, version, name) as one:
        one.start()
        publish(broker.at, one.topic, [b"1", b"2", b"3", b"4"])
        wait_until(lambda: len(one.parcels) == 4, "all have come")
        one.acknowledge([one.parcels[0], one.parcels[2]])
        one.settle()
    publish(broker.at, one.topic, [b"5"])  # while nobody is there
    with heard(broker.at, version, name) as two:
        two.start()
        publish(broker.at, two.topic, [b"6"])
        wait_until(lambda: b"6" in two.payloads(), "the session goes on")
        assert two.payloads() == [b"2", b"4", b"5", b"6"]
        two.acknowledge()
        two.settle()
    with heard(broker.at, version, name) as three:
        three.start()
        publish(broker.at, three.topic, [b"7"])
        wait_until(lambda: three.payloads() == [b"7"], "nothing old is left")
        three.acknowledge()


@VERSIONS
def test_an_acknowledgement_from_an_earlier_connection_acknowledges_nothing(broker: Real, version: int) -> None:
    with heard(broker.at, version, f"stale-{version}") as one:
        one.start()
        publish(broker.at, one.topic, [b"1", b"2"])
        wait_until(lambda: len(one.parcels) == 2, "both have come")
        stale = list(one.parcels)
        one.drop()
        wait_until(lambda: len(one.parcels) == 4, "both come again")
        assert {parcel.token.epoch for parcel in stale} & {parcel.token.epoch for parcel in one.parcels[2:]} == set()
        one.acknowledge(stale)
        one.settle()
        one.drop()
        wait_until(lambda: len(one.parcels) == 6, "the stale tokens acknowledged nothing, so both come a third time")
        one.acknowledge(one.parcels[4:])
        publish(broker.at, one.topic, [b"3"])
        wait_until(lambda: len(one.parcels) == 7, "the connection is in order")
        one.acknowledge(one.parcels[6:])
        one.settle()
        one.drop()
        publish(broker.at, one.topic, [b"4"])
        wait_until(lambda: one.payloads()[7:] == [b"4"], "the fresh ones were acknowledged")


@VERSIONS
def test_many_messages_are_acknowledged_in_batches(broker: Real, version: int) -> None:
    name, payloads = f"many-{version}", [str(n).encode() for n in range(500)]
    with heard(broker.at, version, name, receive_maximum=50) as one:
        one.start()
        publish(broker.at, one.topic, payloads)
        done = 0
        while done < 500:
            wait_until(lambda done=done: len(one.parcels) > done, "more have come")  # type: ignore[misc]
            batch = one.parcels[done:]
            one.acknowledge(batch)
            done += len(batch)
        assert one.payloads() == payloads
        publish(broker.at, one.topic, [b"end"])
        wait_until(lambda: one.payloads()[-1] == b"end", "the last has come")
        one.acknowledge(one.parcels[-1:])
        one.settle()
    with heard(broker.at, version, name) as two:
        two.start()
        publish(broker.at, two.topic, [b"new"])
        wait_until(lambda: b"new" in two.payloads(), "the session goes on")
        assert two.payloads() == [b"new"]


@VERSIONS
def test_what_the_inbox_did_not_take_is_not_lost(broker: Real, version: int) -> None:
    name = f"refused-{version}"
    with heard(broker.at, version, name) as one:
        one.start()
        one.accepts = False
        publish(broker.at, one.topic, [b"1"])
    with heard(broker.at, version, name) as two:
        two.start()
        wait_until(lambda: two.payloads() == [b"1"], "it comes again")


@VERSIONS
def test_birth_and_last_will_say_whether_the_service_is_there(broker: Real, version: int) -> None:
    one = Heard(broker.at, version, f"will-{version}")
    with watching(broker.at, one.link.status_topic) as seen:
        one.start()
        wait_until(lambda: len(seen) == 1, "it is born")
        cut(one.receiver)  # no farewell: the broker speaks for it
        wait_until(lambda: len(seen) >= 3, "the broker told its last will, and it was born again")
        one.receiver.stop(5)
        wait_until(lambda: len(seen) >= 4, "it says good-bye")
    assert [status["state"] for status, _ in seen] == ["online", "offline", "online", "offline"]
    assert {status["service"] for status, _ in seen} == {one.link.client_id}
    assert all(status["at"].endswith("Z") for status, _ in seen)
    with watching(broker.at, one.link.status_topic) as late:
        wait_until(lambda: late, "the last word is retained")
        assert [(status["state"], retained) for status, retained in late] == [("offline", True)]


def test_it_goes_on_trying_until_a_broker_is_there(tmp_path: Path) -> None:
    port = free_port()
    one = Heard(BrokerAt("127.0.0.1", port, ""), 5, "patient")
    one.receiver.start()
    wait_until(lambda: "ConnectionRefusedError" in one.receiver.last_error, "the first attempt failed")
    assert one.receiver.connected_since_us is None
    with pytest.raises(ConnectionError, match=rf"broker 127.0.0.1:{port}: not connected \(ConnectionRefused"):
        one.receiver.publish("x", b"", 1.0)
    assert MOSQUITTO is not None
    config = tmp_path / "late.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nlog_type error\n")
    with running([MOSQUITTO, "-c", str(config)], tmp_path / "log"):
        wait_until(one.receiver.connected.is_set, "it has found the broker")
        one.receiver.stop(5)


@VERSIONS
def test_a_broker_that_refuses_is_named_with_its_reason(tmp_path: Path, version: int) -> None:
    assert MOSQUITTO is not None
    port, config = free_port(), tmp_path / "closed.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous false\nlog_type error\n")
    with running([MOSQUITTO, "-c", str(config)], tmp_path / "log"):
        wait_until(lambda: answers(port), "mosquitto answers")
        one = Heard(BrokerAt("127.0.0.1", port, ""), version, "stranger", username="who", password="what")
        refused = f"broker 127.0.0.1:{port} refused the connection: Not authorized"
        looks: list[bool] = []

        def stands() -> bool:
            looks.append(one.receiver.last_error == refused)
            return len(looks) > 20 and all(looks[-20:])

        one.receiver.start()
        try:
            wait_until(stands, "it says that it was refused, and why, for as long as it is so", 3.0)
        finally:
            one.receiver.stop(5)


def test_publishing_waits_for_the_broker_and_says_when_it_does_not_answer(broker: Real) -> None:
    with heard(broker.at, 5, "news") as one:
        one.start()
        with watching(broker.at, "news/v1/told") as seen:
            one.receiver.publish("news/v1/told", b'{"n":1}', 10)
            wait_until(lambda: seen, "it was published")
            assert seen == [({"n": 1}, False)]
            broker.process.send_signal(signal.SIGSTOP)
            try:
                with pytest.raises(TimeoutError, match=r"topic news/v1/told: no acknowledgement .* within 0\.3 s"):
                    one.receiver.publish("news/v1/told", b'{"n":2}', 0.3)
            finally:
                broker.process.send_signal(signal.SIGCONT)
            wait_until(lambda: len(seen) >= 2, "it came all the same")


def test_stopping_ends_the_thread_even_without_a_broker() -> None:
    one = Heard(BrokerAt("127.0.0.1", free_port(), ""), 5, "alone")
    one.receiver.start()
    wait_until(lambda: "Refused" in one.receiver.last_error, "the first attempt failed")
    started_s = time.monotonic()
    one.receiver.stop(5)
    assert time.monotonic() - started_s < 4
    assert not one.receiver._thread.is_alive()


class _Granted:
    is_failure = False


def test_listening_goes_on_from_where_it_was_less_the_gaps() -> None:
    """A link that reconnects again and again must not put off for ever that a gateway is called silent."""
    now = [1_000_000]
    link = Link("127.0.0.1", 1, 5, "x", None, None, None, 30, 3600, 10, 1.0, ("a/+/b", "a/+/c"), "a/s")
    receiver = Receiver(link, lambda _: True, lambda: now[0], iso)
    client = receiver._client

    def connect() -> None:
        receiver._on_subscribe(client, None, 1, [_Granted(), _Granted()], None)

    assert receiver.listened_since_us is None
    connect()
    assert receiver.listened_since_us == 1_000_000
    now[0] = 5_000_000
    receiver._lost()
    receiver._lost()  # told twice: by the callback and by the loop's end
    assert receiver.listened_since_us is None
    now[0] = 7_000_000
    connect()
    assert receiver.listened_since_us == 3_000_000
    assert receiver.connected_since_us == 7_000_000


def test_only_the_network_thread_writes_to_the_socket(broker: Real) -> None:
    """Acknowledgements come from the pipeline's thread; with TLS two writers at once end the process."""
    writers: set[str] = set()
    with contextlib.closing(Closing(Heard(broker.at, 5, "writers"))) as one:
        client = one.heard.receiver._client
        real = client._packet_write

        def packet_write() -> Any:
            writers.add(threading.current_thread().name)
            return real()

        client._packet_write = packet_write  # type: ignore[method-assign]
        one.heard.receiver.start()
        wait_until(one.heard.receiver.connected.is_set, "connected")
        with publisher(broker.at) as sender:
            for n in range(50):
                sender.publish("writers/v1/gw-1/readings", str(n), qos=1)
            wait_until(lambda: len(one.heard.parcels) == 50, "all came")
        one.heard.receiver.acknowledge([parcel.token for parcel in one.heard.parcels])
        one.heard.receiver.publish("writers/v1/news", b"x", 5)
    assert writers == {"receive"}


class Closing:
    """Stops a receiver at the end."""

    def __init__(self, heard: Heard) -> None:
        self.heard = heard

    def close(self) -> None:
        self.heard.receiver.stop(5)

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
    wait_until(
        lambda: "Connection refused; correct host and port" in one.receiver.last_error, "the first attempt failed"
    )
    assert one.receiver.connected_since_us is None
    with pytest.raises(ConnectionError, match=rf"not connected: broker 127.0.0.1:{port}: Connection refused"):
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
    wait_until(lambda: "refused" in one.receiver.last_error, "the first attempt failed")
    started_s = time.monotonic()
    one.receiver.stop(5)
    assert time.monotonic() - started_s < 4
    assert not one.receiver._thread.is_alive()


class _Code:
    """What a broker answers to one topic."""

    def __init__(self, *, is_failure: bool = False) -> None:
        self.is_failure = is_failure


GRANTED, REFUSED = _Code(), _Code(is_failure=True)


class _Client:
    """The client's face towards a broker: what was asked of it. Its packets are numbered from 1."""

    def __init__(self) -> None:
        self.asked: list[tuple[str, ...]] = []
        self.left: list[str] = []
        self.is_up = False

    def is_connected(self) -> bool:
        return self.is_up

    def subscribe(self, topics: list[tuple[str, int]]) -> tuple[int, int]:
        if not topics:
            raise ValueError("Empty topic list")  # as paho does
        self.asked.append(tuple(topic for topic, _ in topics))
        return 0, len(self.asked)

    def unsubscribe(self, topics: list[str]) -> None:
        self.left += topics

    def publish(self, *_: Any, **__: Any) -> None:
        pass


def without_a_broker(*topics: str, now: list[int]) -> tuple[Receiver, _Client]:
    link = Link("127.0.0.1", 1, 5, "x", None, None, None, 30, 3600, 10, 1.0, topics, "a/s")
    receiver, client = Receiver(link, lambda _: True, lambda: now[0], iso), _Client()
    receiver._client = client  # type: ignore[assignment]  # a stand-in
    return receiver, client


def connect(receiver: Receiver, client: _Client) -> None:
    client.is_up = True
    receiver._on_connect(client, None, None, GRANTED, None)  # type: ignore[arg-type]  # a stand-in


def answer(receiver: Receiver, number: int, *codes: _Code) -> None:
    receiver._on_subscribe(receiver._client, None, number, list(codes), None)


def test_a_topic_that_is_refused_while_connected_is_said_and_nothing_is_heard_until_it_is_granted() -> None:
    now = [1_000_000]
    receiver, client = without_a_broker("a/+/b", now=now)
    connect(receiver, client)
    answer(receiver, 1, GRANTED)
    assert receiver.connected.is_set()
    epoch = receiver._epoch
    now[0] = 3_000_000
    receiver.listen_to(("a/+/b", "new/+/c"))
    answer(receiver, 2, GRANTED, REFUSED)
    assert not receiver.connected.is_set()
    assert (receiver.connected_since_us, receiver.listened_since_us) == (None, None)
    assert receiver.last_error == (
        "broker 127.0.0.1:1 refused the subscription to new/+/c; allow it in the broker's access list"
    )
    assert receiver._epoch == epoch, "the connection stands: what comes by it can be acknowledged"
    receiver._listen_again(due_s=receiver._again_s - 0.1)
    assert len(client.asked) == 2, "not yet"
    receiver._listen_again(due_s=receiver._again_s)
    assert client.asked[2:] == [("a/+/b", "new/+/c")], "it goes on trying"
    now[0] = 8_000_000
    answer(receiver, 3, GRANTED, GRANTED)
    assert (receiver.connected_since_us, receiver.listened_since_us) == (8_000_000, 6_000_000)
    receiver._listen_again(due_s=1e12)
    assert len(client.asked) == 3, "granted is granted"


def test_after_a_refusal_other_topics_are_asked_for_at_once() -> None:
    receiver, client = without_a_broker("a/+/b", now=[1])
    connect(receiver, client)
    answer(receiver, 1, REFUSED)
    receiver.listen_to(("new/+/c",))
    assert (client.left, client.asked[1:]) == (["a/+/b"], [("new/+/c",)])
    answer(receiver, 2, GRANTED)
    assert receiver.connected.is_set()


def test_an_answer_is_held_against_what_it_answers() -> None:
    receiver, client = without_a_broker("a/+/b", now=[1])
    connect(receiver, client)
    receiver.listen_to(("bad/+/b",))
    receiver.listen_to(("c/+/b", "d/+/b"))
    answer(receiver, 1, GRANTED)
    answer(receiver, 2, REFUSED)
    assert not receiver.connected.is_set(), "of what it listens to now, nothing is known"
    assert receiver.last_error == "not connected yet"
    answer(receiver, 3, GRANTED, REFUSED)
    assert "refused the subscription to d/+/b;" in receiver.last_error


def test_topics_left_while_there_was_no_connection_are_taken_out_of_the_session_that_stayed() -> None:
    receiver, client = without_a_broker("a/+/b", "c/+/b", now=[1])
    receiver.listen_to(("c/+/b",))
    assert (client.left, client.asked) == ([], [])
    connect(receiver, client)
    assert (client.left, client.asked) == (["a/+/b"], [("c/+/b",)])
    receiver._lost()
    connect(receiver, client)
    assert client.left == ["a/+/b"] * 2, "nothing was answered"
    answer(receiver, 2, GRANTED)
    connect(receiver, client)
    assert client.left == ["a/+/b"] * 2, "the session has it no longer"


def test_a_broker_from_which_nothing_is_wanted_is_connected_all_the_same() -> None:
    receiver, client = without_a_broker(now=[7])
    connect(receiver, client)
    assert receiver.connected.is_set()
    assert (receiver.connected_since_us, client.asked) == (7, [])
    receiver.listen_to(("a/+/b",))
    answer(receiver, 1, GRANTED)
    receiver.listen_to(())
    assert receiver.connected.is_set()
    assert client.left == ["a/+/b"]


@VERSIONS
def test_other_topics_take_the_place_of_the_first_in_the_same_session(broker: Real, version: int) -> None:
    name = f"moves-{version}"
    publish(broker.at, f"{name}/v2/gw-1/readings", [b"kept"], retain=True)
    with heard(broker.at, version, name, topics=()) as one:
        one.start()
        one.receiver.listen_to((f"{name}/v1/+/readings",))
        publish(broker.at, one.topic, [b"kept"], retain=True)
        wait_until(lambda: one.payloads() == [b"kept"], "it listens to the first")
        one.receiver.listen_to((f"{name}/v2/+/readings",))
        wait_until(lambda: one.payloads() == [b"kept"] * 2, "it listens to the second")
        publish(broker.at, one.topic, [b"no more"])
        publish(broker.at, f"{name}/v2/gw-1/readings", [b"new"])
        wait_until(lambda: len(one.parcels) == 3, "the last came")
        assert one.payloads() == [b"kept", b"kept", b"new"]


def test_stopping_is_over_within_its_time_when_the_broker_does_not_answer(broker: Real) -> None:
    with heard(broker.at, 5, "slow") as one:
        one.start()
        one.accepts = False
        held = threading.Event()
        one.receiver._put = lambda _: held.wait(30)
        publish(broker.at, one.topic, [b"x"])
        broker.process.send_signal(signal.SIGSTOP)
        try:
            started_s = time.monotonic()
            one.receiver.stop(1.0)
            assert time.monotonic() - started_s < 1.5
        finally:
            broker.process.send_signal(signal.SIGCONT)
            held.set()


def test_listening_goes_on_from_where_it_was_less_the_gaps() -> None:
    """A link that reconnects again and again must not put off for ever that a gateway is called silent."""
    now = [1_000_000]
    receiver, client = without_a_broker("a/+/b", "a/+/c", now=now)

    def come() -> None:
        connect(receiver, client)
        answer(receiver, len(client.asked), GRANTED, GRANTED)

    assert receiver.listened_since_us is None
    come()
    assert receiver.listened_since_us == 1_000_000
    now[0] = 5_000_000
    receiver._lost()
    receiver._lost()  # told twice: by the callback and by the loop's end
    assert receiver.listened_since_us is None
    now[0] = 7_000_000
    come()
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

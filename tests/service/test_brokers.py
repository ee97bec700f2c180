"""Several brokers: each acknowledged by its own, one heard at least, and a change while others walk over them."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from service.brokers import Brokers
from service.model import MAIN, Parcel
from service.receive.access import Secret
from service.receive.mqtt import Link

LINK = Link(
    host="h",
    port=1,
    version=5,
    client_id="c",
    username=None,
    password=None,
    tls=None,
    keepalive_s=60,
    session_expiry_s=3600,
    receive_maximum=10,
    reconnect_longest_s=1.0,
    topics=("a/#",),
    status_topic="s",
)


class Fake:
    """The face of a receiver."""

    def __init__(self, name: str, link: Link) -> None:
        self.name, self.link = name, link
        self.acknowledged: list[Any] = []
        self.did: list[Any] = []
        self.stopping: Callable[[], Any] = lambda: None
        self.connected_since_us: int | None = None
        self.listened_since_us: int | None = None

    def acknowledge(self, tokens: list[Any]) -> None:
        self.acknowledged += tokens

    def start(self) -> None:
        self.did.append("start")

    def stop(self, _timeout_s: float) -> None:
        self.did.append("stop")
        self.stopping()

    def publish(self, topic: str, payload: bytes, timeout_s: float) -> None:
        self.did.append((topic, payload, timeout_s))

    def listen_to(self, topics: tuple[str, ...]) -> None:
        self.did.append(topics)


def made(*names: str) -> tuple[Brokers, dict[str, Fake]]:
    fakes: dict[str, Fake] = {}

    def make(name: str, link: Link) -> Any:
        fakes[name] = Fake(name, link)
        return fakes[name]

    return Brokers(dict.fromkeys((MAIN, *names), LINK), make), fakes


def parcels(*brokers: str) -> list[Parcel]:
    return [Parcel("t", b"", 0, f"{broker} {n}", broker=broker) for n, broker in enumerate(brokers)]


def test_each_message_is_acknowledged_at_its_own_broker() -> None:
    brokers, fakes = made("annex")
    brokers.acknowledge(parcels(MAIN, "annex", MAIN))
    assert (fakes[MAIN].acknowledged, fakes["annex"].acknowledged) == (["main 0", "main 2"], ["annex 1"])


def test_a_message_of_a_broker_that_is_gone_is_never_acknowledged_at_another() -> None:
    brokers, fakes = made("annex")
    brokers.change({MAIN: LINK})
    assert fakes["annex"].did == ["stop"]
    brokers.acknowledge(parcels("annex", MAIN))
    assert fakes[MAIN].acknowledged == ["main 1"]


def test_what_is_new_is_started_and_what_stays_listens_to_its_topics() -> None:
    brokers, fakes = made()
    walked = brokers._receivers
    brokers.change({MAIN: replace(LINK, topics=("b/#",)), "annex": LINK})
    assert (fakes[MAIN].did, fakes["annex"].did) == ([("b/#",)], ["start"])
    assert list(walked) == [MAIN], "whoever walks over the old ones is not disturbed"


def test_a_broker_with_another_address_is_another_connection() -> None:
    brokers, fakes = made("annex")
    old = fakes["annex"]
    brokers.change({MAIN: LINK, "annex": replace(LINK, port=2)})
    assert (old.did, fakes["annex"].did, fakes["annex"].link.port) == (["stop"], ["start"], 2)


def test_a_password_that_was_renewed_is_the_same_connection_and_one_at_another_place_is_another() -> None:
    brokers, fakes = made("annex")
    old = dict(fakes)
    brokers.change(dict.fromkeys((MAIN, "annex"), replace(LINK, password="new")))
    assert (fakes, brokers.main) == (old, old[MAIN])
    elsewhere = Secret("broker[annex].password_file", Path("/another"))
    brokers.change({MAIN: LINK, "annex": replace(LINK, secret=elsewhere)})
    assert (old["annex"].did[-1], fakes["annex"].link.secret) == ("stop", elsewhere)


def test_what_is_published_goes_to_the_main_broker_of_now() -> None:
    brokers, fakes = made("annex")
    publish = brokers.publish
    brokers.change({MAIN: replace(LINK, port=2), "annex": LINK})
    publish("t", b"x", 3.0)
    assert fakes[MAIN].link.port == 2
    assert fakes[MAIN].did == ["start", ("t", b"x", 3.0)]


@pytest.mark.parametrize("by", ["change", "stop"])
def test_those_that_are_left_are_stopped_at_the_same_time(by: str) -> None:
    brokers, fakes = made("annex", "barn", "cellar")
    gone = [fakes[name] for name in ("annex", "barn", "cellar")] + ([fakes[MAIN]] if by == "stop" else [])
    together = threading.Barrier(len(gone))
    for fake in gone:
        fake.stopping = lambda: together.wait(20)  # broken when one is stopped after the other
    if by == "change":
        brokers.change({MAIN: LINK})
    else:
        brokers.stop(1.0)
    assert [fake.did for fake in gone] == [["stop"]] * len(gone)


def test_each_broker_that_is_heard_says_since_when() -> None:
    brokers, fakes = made("annex")
    assert brokers.heard() == {}
    fakes[MAIN].connected_since_us, fakes[MAIN].listened_since_us = 7, 5
    assert brokers.heard() == {MAIN: (7, 5)}
    fakes["annex"].connected_since_us, fakes["annex"].listened_since_us = 9, 3
    assert brokers.heard() == {MAIN: (7, 5), "annex": (9, 3)}

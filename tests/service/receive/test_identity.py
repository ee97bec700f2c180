"""Who published: as the broker says it, and refused where it does not say that it is the gateway itself."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.decode.adjust import Adjuster, Rules, Tag
from service.decode.form import Arrived, Read, Stateless, Template
from service.decode.intake import Intake, Source
from service.decode.native_source import NativeForm, native_sources
from service.decode.plain import PlainForm
from service.model import GatewayMessage, GatewayReading, Parcel
from tests import parts
from tests.service.receive.test_mqtt import Heard, heard

AT = 1_700_000_000.0
NAMES = Rules(gateways={"A0": "gw-0", "B0": "gw-1"}, tags={"p": Tag("dp", "inH2O")})


class Remembers:
    """A form with a memory that what is forged must not get into."""

    def __init__(self) -> None:
        self.seen: list[str] = []

    def read(self, arrived: Arrived) -> Read:
        self.seen.append(arrived.topic)
        gateway = arrived.parts.get("gateway", "gw-0")
        return Read(messages=[GatewayMessage(gateway, [GatewayReading("dp", AT, "Pa", 1.0)])])

    def due(self, now_us: int) -> Read:  # noqa: ARG002 - the form's signature
        return Read()

    def changed(self) -> dict[str, bytes]:
        return {}

    def load(self, saved: object) -> None:
        """Nothing."""


class Several(Stateless):
    """Says readings of two gateways in one message."""

    def read(self, arrived: Arrived) -> Read:  # noqa: ARG002 - the form's signature
        return Read(messages=[GatewayMessage(name, []) for name in ("gw-0", "gw-1")])


MEMORY = Remembers()
SOURCES = (
    *native_sources("d/+/readings", "d/+/status", 100),
    Source("plain", "main", (Template("works/{gateway}/{tag}"),), PlainForm(), Adjuster(NAMES)),
    Source("one", "main", (Template("one/{tag}"),), PlainForm(), Adjuster(NAMES), gateway="A0"),
    Source("body", "main", (Template("body"),), NativeForm(), keeps_part=True),
    Source("several", "main", (Template("several"),), Several()),
    Source("memory", "main", (Template("memory/{gateway}"), Template("nameless")), MEMORY),
    Source("elsewhere", "annex", (Template("works/{gateway}/{tag}"),), PlainForm(), Adjuster(NAMES)),
)


def intake(*identified: str) -> Intake:
    return Intake(SOURCES, payload_bytes=5000, readings_most=100, identified=identified)


def parcel(topic: str, payload: bytes, *identity: str, broker: str = "main") -> Parcel:
    return Parcel(topic, payload, 5_000_000, broker=broker, identity=identity)


NATIVE = parts.message("gw-0", 7, [("dp", AT, 3.0)])
STATUS = b'{"gateway":"gw-0","state":"offline"}'

TAKEN = {
    "its own topic": parcel("d/gw-0/readings", NATIVE, "gw-0"),
    "its own will": parcel("d/gw-0/status", STATUS, "gw-0"),
    "its own name, as it arrives": parcel("works/A0/p", b"3", "A0"),
    "its name in the plant file": parcel("works/A0/p", b"3", "gw-0"),
    "the source's one gateway": parcel("one/p", b"3", "A0"),
    "its name in the payload alone": parcel("body", NATIVE, "gw-0"),
    "a form with a memory": parcel("memory/gw-0", b"", "gw-0"),
    "a broker that is not asked": parcel("works/A0/p", b"3", broker="annex"),
}
FORGED = {
    "another's topic": (parcel("d/gw-0/readings", NATIVE, "gw-1"), "gateway 'gw-0': published by 'gw-1'"),
    "another's will": (parcel("d/gw-0/status", STATUS, "gw-1"), "gateway 'gw-0': published by 'gw-1'"),
    "another's name, as it arrives": (parcel("works/A0/p", b"3", "B0"), "gateway 'A0': published by 'B0'"),
    "another's name in the plant file": (parcel("works/A0/p", b"3", "gw-1"), "gateway 'A0': published by 'gw-1'"),
    "not the source's one gateway": (parcel("one/p", b"3", "B0"), "gateway 'A0': published by 'B0'"),
    "another's name in the payload": (parcel("body", NATIVE, "gw-1"), "gateway 'gw-0': published by 'gw-1'"),
    "another's beside its own": (parcel("several", b"", "gw-0"), "gateway 'gw-1': published by 'gw-0'"),
    "no proof": (parcel("d/gw-0/readings", NATIVE), "publisher: the broker names none; expected exactly one"),
    "two proofs": (parcel("d/gw-0/readings", NATIVE, "gw-0", "gw-1"), "the broker names 2; expected exactly one"),
    "the same proof twice": (parcel("d/gw-0/readings", NATIVE, "gw-0", "gw-0"), "the broker names 2"),
    "an empty proof": (parcel("d/gw-0/readings", NATIVE, ""), "published by ''; expected the gateway itself"),
    "in capitals": (parcel("d/gw-0/readings", NATIVE, "GW-0"), "published by 'GW-0'"),
    "a form with a memory": (parcel("memory/gw-0", b"", "gw-1"), "gateway 'gw-0': published by 'gw-1'"),
    "a form with a memory, no name in the topic": (
        parcel("nameless", b"", "gw-0"),
        "does not say the gateway before the message is read; expected a part {gateway}",
    ),
    "no JSON": (parcel("d/gw-0/readings", b"{", "gw-1"), "gateway 'gw-0': published by 'gw-1'"),
}


@pytest.mark.parametrize("one", TAKEN.values(), ids=TAKEN)
def test_what_the_gateway_published_itself_is_taken(one: Parcel) -> None:
    taken = intake("main").take(one)
    assert taken.rejected == []
    assert {said.gateway for said in taken.messages} | {said.gateway for said in taken.statuses} == {"gw-0"}


@pytest.mark.parametrize(("one", "text"), FORGED.values(), ids=FORGED)
def test_what_it_did_not_is_refused_whole_and_nothing_of_it_is_remembered(one: Parcel, text: str) -> None:
    MEMORY.seen.clear()
    taken = intake("main").take(one)
    (refused,) = taken.rejected
    assert (refused.code, refused.payload, refused.topic) == ("identity-mismatch", one.payload, one.topic)
    assert text in refused.reason
    assert (taken.messages, taken.statuses, taken.heard, taken.waited, taken.asks) == ([], [], [], [], [])
    assert MEMORY.seen == []


@pytest.mark.parametrize("one", [one for one, _ in FORGED.values() if one.topic.startswith("d/")][:2])
def test_nobody_is_asked_where_the_setting_is_off(one: Parcel) -> None:
    assert intake().take(one).rejected == []


def test_the_number_of_a_message_that_cannot_be_read_counts_only_with_proof() -> None:
    unreadable = b'{"gateway":"gw-0","boot":"b1","seq":7,"readings":1}'
    for identity, heard_of in (("gw-0", [("gw-0", 7)]), ("gw-1", [])):
        taken = intake("main").take(parcel("body", unreadable, identity))
        assert [refused.code for refused in taken.rejected] == ["message-invalid"]
        assert [(said.gateway, said.seq) for said in taken.heard] == heard_of


def test_what_comes_from_quarantine_needs_its_proof_again() -> None:
    (refused,) = intake("main").take(parcel("d/gw-0/readings", NATIVE), is_again=True).rejected
    assert refused.code == "identity-mismatch"
    assert intake("main").take(parcel("d/gw-0/readings", NATIVE, "gw-0"), is_again=True).rejected == []
    assert intake().take(parcel("d/gw-0/readings", NATIVE), is_again=True).rejected == []


# ---------------------------------------------------------------- with a real broker


def named(*pairs: tuple[str, str]) -> Properties:
    found = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]  # paho leaves it untyped
    for pair in pairs:
        found.UserProperty = pair
    return found


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[parts.BrokerAt]:
    with parts.mosquitto(tmp_path_factory.mktemp("broker")) as found:
        yield found


def sent(broker: parts.BrokerAt, one: Heard) -> list[tuple[str, ...]]:
    """What the receiver takes from a message with no, with one, and with two such properties, in this order."""
    one.receiver.start()
    parts.wait_until(one.receiver.connected.is_set, "it is connected")
    with parts.publisher(broker) as client:
        for pairs in ([], [("by", "gw-1"), ("other", "x")], [("by", "gw-1"), ("by", "gw-2")]):
            client.publish(one.topic, b"", qos=1, properties=named(*pairs)).wait_for_publish(20)
    parts.wait_until(lambda: len(one.parcels) == 3, "all came")
    return [each.identity for each in one.parcels]


@pytest.mark.broker
def test_the_receiver_takes_every_value_of_the_property_and_of_no_other(broker: parts.BrokerAt) -> None:
    with heard(broker, 5, "asks", identity_property="by") as one:
        assert sent(broker, one) == [(), ("gw-1",), ("gw-1", "gw-2")]
    with heard(broker, 5, "does-not-ask") as one:
        assert sent(broker, one) == [(), (), ()]


@pytest.mark.broker
def test_a_forged_message_ends_in_quarantine_and_stays_there(broker: parts.BrokerAt, tmp_path: Path) -> None:
    """This broker passes on what publishers set: here they are honest, so that it can stand for one that sets it."""
    daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(2))
    config = tmp_path / "d" / "dustcake.toml"
    config.write_text(config.read_text().replace("[web]", 'identity_property = "by"\n[web]'))
    try:
        daemon.start()
        now_s = time.time()
        plan: list[tuple[str, str, list[tuple[str, str]]]] = [
            ("gw-0", "dp", [("by", "gw-0")]),
            ("gw-0", "dp", [("by", "gw-1")]),
            ("gw-1", "dp", []),
            ("gw-0", "nobody", [("by", "gw-0")]),
            ("gw-1", "dp", [("by", "gw-1")]),
        ]
        with parts.publisher(broker) as client:
            for number, (gateway, tag, pairs) in enumerate(plan):
                body = parts.message(gateway, number, [("dp", now_s, 2.0 + number)]).replace(
                    b'"dp"', b'"%s"' % tag.encode()
                )
                topic = f"dustcake/v1/{gateway}/readings"
                client.publish(topic, body, qos=1, properties=named(*pairs)).wait_for_publish(20)
        parts.wait_until(lambda: _values(daemon) == {"c-0": 2.0, "c-1": 6.0}, "both own messages are there")
        parts.wait_until(lambda: len(daemon.get("/api/v1/quarantine")) == 3, "the unknown tag is kept")
        (own, *refused) = daemon.get("/api/v1/quarantine")
        assert (own["code"], own["publisher"]) == ("tag-unknown", "gw-0")
        assert [row["publisher"] for row in refused] == [None, "gw-1"]
        assert {row["code"] for row in refused} == {"identity-mismatch"}
        assert sorted(row["topic"] for row in refused) == [f"dustcake/v1/gw-{n}/readings" for n in (0, 1)]
        again = daemon.post("/api/v1/quarantine/again", {"who": "ann"})
        assert (again["through"], again["still_kept"]) == (0, 3)
        assert daemon.get("/api/v1/quarantine")[0]["code"] == "tag-unknown", "the proof was kept with it"
        assert daemon.stop() == 0
    finally:
        daemon.end()


def _values(daemon: parts.Daemon) -> dict[str, float]:
    """The last dp of each collector that has one."""
    return {
        one["id"].rpartition("/")[2]: round(point["last_value"], 6)
        for one in daemon.get("/api/v1/overview")["collectors"]
        for point in one["points"]
        if point["name"] == "dp" and point["last_value"] is not None
    }

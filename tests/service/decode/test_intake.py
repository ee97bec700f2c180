"""From a message to what it says: the right source, the rules applied, refusals with the whole message or its part."""

from __future__ import annotations

from typing import Any

from service.decode.adjust import Adjuster, Rules, Tag, Timing
from service.decode.form import Arrived, Ask, Read, Stateless, Template, Waited
from service.decode.intake import Intake, Source
from service.decode.native_source import native_sources
from service.decode.plain import PlainForm
from service.decode.senml import SenmlForm
from service.model import Delivery, GatewayMessage, GatewayReading, GatewayStatus, Parcel
from service.sources.form import Sources
from service.sourcing import build

NATIVE = native_sources("dustcake/v1/+/readings", "dustcake/v1/+/status", 100)


def intake(*more: Source, **bounds: Any) -> Intake:
    return Intake([*NATIVE, *more], **({"payload_bytes": 1000, "readings_most": 100} | bounds))


def plain(**rest: Any) -> Source:
    adjuster = Adjuster(Rules(gateways={"A0": "gw-1"}, tags={"p": Tag("dp", "inH2O")}))
    return Source("plain", "annex", (Template("works/{gateway}/{tag}"),), PlainForm(), adjuster, **rest)


def parcel(payload: bytes, topic: str = "works/A0/p", broker: str = "annex") -> Parcel:
    return Parcel(topic, payload, 5_000_000, broker=broker)


def test_a_value_comes_out_as_the_plant_file_knows_it() -> None:
    taken = intake(plain()).take(parcel(b"3.5"))
    assert taken.messages == [GatewayMessage("gw-1", [GatewayReading("dp", 5.0, "inH2O", 3.5)])]
    assert (taken.heard, taken.rejected) == (taken.messages, [])


def test_what_is_refused_of_other_forms_is_the_whole_message() -> None:
    taken = intake(plain()).take(parcel(b"3.5", "works/A0/q"))
    (refused,) = taken.rejected
    assert (refused.payload, refused.topic, refused.code, refused.readings) == (
        b"3.5",
        "works/A0/q",
        "reading-invalid",
        1,
    )
    assert "add unit" in refused.reason


def test_a_topic_of_another_broker_has_no_source() -> None:
    (refused,) = intake(plain()).take(parcel(b"3.5", broker="main")).rejected
    assert "as settings and sources name them" in refused.reason


def test_a_message_that_is_too_long_or_of_too_many_readings_is_refused() -> None:
    (long,) = intake(plain(), payload_bytes=2).take(parcel(b"3.5")).rejected
    assert "expected at most 2" in long.reason
    many = b'{"gateway":"g","readings":[' + b",".join([b'{"tag":"a","at":1.0,"unit":"Pa","value":1}'] * 3) + b"]}"
    found = intake(readings_most=2).take(parcel(many, "dustcake/v1/g/readings", "main"))
    assert "3 readings" in found.rejected[0].reason


class Breaks(Stateless):
    def read(self, arrived: Arrived) -> Read:
        raise RuntimeError(arrived.topic)


def test_a_fault_of_ours_keeps_the_message_and_says_so() -> None:
    source = Source("breaks", "annex", (Template("works/{gateway}/{tag}"),), Breaks())
    (refused,) = intake(source).take(parcel(b"3.5")).rejected
    assert (refused.code, refused.payload) == ("broken", b"3.5")


class Waits:
    """Holds a message back until it is asked, and remembers how many."""

    def __init__(self) -> None:
        self.count, self.is_changed = 0, False

    def read(self, arrived: Arrived) -> Read:
        self.count, self.is_changed = self.count + 1, True
        return Read(asks=[Ask("node", arrived.payload, "A0")])

    def due(self, now_us: int) -> Read:
        message = GatewayMessage("A0", [GatewayReading("p", now_us / 1e6, "", 1.0)])
        return Read(waited=[Waited(message, now_us)] * self.count)

    def changed(self) -> dict[str, bytes]:
        changed, self.is_changed = ({"count": b"%d" % self.count} if self.is_changed else {}), False
        return changed

    def load(self, saved: Any) -> None:
        self.count = int(saved.get("count", 0))


def waiting() -> Source:
    adjuster = Adjuster(Rules(gateways={"A0": "gw-1"}, tags={"p": Tag("dp", "inH2O", is_counter=True)}))
    return Source("waits", "annex", (Template("works/{gateway}/{tag}"),), Waits(), adjuster)


def test_what_waited_comes_out_when_it_is_due_under_the_rules() -> None:
    made = intake(waiting())
    assert made.take(parcel(b"x")).asks == [("annex", Ask("node", b"x", "A0"))]
    ((_, taken),) = made.due(7_000_000)
    assert taken.waited == [GatewayMessage("gw-1", [GatewayReading("dp", 7.0, "inH2O", 1.0)])]


def test_what_forms_and_rules_remember_is_saved_once_and_taken_up_by_name() -> None:
    made = intake(waiting())
    made.take(parcel(b"x"))
    list(made.due(7_000_000))
    saved = made.changed()
    assert {(name, key) for name, key, _ in saved} == {("waits", "form count"), ("waits", "rule A0/p")}
    assert made.changed() == ()
    after = intake(waiting())
    after.load([*saved, ("gone", "form count", b"7")])
    assert len(next(iter(after.due(8_000_000)))[1].waited) == 1


def test_a_stranger_spoils_its_own_message_only() -> None:
    class Two(Stateless):
        def read(self, arrived: Arrived) -> Read:
            reading = GatewayReading("p", arrived.received_us / 1e6, "Pa", 1.0)
            return Read([GatewayMessage(name, [reading]) for name in ("A0", "B7")])

    rules = Adjuster(Rules(gateways={"A0": "gw-1"}, only_named=True))
    taken = intake(Source("two", "annex", (Template("works/{x}"),), Two(), rules)).take(parcel(b"x", "works/1"))
    assert [message.gateway for message in taken.messages] == ["gw-1"]
    (refused,) = taken.rejected
    assert "not one of the source's gateways" in refused.reason


class Falls(Breaks):
    def due(self, now_us: int) -> Read:
        raise RuntimeError(now_us)


def test_a_form_that_breaks_while_it_lets_something_go_does_not_end_the_pipeline() -> None:
    ((_, taken),) = intake(Source("falls", "annex", (Template("works/{x}"),), Falls())).due(1)
    assert [item.code for item in taken.rejected] == ["broken"]


class Says(Stateless):
    """A form that says what it is told."""

    def __init__(self, **said: Any) -> None:
        self.said = said

    def read(self, _arrived: Arrived) -> Read:
        return Read(**{name: list(value) for name, value in self.said.items()})


def saying(rules: Rules, **said: Any) -> Source:
    return Source("says", "annex", (Template("works/{x}/{y}"),), Says(**said), Adjuster(rules))


def test_what_was_let_go_comes_before_the_message_and_is_dated_by_its_own_arrival() -> None:
    rules = Rules(tags={"n": Tag(unit="count", is_counter=True)}, timing=Timing("arrival"))
    early, now, late = (GatewayMessage("A0", [GatewayReading("n", "", "", raw)]) for raw in (110.0, 4.0, 9.0))
    source = saying(rules, before=[Waited(early, 4_000_000)], messages=[now], waited=[Waited(late, 6_000_000)])
    taken = intake(source).take(parcel(b""))
    found = [message.readings[0] for message in (taken.waited[0], *taken.messages, taken.waited[1])]
    assert [(reading.at, reading.value) for reading in found] == [(4.0, 110.0), (5.0, 114.0), (6.0, 119.0)]


def test_a_message_of_too_many_readings_is_refused_and_what_it_let_go_is_not() -> None:
    reading = GatewayReading("p", 5.0, "Pa", 1.0)
    source = saying(
        Rules(),
        messages=[GatewayMessage("A0", [reading] * 3, "b", 1)],
        waited=[Waited(GatewayMessage("A0", [reading], "b", 2), 5_000_000)],
        statuses=[GatewayStatus("A0", "online")],
        asks=[Ask("node", b"x", "A0")],
    )
    taken = intake(source, readings_most=2).take(parcel(b""))
    assert [(message.seq, len(message.readings)) for message in taken.heard] == [(1, 0), (2, 1)]
    assert (len(taken.statuses), len(taken.asks)) == (1, 1)
    (refused,) = taken.rejected
    assert (refused.code, refused.readings) == ("reading-invalid", 3)


def test_a_stranger_says_nothing_of_other_gateways_and_is_asked_nothing() -> None:
    said = {
        "statuses": [GatewayStatus("gw-0", "offline"), GatewayStatus("A0", "online")],
        "asks": [Ask("x", b"", "gw-0"), Ask("a", b"", "A0")],
    }
    taken = intake(saying(Rules(gateways={"A0": "gw-0"}, only_named=True), **said)).take(parcel(b""))
    assert taken.statuses == [GatewayStatus("gw-0", "online")]
    assert [ask.topic for _, ask in taken.asks] == ["a"]
    assert "gateway 'gw-0': not one of the source's gateways" in taken.rejected[0].reason


def test_the_number_of_a_refused_message_is_that_of_the_gateway_in_the_plant_file() -> None:
    source = build(
        Sources.model_validate(
            {
                "source": [
                    {"name": "n", "form": "native", "topics": ["works/{gateway}/r"], "gateways": {"A0": "gw-cut-1"}}
                ]
            }
        ).source[0],
        100,
    )
    taken = intake(source).take(parcel(b'{"gateway":"A0","boot":"b","seq":2,"readings":1}', "works/A0/r", "main"))
    assert [(message.gateway, message.seq) for message in taken.heard] == [("gw-cut-1", 2)]


def test_forms_and_rules_know_plant_time_only() -> None:
    made = intake(plain(), plant_of=lambda wall_us: 240 * wall_us)
    assert made.take(parcel(b"3.5")).messages[0].readings[0].at == 1200.0


def test_a_value_that_the_broker_had_kept_is_refused_where_only_its_arrival_dates_it() -> None:
    kept = Parcel("works/A0/p", b"3.5", 5_000_000, delivery=Delivery(7, is_retained=True), broker="annex")
    taken = intake(plain()).take(kept)
    assert taken.messages[0].readings == []
    assert "kept by the broker" in taken.rejected[0].reason
    senml = Source("s", "annex", (Template("works/{gateway}/{x}"),), SenmlForm(), Adjuster(Rules()))
    for record, count in (('"t":-5,', 0), ("", 0), ('"bt":1795593600,', 1)):
        payload = f'[{{"n":"dp","u":"Pa",{record}"v":1}}]'.encode()
        taken = intake(senml).take(Parcel("works/A0/p", payload, 5_000_000, delivery=kept.delivery, broker="annex"))
        assert [len(message.readings) for message in taken.messages] == [count]
        assert len(taken.rejected) == 1 - count


def test_the_memory_that_another_form_left_behind_keeps_nothing_from_starting() -> None:
    intake(plain()).load([("plain", "form works/n1", b"{}"), ("plain", "rule A0/p", b"{")])

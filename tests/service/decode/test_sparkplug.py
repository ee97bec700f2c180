"""Sparkplug sessions: births, deaths, the order of messages, and what is remembered over a restart.

The messages are made by an independent implementation (pysparkplug); the rules are those of Sparkplug 3.0.0.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pysparkplug
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.decode import sparkplug, sparkplug_node, sparkplug_nodes
from service.decode.form import Arrived, Read
from service.decode.sparkplug import ASK_EVERY_US, REORDER_US, SparkplugForm
from service.decode.sparkplug_node import REBORN_WITHIN_US
from service.decode.sparkplug_payload import decoded
from service.model import BadInput, GatewayMessage, GatewayReading, GatewayStatus
from simulators.forms.sparkplug import Encoder
from tests.service.decode.test_sparkplug_payload import field, properties

SECOND_US = 1_000_000
AT_US = 1_795_593_600_000_000  # 2026-11-25T08:00:00Z
AT_MS = AT_US // 1000
AT_S = AT_MS / 1000
KIND = pysparkplug.DataType
BIRTH, DEATH, DATA = "spBv1.0/works/NBIRTH/gw-1", "spBv1.0/works/NDEATH/gw-1", "spBv1.0/works/NDATA/gw-1"
D_BIRTH, D_DEATH, D_DATA = (f"spBv1.0/works/{kind}/gw-1/plc" for kind in ("DBIRTH", "DDEATH", "DDATA"))
ASKED = "spBv1.0/works/NCMD/gw-1"


def metric(name: str | None, value: Any, alias: int | None = None, kind: KIND = KIND.DOUBLE, **more: Any) -> Any:
    return pysparkplug.Metric(more.pop("at_ms", AT_MS), name, kind, value=value, alias=alias, **more)


def bd_seq(death: int) -> Any:
    return metric("bdSeq", death, kind=KIND.INT64)


DP, HEADER = metric("dp", 1.0, 1), metric("header", 90.0, 2)
DEVICE_DP = metric("dp", 7.0, 11)


def birth(*metrics: Any, death: int = 0, seq: int = 0, at_ms: int = AT_MS) -> bytes:
    return bytes(pysparkplug.NBirth(at_ms, seq, (bd_seq(death), *(metrics or (DP, HEADER)))).encode())


def device_birth(seq: int, *metrics: Any, at_ms: int = AT_MS) -> bytes:
    return bytes(pysparkplug.DBirth(at_ms, seq, metrics or (DEVICE_DP,)).encode())


def data(seq: int, *metrics: Any, at_ms: int = AT_MS) -> bytes:
    """Data by alias, without data types; without metrics the value says which message it was."""
    return bytes(pysparkplug.NData(at_ms, seq, metrics or (metric(None, float(seq), 1),)).encode())


def death(number: int = 0) -> bytes:
    return bytes(pysparkplug.NDeath(AT_MS, bd_seq(number)).encode())


def device_death(seq: int, at_ms: int = AT_MS) -> bytes:
    return bytes(pysparkplug.DDeath(at_ms, seq).encode())


def read(form: SparkplugForm, topic: str, payload: bytes, at_us: int = AT_US, *, is_again: bool = False) -> Read:
    return form.read(Arrived(topic, payload, at_us, {}, is_again))


def born(*, seq: int = 0, **settings: Any) -> SparkplugForm:
    """A form that has heard one birth."""
    form = SparkplugForm(**settings)
    assert read(form, BIRTH, birth(seq=seq)).faults == []
    return form


def with_device(**settings: Any) -> SparkplugForm:
    form = born(**settings)
    assert read(form, D_BIRTH, device_birth(1)).faults == []
    return form


def values(found: Read) -> list[float | None]:
    """Of the message itself and of those that had waited, by their numbers."""
    return [reading.value for message in ordered(found) for reading in message.readings]


def ordered(found: Read) -> list[GatewayMessage]:
    """What came before the message itself has lower numbers, but for one from behind."""
    messages = found.messages + [each.message for each in found.before + found.waited]
    return sorted(messages, key=lambda message: -1 if message.seq is None else message.seq)


def numbers(found: Read) -> list[int | None]:
    return [message.seq for message in ordered(found)]


def bad_readings(found: Read) -> list[tuple[str, str | float]]:
    """Tags and times, of a message that has no others."""
    readings = [reading for message in ordered(found) for reading in message.readings]
    assert all((reading.value, reading.quality) == (None, "bad") for reading in readings)
    return [(reading.tag, reading.at) for reading in readings]


def keep(form: SparkplugForm, ledger: dict[str, bytes]) -> None:
    """As the ledger does: an empty body deletes."""
    ledger |= form.changed()
    for key in [key for key, body in ledger.items() if not body]:
        del ledger[key]


def reloaded(form: SparkplugForm) -> SparkplugForm:
    """Another form with all that this one remembers. For the test, everything counts as changed."""
    ledger: dict[str, bytes] = {}
    nodes = form._nodes
    for key, node in nodes._nodes.items():
        place, names = node.saved()
        ledger |= {f"{key}/place": place, key: names} | (
            {f"{key}/former": body} if (body := node.saved_former()) else {}
        )
    again = SparkplugForm(gateway_of=form._gateway_of)
    again.load(ledger)
    return again


# ------------------------------------------------------------ births and data


def test_a_birth_names_the_metrics_and_has_their_values() -> None:
    found = read(SparkplugForm(), BIRTH, birth(death=3))
    assert found == Read(
        [
            GatewayMessage(
                "gw-1",
                [GatewayReading("dp", AT_S, "", 1.0), GatewayReading("header", AT_S, "", 90.0)],
                f"3-{AT_MS}",
                0,
            )
        ],
        statuses=[GatewayStatus("gw-1", "online", f"3-{AT_MS}", AT_S)],
    )


def test_data_are_read_by_the_aliases_of_the_birth_at_their_own_times() -> None:
    """Historical ones too (chapter 6, "Metric"): it is their own time that decides what they are used for."""
    late = metric(None, 2.5, 2, at_ms=AT_MS - 3_600_000, is_historical=True)
    found = read(born(), DATA, data(1, metric(None, -0.25, 1, at_ms=AT_MS + 125), late, at_ms=AT_MS + 500))
    assert found == Read(
        [
            GatewayMessage(
                "gw-1",
                [GatewayReading("dp", AT_S + 0.125, "", -0.25), GatewayReading("header", AT_S - 3600, "", 2.5)],
                f"0-{AT_MS}",
                1,
            )
        ]
    )


def test_a_metric_without_a_time_has_its_payloads() -> None:
    found = read(born(), DATA, data(1, metric(None, 2.0, 1, at_ms=None), at_ms=AT_MS + 250))
    assert [reading.at for reading in found.messages[0].readings] == [AT_S + 0.25]


def test_without_aliases_data_are_read_by_name() -> None:
    form = SparkplugForm()
    read(form, BIRTH, birth(metric("dp", 1.0), metric("amps", -3, kind=KIND.INT8)))
    found = read(form, DATA, data(1, metric("amps", -4, kind=KIND.INT8), metric("dp", 2.0)))
    assert [(reading.tag, reading.value) for reading in found.messages[0].readings] == [("amps", -4.0), ("dp", 2.0)]


STALE = properties(Quality=field(3, 500))
PAST = field(5, 1)  # is_historical


def value_at(at_ms: int, value: float, more: bytes = b"") -> bytes:
    """A metric under alias 1."""
    return field(2, field(2, 1) + field(3, at_ms) + field(13, value) + more)


@pytest.mark.parametrize(
    ("sent", "expected"),
    [
        (value_at(AT_MS, 2.0, STALE), [("bad", AT_S + 9)]),
        (value_at(AT_MS + 9001, 2.0, STALE), [("bad", AT_S + 9.001)]),
        (value_at(AT_MS, 2.0, STALE + PAST), [("bad", AT_S)]),
        (value_at(AT_MS, 2.0, STALE) + value_at(AT_MS + 1, 3.0), [("bad", AT_S), ("good", AT_S + 0.001)]),
        (value_at(AT_MS, 2.0), [("good", AT_S)]),
    ],
)
def test_a_quality_that_is_lost_is_dated_by_its_payload(sent: bytes, expected: list[tuple[str, float]]) -> None:
    """The metric keeps the time of its last value, and a bad reading that is not newer would count for nothing."""
    found = read(born(), DATA, field(1, AT_MS + 9000) + sent + field(3, 1))
    assert [(reading.quality, reading.at) for reading in found.messages[0].readings] == expected


def test_a_value_of_another_data_type_than_its_births_is_a_fault() -> None:
    """As Int16 the 40000 of a UInt16 would be -25536."""
    form = SparkplugForm()
    read(form, BIRTH, birth(metric("amps", -3, 1, kind=KIND.INT16), HEADER))
    amps = field(2, 1) + field(10, 40_000)
    for datatype, readings, faults in ((6, [3.0], 1), (2, [-25536.0, 3.0], 0), (0, [-25536.0, 3.0], 0)):
        own_type = field(4, datatype) if datatype else b""
        header = field(2, field(2, 2) + field(13, 3.0))
        again = reloaded(form)
        found = read(again, DATA, field(1, AT_MS) + field(2, amps + own_type) + header + field(3, 1))
        assert (values(found), len(found.faults), found.asks) == (readings, faults, [])
    found = read(form, DATA, field(1, AT_MS) + field(2, amps + field(4, 6)) + field(3, 1))
    assert found.faults == [
        "NDATA of 'works/gw-1': metric 'amps': 40000 in int_value of data type 6; expected a finite value of data type "
        "2, or is_null; mend the edge node"
    ]
    null = field(2, field(2, 1) + field(4, 6) + field(7, 1))
    assert bad_readings(read(form, DATA, field(1, AT_MS) + null + field(3, 2))) == [("amps", AT_S)]


def test_null_is_a_bad_reading_without_a_value_and_transient_metrics_are_passed_over() -> None:
    found = read(born(), DATA, data(1, metric(None, None, 1), metric(None, 5.0, 2, is_transient=True)))
    assert found == Read([GatewayMessage("gw-1", [GatewayReading("dp", AT_S, "", None, "bad")], f"0-{AT_MS}", 1)])


def test_particulars_and_controls_are_no_readings_and_no_faults() -> None:
    more = [
        metric("Properties/Hardware Make", "Alder & Pike", 5, kind=KIND.STRING),
        metric("made", AT_MS, 6, kind=KIND.INT64),
        metric("Node Control/Rebirth", value=False, alias=7, kind=KIND.BOOLEAN),
        metric("fault", value=True, alias=8, kind=KIND.BOOLEAN),
    ]
    form = SparkplugForm()
    found = read(form, BIRTH, birth(*more))
    assert [reading.tag for reading in found.messages[0].readings] == ["made", "fault"]
    again = [metric(None, "x", 5, kind=KIND.STRING), metric(None, value=False, alias=7, kind=KIND.BOOLEAN)]
    later = read(form, DATA, data(1, *again, metric(None, value=False, alias=8, kind=KIND.BOOLEAN)))
    assert (values(found) + values(later), found.faults + later.faults) == ([float(AT_MS), 1.0, 0.0], [])


def test_the_unit_and_the_quality_come_with_the_properties() -> None:
    """The unit as "engUnit" is common practice, no source. The encoder is the simulated plant's."""
    form, encoder = SparkplugForm(), Encoder("works", "gw-1")
    (sent,) = encoder.encode("gw-1", "b1", 1, [("dp", AT_US, 3.0, "inH2O"), ("header", AT_US, None, "psi")])
    read(form, *sent)
    (sent,) = encoder.encode("gw-1", "b1", 2, [("dp", AT_US + SECOND_US, 3.5, "inH2O")])
    found = read(form, *sent)
    assert found.messages[0].readings == [GatewayReading("dp", AT_S + 1, "inH2O", 3.5)]


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        (metric("d" * 129, 1.0, 5), "at most 128 characters"),
        (metric("", 1.0, 5), "at most 128 characters"),
        (metric("dp", 9.0, 5), "named twice"),
        (metric("other", 9.0, 1), "alias 1 is another's too"),
    ],
)
def test_what_is_wrong_in_a_birth_spoils_its_own_metric_alone(wrong: Any, why: str) -> None:
    form = SparkplugForm()
    found = read(form, BIRTH, birth(DP, HEADER, wrong))
    assert values(found) == [1.0, 90.0]
    assert [why in fault for fault in found.faults] == [True]
    later = read(form, DATA, data(1, metric(None, 2.0, wrong.alias), metric(None, 3.0, 2)))
    assert (values(later), len(later.faults), later.asks) == ([3.0], 1, [])  # asking again would not help
    assert "its birth could not be used" in later.faults[0]


def test_a_device_and_its_metric_make_one_tag_and_that_may_be_too_long() -> None:
    found = read(born(), D_BIRTH, device_birth(1, metric("m" * 124, 1.0), metric("m" * 125, 2.0)))
    assert ([len(r.tag) for r in found.messages[0].readings], len(found.faults)) == ([128], 1)


def test_a_value_that_is_no_number_spoils_its_own_reading_alone() -> None:
    found = read(born(), DATA, data(1, metric(None, float("nan"), 1), metric(None, 3.0, 2)))
    assert (values(found), numbers(found)) == ([3.0], [1])
    assert found.faults == [
        "NDATA of 'works/gw-1': metric 'dp': nan in double_value; expected a finite value of data type 10, or "
        "is_null; mend the edge node"
    ]


# ------------------------------------------------------------ who the gateway is


@pytest.mark.parametrize(
    ("gateway_of", "gateway", "tag", "number"),
    [("node", "gw-1", "plc/dp", 2), ("device", "plc", "dp", None), ("node-device", "gw-1.plc", "dp", None)],
)
def test_who_the_gateway_of_a_device_is(gateway_of: Any, gateway: str, tag: str, number: int | None) -> None:
    """A node and its devices share one count, which numbers the messages of none of them apart."""
    form = with_device(gateway_of=gateway_of)
    found = read(form, D_DATA, data(2, metric(None, 8.0, 11)))
    assert found == Read([GatewayMessage(gateway, [GatewayReading(tag, AT_S, "", 8.0)], f"0-{AT_MS}", number)])
    (own,) = read(form, DATA, data(3)).messages
    assert (own.gateway, own.readings[0].tag) == ("gw-1", "dp")


@pytest.mark.parametrize(
    ("gateway_of", "online", "offline"),
    [
        ("node", [], ["gw-1"]),
        ("device", ["plc"], ["gw-1", "plc"]),
        ("node-device", ["gw-1.plc"], ["gw-1", "gw-1.plc"]),
    ],
)
def test_a_node_takes_its_devices_with_it(gateway_of: Any, online: list[str], offline: list[str]) -> None:
    """NDEATH makes all metrics of all devices stale (chapter 5)."""
    form = born(gateway_of=gateway_of)
    told = read(form, D_BIRTH, device_birth(1)).statuses
    assert [(status.gateway, status.state) for status in told] == [(gateway, "online") for gateway in online]
    found = read(form, DEATH, death())
    assert [(status.gateway, status.state) for status in found.statuses] == [(each, "offline") for each in offline]
    assert found.statuses[0] == GatewayStatus("gw-1", "offline", f"0-{AT_MS}", None)


def test_a_device_that_is_not_heard_after_a_rebirth_still_dies_with_its_node() -> None:
    form = with_device(gateway_of="device")
    read(form, BIRTH, birth(at_ms=AT_MS + 1))
    assert [status.gateway for status in read(form, DEATH, death()).statuses] == ["gw-1", "plc"]


@pytest.mark.parametrize("gateway_of", ["device", "node-device"])
def test_a_device_that_dies_is_a_gateway_that_is_offline(gateway_of: Any) -> None:
    found = read(with_device(gateway_of=gateway_of), D_DEATH, device_death(2, AT_MS + 1000))
    assert ([status.state for status in found.statuses], found.messages) == (["offline"], [])
    assert found.statuses[0].at == AT_S + 1


def test_a_device_that_dies_leaves_bad_readings_where_its_gateway_lives_on() -> None:
    """Its metrics are stale (chapter 5); no signal must look healthy."""
    form = with_device()
    found = read(form, D_DEATH, device_death(2, AT_MS + 1000))
    bad = GatewayReading("plc/dp", AT_S + 1, "", None, "bad")
    assert found == Read([GatewayMessage("gw-1", [bad], f"0-{AT_MS}", 2)])
    later = read(form, D_DATA, data(3, metric(None, 8.0, 11)))
    assert (values(later), len(later.faults), len(later.asks)) == ([], 1, 1)


@pytest.mark.parametrize("sent_ms", [AT_MS + 2000, AT_MS + 1999, AT_MS + 2001, AT_MS + 5000])
def test_a_device_is_lost_after_all_that_was_measured(sent_ms: int) -> None:
    """Bad readings that are not newer than a good one would leave the good one standing."""
    form = with_device()
    read(form, D_DATA, data(2, metric(None, 8.0, 11, at_ms=AT_MS + 2000), at_ms=AT_MS + 2000))
    after = reloaded(form)
    expected = max(sent_ms, AT_MS + 2001) / 1000
    for each in (form, after):
        assert bad_readings(read(each, D_DEATH, device_death(3, sent_ms))) == [("plc/dp", expected)]


def test_a_device_is_lost_after_readings_that_have_only_their_arrival() -> None:
    """Neither metric nor payload says a time: then the service's own counts, also for the death."""
    form = born()
    timeless = field(2, field(2, 11) + field(13, 8.0))
    read(form, D_BIRTH, device_birth(1))
    read(form, D_DATA, timeless + field(3, 2), AT_US + SECOND_US + 999)
    found = read(form, D_DEATH, field(3, 3), AT_US + SECOND_US + 999)
    assert bad_readings(found) == [("plc/dp", AT_S + 1.001)]


def test_a_reading_far_ahead_of_the_clock_does_not_date_a_death() -> None:
    """It is refused later on, and so would be the death."""
    form = with_device()
    read(form, D_DATA, data(2, metric(None, 8.0, 11, at_ms=AT_MS + 3_600_000)))
    assert bad_readings(read(form, D_DEATH, device_death(3, AT_MS + 1000))) == [("plc/dp", AT_S + 1)]


# ------------------------------------------------------------ devices that are to be born again


def test_a_device_that_dies_before_it_is_born_again_leaves_bad_readings() -> None:
    form = with_device()
    read(form, BIRTH, birth(at_ms=AT_MS + 1000))
    assert read(form, D_DATA, data(1, metric(None, 8.0, 11))).messages[0].readings == []  # its names are void
    for each in (reloaded(form), form):
        assert bad_readings(read(each, D_DEATH, device_death(2, AT_MS + 2000))) == [("plc/dp", AT_S + 2)]
    assert form.due(AT_US + REBORN_WITHIN_US) == Read()


def test_a_device_of_an_earlier_session_is_lost_after_all_that_was_measured_in_it() -> None:
    form = with_device()
    read(form, D_DATA, data(2, metric(None, 8.0, 11, at_ms=AT_MS + 8000), at_ms=AT_MS + 500))
    read(form, BIRTH, birth(at_ms=AT_MS + 1000))
    assert bad_readings(read(form, D_DEATH, device_death(1, AT_MS + 2000))) == [("plc/dp", AT_S + 8.001)]


@pytest.mark.parametrize("is_dead", [False, True])
def test_a_device_that_is_not_born_again_in_time_leaves_bad_readings_once(is_dead: bool) -> None:
    """Whether its node's will came before the new birth, or not."""
    form = with_device()
    if is_dead:
        read(form, DEATH, death())
    read(form, BIRTH, birth(at_ms=AT_MS + 1000), AT_US + SECOND_US)
    due_us = AT_US + SECOND_US + REBORN_WITHIN_US
    expected = [("plc/dp", AT_S + 1 + REBORN_WITHIN_US / 1e6)]
    for each in (reloaded(form), form):
        assert each.due(due_us - 1) == Read()
        found = each.due(due_us)
        assert (bad_readings(found), [waited.received_us for waited in found.waited]) == (expected, [due_us])
        assert (found.messages, found.statuses, found.faults, found.asks) == ([], [], [], [])
        assert each.due(due_us + 1) == Read()
        assert reloaded(each).due(due_us + 1) == Read()


def test_a_device_that_is_born_again_in_time_is_not_lost() -> None:
    form = with_device()
    read(form, BIRTH, birth(at_ms=AT_MS + 1000))
    read(form, D_BIRTH, device_birth(1, at_ms=AT_MS + 1000))
    assert form.due(AT_US + REBORN_WITHIN_US) == Read()
    assert values(read(form, D_DATA, data(2, metric(None, 8.0, 11)))) == [8.0]


def test_births_of_the_node_one_after_the_other_give_a_device_no_more_time() -> None:
    form = with_device()
    read(form, BIRTH, birth(at_ms=AT_MS + 1000))
    read(form, BIRTH, birth(at_ms=AT_MS + 31_000), AT_US + 30 * SECOND_US)
    found = form.due(AT_US + REBORN_WITHIN_US)
    assert bad_readings(found) == [("plc/dp", AT_S + 61)]


@pytest.mark.parametrize(("gateway_of", "gateway"), [("device", "plc"), ("node-device", "gw-1.plc")])
def test_a_device_that_is_not_born_again_is_a_gateway_that_is_offline(gateway_of: Any, gateway: str) -> None:
    form = with_device(gateway_of=gateway_of)
    read(form, BIRTH, birth(at_ms=AT_MS + 1000))
    found = form.due(AT_US + REBORN_WITHIN_US)
    assert found == Read(statuses=[GatewayStatus(gateway, "offline", f"0-{AT_MS + 1000}", None)])
    assert form.due(AT_US + 2 * REBORN_WITHIN_US) == Read()


def test_what_is_kept_of_former_devices_counts_among_the_metrics_of_the_node(monkeypatch: pytest.MonkeyPatch) -> None:
    """However often it is born with devices of other names; in time there is room again."""
    monkeypatch.setattr(sparkplug_node, "METRICS_AT_MOST", 8)  # the node with bdSeq, dp, header; two devices with one
    form = with_device()
    read(form, BIRTH, birth())
    assert read(form, D_BIRTH.replace("plc", "plc-2"), device_birth(1)).faults == []
    assert len(read(form, D_BIRTH.replace("plc", "plc-3"), device_birth(2)).faults) == 1
    form.due(AT_US + REBORN_WITHIN_US)
    assert read(form, D_BIRTH.replace("plc", "plc-3"), device_birth(3)).faults == []


# ------------------------------------------------------------ deaths and new sessions


@pytest.mark.parametrize(("number", "is_offline"), [(4, True), (3, False), (5, False), (0, False)])
def test_only_the_will_of_the_present_birth_counts(number: int, is_offline: bool) -> None:
    """An NDEATH whose bdSeq is not that of the latest NBIRTH must be ignored (chapter 5)."""
    form = SparkplugForm()
    read(form, BIRTH, birth(death=4))
    found = read(form, DEATH, death(number))
    assert [status.state for status in found.statuses] == ["offline"] * is_offline
    assert values(read(form, DATA, data(1))) == [1.0] * (not is_offline)


def test_a_will_that_comes_again_or_of_an_unknown_node_says_nothing() -> None:
    form = born()
    assert read(SparkplugForm(), DEATH, death()) == Read()
    assert len(read(form, DEATH, death()).statuses) == 1
    assert read(form, DEATH, death()) == Read()


def test_each_birth_is_a_boot_of_its_own() -> None:
    """A rebirth keeps the bdSeq and has another time; a new connection has another bdSeq."""
    form = SparkplugForm()
    births = [birth(death=255), birth(death=255, at_ms=AT_MS + 1), birth(death=0, at_ms=AT_MS + 1)]
    boots = [read(form, BIRTH, each).messages[0].boot for each in births]
    assert boots == [f"255-{AT_MS}", f"255-{AT_MS + 1}", f"0-{AT_MS + 1}"]


@pytest.mark.parametrize(
    ("topic", "payload"), [(DATA, data(1)), (D_DATA, data(1)), (D_BIRTH, device_birth(1)), (D_DEATH, device_death(1))]
)
def test_what_comes_before_a_birth_is_refused_and_the_birth_is_asked_for(topic: str, payload: bytes) -> None:
    form = SparkplugForm()
    found = read(form, topic, payload)
    assert (found.messages, found.statuses, len(found.faults)) == ([], [], 1)
    assert "its birth is not known; expected NBIRTH first; let the edge node send its births" in found.faults[0]
    ((asked, request, gateway),) = found.asks
    assert (asked, gateway) == (ASKED, "gw-1")
    control = metric("Node Control/Rebirth", value=True, kind=KIND.BOOLEAN)
    assert pysparkplug.NCmd.decode(request) == pysparkplug.NCmd(AT_MS, (control,))


def test_after_the_will_the_old_names_hold_no_longer() -> None:
    form = born()
    read(form, DEATH, death())
    found = read(form, DATA, data(1))
    assert (found.messages, len(found.faults), len(found.asks)) == ([], 1, 1)


def test_an_alias_that_nobody_named_is_refused_beside_what_can_be_used() -> None:
    found = read(born(), DATA, data(1, metric(None, 5.0, 99), metric(None, 3.0, 2)))
    assert (values(found), [ask.topic for ask in found.asks]) == ([3.0], [ASKED])
    assert "metric with alias 99: named by no birth" in found.faults[0]


def test_an_alias_that_nobody_named_asks_from_wherever_it_comes() -> None:
    """In a message that waited and had its turn, and in one that comes from behind."""
    form = born()
    read(form, DATA, data(2, metric(None, 5.0, 99)))
    found = read(form, DATA, data(1))
    assert (values(found), len(found.rejected), len(found.asks)) == ([1.0], 1, 1)
    found = read(form, DATA, data(1, metric(None, 5.0, 99)), AT_US + ASK_EVERY_US)
    assert (values(found), len(found.faults), len(found.asks)) == ([], 1, 1)


def test_a_birth_without_a_data_type_spoils_its_own_metric_alone() -> None:
    found = read(SparkplugForm(), BIRTH, birth() + field(2, field(1, b"x") + field(13, 1.0)))
    assert (values(found), ["metric 'x': data type 0;" in fault for fault in found.faults]) == ([1.0, 90.0], [True])


def test_an_alias_is_its_own_devices() -> None:
    found = read(with_device(), DATA, data(2, metric(None, 5.0, 11)))
    assert (values(found), len(found.faults), len(found.asks)) == ([], 1, 1)


def test_a_node_is_asked_once_a_minute_and_each_node_by_itself() -> None:
    form = SparkplugForm()
    counts = [len(read(form, DATA, data(1), AT_US + at_us).asks) for at_us in (0, 1, ASK_EVERY_US - 1, ASK_EVERY_US)]
    assert counts == [1, 0, 0, 1]
    assert len(read(form, "spBv1.0/works/NDATA/gw-2", data(1)).asks) == 1


def test_the_memory_of_whom_was_asked_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sparkplug, "NODES_AT_MOST", 2)
    form = SparkplugForm()
    asked = [len(read(form, f"spBv1.0/works/NDATA/{i}", data(1)).asks) for i in range(3)]
    assert asked == [1, 1, 0]
    assert len(read(form, "spBv1.0/works/NDATA/2", data(2), AT_US + ASK_EVERY_US).asks) == 1


# ------------------------------------------------------------ order


SEQUENCES: list[tuple[str, list[int], list[list[int]]]] = [  # births with 253: what comes, what is read with each
    ("in order around the end", [254, 255, 0, 1], [[254], [255], [0], [1]]),
    ("two changed places", [254, 0, 255, 1], [[254], [], [255, 0], [1]]),
    ("the first came last", [255, 0, 254], [[], [], [254, 255, 0]]),
    ("two gaps, filled one by one", [255, 1, 254, 0], [[], [], [254, 255], [0, 1]]),
    ("one that waits comes twice", [255, 255, 254], [[], [], [254, 255]]),
    ("one from behind comes twice", [254, 255, 254, 0], [[254], [255], [254], [0]]),
]


@pytest.mark.parametrize(("name", "sent", "expected"), SEQUENCES, ids=[row[0] for row in SEQUENCES])
def test_messages_take_their_turn(name: str, sent: list[int], expected: list[list[int]]) -> None:
    form = born(seq=253)
    found = [read(form, DATA, data(seq), AT_US + i) for i, seq in enumerate(sent)]
    assert [values(each) for each in found] == expected, name
    assert [numbers(each) for each in found] == [[(seq - 253) % 256 for seq in seqs] for seqs in expected]
    assert [(each.faults, each.asks) for each in found] == [([], [])] * len(sent)
    assert form.due(AT_US + 10 * REORDER_US) == Read()


@pytest.mark.parametrize("seq", [0, 17, 255])
def test_the_number_of_a_birth_itself_may_be_any(seq: int) -> None:
    """The chapter on topics says 0, the one on payloads 0 to 255."""
    found = read(born(seq=seq), DATA, data((seq + 1) % 256))
    assert (numbers(found), found.faults) == ([1], [])


def test_the_count_runs_on_over_its_wraps() -> None:
    form = born()
    found = [numbers(read(form, DATA, data(i % 256))) for i in range(1, 700)]
    assert found == [[i] for i in range(1, 700)]


def test_what_is_missing_is_given_up_after_the_reorder_time_and_births_are_asked_for() -> None:
    form = born(seq=253)
    read(form, DATA, data(254))
    assert read(form, DATA, data(0), AT_US) == Read()
    assert read(form, DATA, data(1), AT_US + SECOND_US) == Read()
    assert form.due(AT_US + REORDER_US - 1) == Read()
    found = form.due(AT_US + REORDER_US)
    assert (values(found), numbers(found), [ask.topic for ask in found.asks]) == ([0.0, 1.0], [3, 4], [ASKED])
    assert form.due(AT_US + 100 * REORDER_US) == Read()
    assert values(read(form, DATA, data(2))) == [2.0]


def test_a_message_also_shows_that_the_reorder_time_is_over() -> None:
    form = born()
    read(form, DATA, data(2))
    found = read(form, DATA, data(3), AT_US + REORDER_US)
    assert (values(found), len(found.asks)) == ([2.0, 3.0], 1)


def test_each_gap_has_its_own_reorder_time() -> None:
    form = born()
    read(form, DATA, data(2), AT_US)
    read(form, DATA, data(4), AT_US + SECOND_US)
    assert values(form.due(AT_US + REORDER_US)) == [2.0]
    assert values(form.due(AT_US + REORDER_US + SECOND_US)) == [4.0]


def test_a_clock_that_was_set_back_does_not_make_readings_wait() -> None:
    form = born()
    read(form, DATA, data(2), AT_US)
    assert values(form.due(AT_US - 3600 * SECOND_US)) == [2.0]


def test_what_comes_after_it_was_given_up_is_read_all_the_same() -> None:
    form = born()
    read(form, DATA, data(2, at_ms=AT_MS + 20))
    form.due(AT_US + REORDER_US)
    found = read(form, DATA, data(1, at_ms=AT_MS + 10), AT_US + REORDER_US)
    assert (values(found), numbers(found), found.faults) == ([1.0], [1], [])
    assert values(read(form, DATA, data(3, at_ms=AT_MS + 30))) == [3.0]


def test_after_an_outage_of_more_than_half_the_count_the_messages_go_on() -> None:
    """200 messages were not heard; that they were sent later tells them from messages that come from behind."""
    form = born()
    assert read(form, DATA, data(201, at_ms=AT_MS + 1)) == Read()
    found = form.due(AT_US + REORDER_US)
    assert (numbers(found), len(found.asks)) == ([201], 1)
    assert numbers(read(form, DATA, data(202, at_ms=AT_MS + 2))) == [202]


def test_what_was_sent_before_the_birth_is_refused() -> None:
    """It is of the session before, whose names are gone."""
    found = read(born(), DATA, data(250, at_ms=AT_MS - 1))
    assert (found.messages, found.before, found.waited) == ([], [], [])
    assert "NDATA of 'works/gw-1', seq 250: sent before the node's birth" in found.faults[0]


def test_a_node_whose_clock_stands_still_is_asked_for_its_births_after_a_long_outage() -> None:
    """More than half the count was lost, and nothing tells what comes then from what was sent before the birth."""
    form = born()
    counts = [
        len(read(form, DATA, data(seq), AT_US + at_us).asks) for seq, at_us in ((200, 0), (201, 1), (202, ASK_EVERY_US))
    ]
    assert counts == [1, 0, 1]
    read(form, BIRTH, birth(at_ms=AT_MS))
    assert numbers(read(form, DATA, data(1))) == [1]


@pytest.mark.parametrize("topic", [D_BIRTH, D_DEATH])
def test_a_birth_or_death_that_was_overtaken_changes_nothing(topic: str) -> None:
    """Number 2 comes after 3, with which the device was born anew."""
    form = with_device(gateway_of="device")
    read(form, D_BIRTH, device_birth(3, at_ms=AT_MS + 3))
    form.due(AT_US + REORDER_US)
    renamed = device_birth(2, metric("other", 5.0, 11), at_ms=AT_MS + 2)
    found = read(form, topic, renamed if topic == D_BIRTH else device_death(2, AT_MS + 2))
    assert (found.statuses, values(found)) == ([], [5.0] if topic == D_BIRTH else [])
    (later,) = read(form, D_DATA, data(4, metric(None, 6.0, 11), at_ms=AT_MS + 4)).messages
    assert later.readings == [GatewayReading("dp", AT_S, "", 6.0)]


def test_a_death_that_comes_late_counts_if_the_device_was_not_born_since() -> None:
    for gateway_of, states, bad in (("node", [], [("plc/dp", AT_S + 0.003)]), ("device", ["offline"], [])):
        form = with_device(gateway_of=gateway_of)
        read(form, DATA, data(3, metric(None, 3.0, 1, at_ms=AT_MS + 2), at_ms=AT_MS + 3))
        form.due(AT_US + REORDER_US)
        for each in (reloaded(form), form):
            found = read(each, D_DEATH, device_death(2, AT_MS + 2))
            assert ([status.state for status in found.statuses], bad_readings(found)) == (states, bad)
            later = read(each, D_DATA, data(4, metric(None, 6.0, 11), at_ms=AT_MS + 4))
            assert (values(later), len(later.faults)) == ([], 1)


def test_a_birth_of_a_device_that_was_waited_for_names_what_waits() -> None:
    form = born()
    assert read(form, D_DATA, data(2, metric(None, 8.0, 11))) == Read()
    found = read(form, D_BIRTH, device_birth(1))
    assert (values(found), found.faults, found.rejected, found.asks) == ([7.0, 8.0], [], [], [])


def test_what_had_waited_is_apart_from_the_message_that_let_it_go() -> None:
    form = born()
    read(form, DATA, data(2))
    found = read(form, DATA, data(1))
    assert ([each.seq for each in found.messages], [each.message.seq for each in found.waited]) == ([1], [2])


def test_what_had_waited_has_its_own_arrival_and_what_was_given_up_stands_before_the_message_that_is_read() -> None:
    form = born()
    read(form, DATA, data(2), AT_US + 7)
    assert [each.received_us for each in read(form, DATA, data(1), AT_US + 9).waited] == [AT_US + 7]
    read(form, DATA, data(4), AT_US + 11)
    found = read(form, DATA, data(5), AT_US + 11 + REORDER_US)
    (before,) = found.before
    assert (before.message.seq, before.received_us) == (4, AT_US + 11)
    assert ([each.seq for each in found.messages], found.waited) == ([5], [])


@pytest.mark.parametrize(
    ("gateway_of", "by_a_device", "by_the_node"),
    [("node", "gw-1", "gw-1"), ("device", "plc", "gw-1"), ("node-device", "gw-1.plc", "gw-1")],
)
def test_a_request_names_the_gateway_whose_message_made_it_wanted(
    gateway_of: Any, by_a_device: str, by_the_node: str
) -> None:
    unknown = data(2, metric(None, 5.0, 99))
    form = with_device(gateway_of=gateway_of)
    assert [ask.gateway for ask in read(form, D_DATA, unknown).asks] == [by_a_device]
    form = born(gateway_of=gateway_of)
    read(form, D_DATA, unknown)
    assert [ask.gateway for ask in read(form, DATA, data(1)).asks] == [by_a_device]  # the one that had waited
    form = born(gateway_of=gateway_of)
    read(form, D_DATA, unknown)
    assert [ask.gateway for ask in form.due(AT_US + REORDER_US).asks] == [by_the_node]


def test_what_cannot_be_read_of_a_message_that_waited_is_kept_as_it_came() -> None:
    form = with_device()
    payload = data(4, metric(None, 5.0, 99), metric(None, 3.0, 11, at_ms=None))
    assert read(form, D_DATA, payload, AT_US + 5) == Read()
    found = form.due(AT_US + 5 + REORDER_US)
    assert (values(found), found.faults) == ([3.0], [])
    (kept,) = found.rejected
    assert (kept.topic, kept.payload, kept.received_us, kept.readings) == (D_DATA, payload, AT_US + 5, 1)
    assert "metric with alias 99: named by no birth" in kept.reason


def test_what_waited_without_a_time_has_that_of_its_own_arrival() -> None:
    form = born()
    payload = field(2, field(2, 1) + field(13, 2.0)) + field(3, 2)
    read(form, DATA, payload, AT_US)
    (waited,) = form.due(AT_US + REORDER_US).waited
    assert waited.message.readings == [GatewayReading("dp", AT_S, "", 2.0)]


@pytest.mark.parametrize("topic", [BIRTH, DEATH])
def test_a_new_session_and_a_death_end_the_waiting(topic: str) -> None:
    form = born()
    read(form, DATA, data(2))
    found = read(form, topic, birth(death=1) if topic == BIRTH else death())
    ((waited, received_us),) = found.before
    assert (waited.boot, waited.seq, waited.readings[0].value, found.asks) == (f"0-{AT_MS}", 2, 2.0, [])
    assert (received_us, found.waited) == (AT_US, [])
    assert found.statuses[-1].state == ("online" if topic == BIRTH else "offline")
    assert form.due(AT_US + REORDER_US) == Read()


def test_no_more_waits_than_there_is_room_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sparkplug_node, "HELD_AT_MOST", 3)
    form = born()
    assert [values(read(form, DATA, data(seq))) for seq in (2, 3, 4, 5)] == [[], [], [], [2.0, 3.0, 4.0, 5.0]]
    monkeypatch.setattr(sparkplug_node, "HELD_BYTES_AT_MOST", 10)
    assert values(read(form, DATA, data(7))) == [7.0]
    monkeypatch.setattr(sparkplug_node, "HELD_BYTES_AT_MOST", 1000)
    monkeypatch.setattr(sparkplug, "WAITING_AT_MOST", 0)
    assert values(read(form, DATA, data(9))) == [9.0]


def test_a_form_that_must_not_ask_says_what_is_missing() -> None:
    form = born(asks_rebirth=False)
    read(form, DATA, data(3))
    found = form.due(AT_US + REORDER_US)
    assert (values(found), found.asks) == ([3.0], [])
    assert found.faults == [
        "edge node 'works/gw-1': messages 1 to 2 after its birth did not come; expected each; let it send its births "
        "(Node Control/Rebirth)"
    ]
    assert read(SparkplugForm(asks_rebirth=False), DATA, data(1)).asks == []


# ------------------------------------------------------------ bounds, topics, quarantine


def test_the_number_of_nodes_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sparkplug_nodes, "NODES_AT_MOST", 1)
    form = born()
    for topic, payload in [("spBv1.0/works/NBIRTH/gw-2", birth()), ("spBv1.0/works/NDATA/gw-2", data(1))]:
        with pytest.raises(BadInput, match="edge node 'works/gw-2': expected at most 1 nodes, and so many live"):
            read(form, topic, payload)
    assert values(read(form, DATA, data(1))) == [1.0]


def test_a_new_node_takes_the_place_of_the_one_that_has_been_dead_longest(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sparkplug_nodes, "NODES_AT_MOST", 3)
    form, ledger = SparkplugForm(), dict[str, bytes]()
    for name in ("a", "b", "c"):
        read(form, f"spBv1.0/works/NBIRTH/{name}", birth())
    for name, at_us in (("c", AT_US + 1), ("b", AT_US + 2)):
        read(form, f"spBv1.0/works/NDEATH/{name}", death(), at_us)
    keep(form, ledger)
    after = SparkplugForm()
    after.load(ledger)
    assert values(read(after, "spBv1.0/works/NBIRTH/d", birth())) == [1.0, 90.0]
    keep(after, ledger)
    assert sorted(ledger) == [f"works/{name}{part}" for name in ("a", "b", "d") for part in ("", "/place")]
    assert values(read(after, "spBv1.0/works/NDATA/a", data(1))) == [1.0]
    found = read(after, "spBv1.0/works/NDATA/c", data(1))
    assert (found.messages, len(found.faults), len(found.asks)) == ([], 1, 1)
    read(after, "spBv1.0/works/NBIRTH/c", birth())  # in the place of b, and saved again in the same batch
    read(after, "spBv1.0/works/NDEATH/c", death())
    read(after, "spBv1.0/works/NBIRTH/b", birth())
    read(after, "spBv1.0/works/NDEATH/b", death())
    read(after, "spBv1.0/works/NBIRTH/c", birth())
    keep(after, ledger)
    assert sorted(ledger) == [f"works/{name}{part}" for name in ("a", "c", "d") for part in ("", "/place")]
    with pytest.raises(BadInput, match="so many live"):
        read(after, "spBv1.0/works/NBIRTH/b", birth())


def test_the_number_of_metrics_of_a_node_is_bounded_devices_included(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sparkplug_node, "METRICS_AT_MOST", 6)  # the node with bdSeq, dp, header; the device with one
    form = born()
    found = read(form, D_BIRTH, device_birth(1, DEVICE_DP, metric("more", 5.0, 12)))
    assert (values(found), ["1 metrics more than" in fault for fault in found.faults]) == ([7.0, 5.0], [True])
    later = read(form, D_DATA, data(2, metric(None, 8.0, 11), metric(None, 6.0, 12)))
    assert (values(later), len(later.faults), later.asks) == ([8.0], 1, [])  # asking would bring the same again
    other = read(form, D_BIRTH.replace("plc", "plc-2"), device_birth(3))
    assert (values(other), len(other.faults)) == ([7.0], 1)
    assert len(read(form, BIRTH, birth()).faults) == 0


@pytest.mark.parametrize("topic", ["spBv1.0/STATE/host", ASKED, "spBv1.0/works/DCMD/gw-1/plc"])
def test_states_of_hosts_and_commands_are_not_for_us(topic: str) -> None:
    assert read(SparkplugForm(), topic, b"{}") == Read()


def test_names_may_be_any_text() -> None:
    form = SparkplugForm()
    read(form, "spBv1.0/Wörks 1/NBIRTH/gw.1 $é", birth())
    found = read(form, "spBv1.0/Wörks 1/DBIRTH/gw.1 $é/STATE", device_birth(1))
    assert (found.messages[0].gateway, found.messages[0].readings[0].tag) == ("gw.1 $é", "STATE/dp")


@pytest.mark.parametrize(
    "topic",
    [
        "",
        "spBv1.0",
        "spBv1.0/STATE",
        "spBv1.0/works/NDATA",
        "spBv1.0/works/NDATA/gw-1/plc",
        "spBv1.0/works/DDATA/gw-1",
        "spBv1.0/works/DDATA/gw-1/plc/more",
        "spBv1.0/works/ndata/gw-1",
        "spAv1.0/works/NDATA/gw-1",
        "spBv1.0//NDATA/gw-1",
        "spBv1.0/works/NDATA/",
        "spBv1.0/works/NDATA/+",
        "spBv1.0/#/NDATA/gw-1",
        f"spBv1.0/works/NDATA/{'g' * 129}",
    ],
)
def test_other_topics_are_refused(topic: str) -> None:
    with pytest.raises(BadInput, match=r"^topic .*: expected spBv1\.0/group/type/node\[/device\] .*; correct"):
        read(SparkplugForm(), topic, b"")


def test_names_that_are_too_long_together_are_refused() -> None:
    form = SparkplugForm(gateway_of="node-device")
    with pytest.raises(BadInput, match="160 characters; expected at most 128; shorten"):
        read(form, f"spBv1.0/works/DDATA/{'n' * 60}/{'d' * 99}", data(1))


@pytest.mark.parametrize(("topic", "payload"), [(DATA, death()), (BIRTH, death()), (DEATH, data(1))])
def test_a_message_without_its_number_is_refused(topic: str, payload: bytes) -> None:
    """seq is in every message but NDEATH, which has its bdSeq (chapter 6)."""
    with pytest.raises(BadInput, match=r"without (seq|bdSeq): expected .+; mend"):
        read(born(), topic, payload)


def test_what_is_tried_again_is_read_with_todays_names_and_changes_nothing() -> None:
    form = with_device()
    form.changed()
    cases = [(DATA, data(77)), (BIRTH, birth(death=9)), (D_BIRTH, device_birth(5)), (DEATH, death())]
    found = [read(form, topic, payload, is_again=True) for topic, payload in cases]
    assert [values(each) for each in found] == [[77.0], [1.0, 90.0], [7.0], []]
    assert all((each.statuses, each.faults, each.asks) == ([], [], []) for each in found)
    assert [(message.boot, message.seq) for each in found for message in each.messages] == [(None, None)] * 3
    assert form.changed() == {}
    assert numbers(read(form, DATA, data(2))) == [2]


def test_what_is_tried_again_before_a_birth_is_refused_again_and_a_birth_brings_its_own_names() -> None:
    form = SparkplugForm()
    found = read(form, DATA, data(1), is_again=True)
    assert (len(found.faults), found.asks) == (1, [])
    assert values(read(form, BIRTH, birth(), is_again=True)) == [1.0, 90.0]
    assert read(form, DEATH, death(), is_again=True) == Read()
    assert form.changed() == {}


# ------------------------------------------------------------ what is remembered


def test_only_what_changed_is_saved_and_the_names_only_with_births() -> None:
    form = with_device()
    assert sorted(form.changed()) == ["works/gw-1", "works/gw-1/place"]
    assert form.changed() == {}
    read(form, DATA, data(2))
    assert list(form.changed()) == ["works/gw-1/place"]
    read(form, DATA, data(4))
    assert list(form.changed()) == ["works/gw-1/place"]
    form.due(AT_US + REORDER_US)
    assert list(form.changed()) == ["works/gw-1/place"]
    read(form, D_DEATH, device_death(5))
    assert sorted(form.changed()) == ["works/gw-1", "works/gw-1/place"]
    read(form, DEATH, death())
    assert list(form.changed()) == ["works/gw-1/place"]


def test_what_waits_is_not_lost_at_a_kill() -> None:
    form = born()
    read(form, DATA, data(2))
    after = SparkplugForm()
    after.load(form.changed())
    assert values(after.due(AT_US + REORDER_US)) == [2.0]


def test_former_devices_are_saved_when_they_change_and_deleted_when_there_are_none() -> None:
    form = with_device()
    read(form, D_BIRTH.replace("plc", "plc-2"), device_birth(2))
    assert "works/gw-1/former" not in form.changed()
    read(form, BIRTH, birth())
    assert form.changed()["works/gw-1/former"]
    read(form, DATA, data(1))
    assert list(form.changed()) == ["works/gw-1/place"]
    read(form, D_BIRTH, device_birth(2))
    assert b"plc-2" in form.changed()["works/gw-1/former"]
    read(form, D_BIRTH, device_birth(3))
    assert "works/gw-1/former" not in form.changed()
    form.due(AT_US + REBORN_WITHIN_US)
    assert form.changed() == {"works/gw-1/former": b""}


def test_what_was_saved_before_devices_were_waited_for_can_be_loaded() -> None:
    place = b'{"death":0,"born_ms":%d,"first":0,"next":2,"sent_ms":%d,"is_alive":true,"held":[]}' % (AT_MS, AT_MS)
    names = b'{"":[["bdSeq",null,12,""],["dp",1,10,""]],"plc":[["dp",11,10,""]]}'
    form = SparkplugForm()
    form.load({"works/gw-1/place": place, "works/gw-1": names})
    assert form.changed() == {}
    assert values(read(form, D_DATA, data(2, metric(None, 8.0, 11)))) == [8.0]
    assert bad_readings(read(form, D_DEATH, device_death(3, AT_MS))) == [("plc/dp", AT_S + 0.001)]


@pytest.mark.parametrize("part", ["", "/place", "/former"])
@pytest.mark.parametrize("body", [None, b"", b"{", b"[]", b"\xff", b'{"\xff":1}', b'{"plc":7}', b"[" * 5000])
def test_a_body_that_cannot_be_read_takes_its_own_node_alone(part: str, body: bytes | None) -> None:
    form, ledger = with_device(), dict[str, bytes]()
    read(form, BIRTH, birth(at_ms=AT_MS + 1))
    read(form, "spBv1.0/works/NBIRTH/gw-2", birth())
    keep(form, ledger)
    del ledger[f"works/gw-1{part}"]
    if body is not None:
        ledger[f"works/gw-1{part}"] = body
    after = SparkplugForm()
    after.load(ledger)
    assert values(read(after, "spBv1.0/works/NDATA/gw-2", data(1))) == [1.0]
    found = read(after, DATA, data(1, at_ms=AT_MS + 2))
    if part == "/former" and not body:  # there may be none
        assert (values(found), found.asks) == ([1.0], [])
        return
    assert (found.messages, [ask.topic for ask in found.asks]) == ([], [ASKED])
    keep(after, ledger)
    assert [key for key in ledger if key.startswith("works/gw-1")] == []
    assert values(read(after, BIRTH, birth())) == [1.0, 90.0]


def test_the_memory_of_a_node_is_small() -> None:
    form = born()
    sizes = {key: len(body) for key, body in form.changed().items()}
    assert sizes["works/gw-1/place"] < 150
    assert sizes["works/gw-1"] < 120  # bdSeq and two metrics


MESSAGES = st.one_of(
    st.builds(lambda seq: (DATA, "data", seq), st.integers(0, 12)),
    st.builds(lambda seq: (D_DATA, "device data", seq), st.integers(0, 12)),
    st.builds(lambda seq: (D_BIRTH, "device birth", seq), st.integers(0, 6)),
    st.builds(lambda seq: (D_DEATH, "device death", seq), st.integers(0, 6)),
    st.builds(lambda number: (BIRTH, "birth", number), st.integers(0, 2)),
    st.builds(lambda number: (DEATH, "death", number), st.integers(0, 2)),
)


def made(kind: str, number: int, at_ms: int) -> bytes:
    aliases = (metric(None, float(number), 1), metric(None, 0.5, 11))
    return {
        "data": lambda: data(number, aliases[0], at_ms=at_ms),
        "device data": lambda: data(number, *aliases, at_ms=at_ms),
        "device birth": lambda: device_birth(number, at_ms=at_ms),
        "device death": lambda: device_death(number, at_ms),
        "birth": lambda: birth(death=number, at_ms=at_ms),
        "death": lambda: death(number),
    }[kind]()


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(MESSAGES, st.integers(0, 2 * SECOND_US) | st.just(REBORN_WITHIN_US), st.booleans()), max_size=30
    ),
    st.sampled_from(["node", "device", "node-device"]),
)
def test_a_restart_between_any_two_messages_changes_nothing_that_is_read(steps: list[Any], gateway_of: Any) -> None:
    straight = SparkplugForm(gateway_of=gateway_of)
    halting = SparkplugForm(gateway_of=gateway_of)
    ledger: dict[str, bytes] = {}
    now_us = AT_US
    for (topic, kind, number), wait_us, is_killed in steps:
        now_us += wait_us
        payload = made(kind, number, now_us // 1000)
        for expected, found in (
            (straight.due(now_us), halting.due(now_us)),
            (read(straight, topic, payload, now_us), read(halting, topic, payload, now_us)),
        ):
            assert replace(found, asks=[]) == replace(expected, asks=[])  # whom it asked is not saved
        keep(halting, ledger)
        if is_killed:
            halting = SparkplugForm(gateway_of=gateway_of)
            halting.load(ledger)
    end_us = now_us + REBORN_WITHIN_US
    assert replace(halting.due(end_us), asks=[]) == replace(straight.due(end_us), asks=[])


@settings(max_examples=60)
@given(st.permutations(range(1, 9)), st.sets(st.integers(1, 8)), st.integers(0, 255))
def test_what_arrives_is_read_once_and_in_order_whatever_is_missing(
    order: list[int], missing: set[int], first: int
) -> None:
    form = born(seq=first)
    found: list[float | None] = []
    for i in order:
        if i not in missing:
            message = data((first + i) % 256, metric(None, float(i), 1), at_ms=AT_MS + i)
            found += values(read(form, DATA, message))
    found += values(form.due(AT_US + REORDER_US))
    assert found == sorted(set(range(1, 9)) - missing)


@settings(max_examples=200)
@given(
    st.one_of(
        st.text(max_size=40),
        st.builds(
            "spBv1.0/{}/{}/{}".format,
            st.text(max_size=5),
            st.sampled_from(["NBIRTH", "NDATA", "NDEATH", "DDATA/n", "DBIRTH/n", "DDEATH/n", "NCMD"]),
            st.text(max_size=5),
        ),
        st.sampled_from([BIRTH, DATA, DEATH, D_BIRTH, D_DATA, D_DEATH]),
    ),
    st.one_of(
        st.binary(max_size=80),
        st.builds(
            lambda head, at, more: head[:at] + more + head[at:], st.just(birth()), st.integers(0, 60), st.binary()
        ),
    ),
    st.booleans(),
)
def test_any_bytes_on_any_topic_are_read_or_bad_input(topic: str, payload: bytes, is_again: bool) -> None:
    form = with_device()
    try:
        found = read(form, topic, payload, is_again=is_again)
    except BadInput:
        return
    for message in found.messages:
        assert all(reading.value is not None or reading.quality == "bad" for reading in message.readings)
    again = SparkplugForm()
    again.load(form.changed())
    assert form.due(AT_US + REORDER_US).waited == again.due(AT_US + REORDER_US).waited


# ------------------------------------------------------------ the encoder of the simulated plant


@pytest.mark.parametrize("device", ["", "plc"])
def test_what_the_simulated_plant_sends_is_read_here(device: str) -> None:
    form, encoder, prefix = SparkplugForm(), Encoder("works", "gw-1", device), f"{device}/" if device else ""
    batches = [
        ("b1", [("dp", AT_US, 3.25, "inH2O"), ("dp", AT_US + SECOND_US, 3.5, "inH2O")]),
        ("b1", [("dp", AT_US + 2 * SECOND_US, None, "inH2O")]),
        ("b1", [("amps", AT_US + 3 * SECOND_US, -1.5, "A")]),
        ("b2", [("dp", AT_US + 4 * SECOND_US, 4.0, "inH2O"), ("amps", AT_US + 4 * SECOND_US, 0.0, "A")]),
        ("b2", []),
    ]
    for boot, readings in batches:
        sent = encoder.encode("gw-1", boot, 1, readings)
        found = [read(form, *each) for each in sent]
        assert [(each.faults, each.asks) for each in found] == [([], [])] * len(sent)
        assert {each.gateway for one in found for each in one.messages} <= {"gw-1"}
        read_here = [each for one in found for message in one.messages for each in message.readings]
        for tag, at_us, value, unit in readings:
            quality: Any = "good" if value is not None else "bad"
            assert GatewayReading(prefix + tag, at_us / 1e6, unit, value, quality) in read_here
    assert [status.state for status in read(form, *encoder.death()).statuses] == ["offline"]


def test_the_independent_library_reads_what_the_simulated_plant_sends() -> None:
    encoder = Encoder("works", "gw-1")
    sent = encoder.encode("gw-1", "b1", 1, [("dp", AT_US, 3.25, "inH2O"), ("dp", AT_US + SECOND_US, None, "inH2O")])
    assert [topic for topic, _ in sent] == [BIRTH, DATA]
    named = pysparkplug.NBirth.decode(sent[0][1])
    assert [(each.name, each.value, each.datatype) for each in named.metrics] == [
        ("bdSeq", 0, KIND.INT64),
        ("Node Control/Rebirth", False, KIND.BOOLEAN),
        ("dp", 3.25, KIND.DOUBLE),
    ]
    later = pysparkplug.NData.decode(sent[1][1], birth=named)
    assert (named.seq, later.seq) == (0, 1)
    assert (later.metrics[0].name, later.metrics[0].is_null, later.metrics[0].timestamp) == ("dp", True, AT_MS + 1000)
    topic, will = encoder.death()
    assert (topic, pysparkplug.NDeath.decode(will).bd_seq_metric.value) == (DEATH, 0)
    (again,) = encoder.encode("gw-1", "b2", 2, [("dp", AT_US, 3.0, "inH2O")])
    assert pysparkplug.NBirth.decode(again[1]).metrics[0].value == 1


def test_the_simulated_plant_answers_the_request_for_a_rebirth_with_its_last_values() -> None:
    encoder = Encoder("works", "gw-1")
    encoder.encode("gw-1", "b1", 1, [("dp", AT_US, 3.25, "inH2O")])
    encoder.encode("gw-1", "b1", 2, [("dp", AT_US + SECOND_US, 3.5, "inH2O")])
    found = read(SparkplugForm(), *encoder.birth(AT_US + 2 * SECOND_US)[0])
    assert found.messages[0].readings == [GatewayReading("dp", AT_S + 1, "inH2O", 3.5)]
    assert found.messages[0].boot == f"0-{AT_MS + 2000}"
    assert decoded(encoder.birth(AT_US)[0][1]).seq == 0

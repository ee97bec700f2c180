"""SenML packs: the examples of RFC 8428, every rule of its section 4 by itself, and whatever else may arrive.

The examples were read in the repository of the working group that wrote the RFC, except where it says "from memory".
"""

from __future__ import annotations

import json
import math
import time
from itertools import product
from typing import Any

import cbor2
import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.decode import senml_pack
from service.decode.form import Arrived, Read
from service.decode.senml import LABELS, Coding, SenmlForm, TagFrom, split_name
from service.model import BadInput, GatewayReading
from service.units.times import parse_rfc3339, parse_unix_s
from simulators.forms import senml as encoder

NOW_US = 1_795_593_600_250_000
NOW_S = NOW_US / 1e6
NUMBERS = {label: number for number, label in LABELS.items()}


def arrived(payload: bytes, **parts: str) -> Arrived:
    return Arrived("works/gw-1/senml", payload, NOW_US, parts or {"gateway": "gw-1"})


def as_json(pack: Any) -> bytes:
    return json.dumps(pack).encode()


def as_cbor(pack: list[dict[str, Any]]) -> bytes:
    return cbor2.dumps([{NUMBERS.get(label, label): value for label, value in record.items()} for record in pack])


def read(pack: list[dict[str, Any]], form: SenmlForm | None = None) -> Read:
    """What both codings of a pack say, which is the same."""
    form = form or SenmlForm()
    by_json, by_cbor = form.read(arrived(as_json(pack))), form.read(arrived(as_cbor(pack)))
    assert by_json.messages == by_cbor.messages
    assert len(by_json.faults) == len(by_cbor.faults)  # which may show a value otherwise
    return by_json


def readings(pack: list[dict[str, Any]], form: SenmlForm | None = None) -> list[tuple[str, str | float, str, Any]]:
    """(tag, at, unit, value) of a pack without faults."""
    found = read(pack, form)
    assert found.faults == []
    return [(item.tag, item.at, item.unit, item.value) for message in found.messages for item in message.readings]


# ---------------------------------------------------------------- the examples of RFC 8428

OW = "urn:dev:ow:10e2073a01080063"
CURRENTS = [("current", 1276020071.001 + second, "A", value) for second, value in enumerate((1.2, 1.3, 1.4, 1.5, 1.6))]
VOLTAGE_AND_CURRENTS = [*CURRENTS, ("voltage", 1276020076.001, "V", 120.1), ("current", 1276020076.001, "A", 1.7)]
# Section 6: 195 bytes, the same pack as the second example of 5.1.2.
SECTION_6 = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a3130653230373361303130383030363a22fb41d303a15b0010622361412005"
    "0067766f6c7461676501615602fb405e066666666666a3006763757272656e74062402fb3ff3333333333333a30067"
    "63757272656e74062302fb3ff4cccccccccccda3006763757272656e74062202fb3ff6666666666666a30067637572"
    "72656e74062102f93e00a3006763757272656e74062002fb3ff999999999999aa3006763757272656e74060002fb3f"
    "fb333333333333"
)
SECTION_5_1_2 = b"""[
  {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,"n":"voltage","u":"V","v":120.1},
  {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","t":-3,"v":1.4},
  {"n":"current","t":-2,"v":1.5}, {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7}
]"""


def to_the_microsecond(found: Read) -> list[tuple[str, int, str, float | None]]:
    (message,) = found.messages
    assert found.faults == []
    assert not any(isinstance(item.at, str) for item in message.readings)
    return [(item.tag, parse_unix_s(float(item.at)), item.unit, item.value) for item in message.readings]


@pytest.mark.parametrize("payload", [SECTION_5_1_2, SECTION_6], ids=["5.1.2 JSON", "6 CBOR"])
def test_the_example_of_sections_5_1_2_and_6_resolves_to_the_microsecond_in_both_codings(payload: bytes) -> None:
    found = to_the_microsecond(SenmlForm().read(arrived(payload)))
    assert found == [(tag, round(at * 1e6), unit, value) for tag, at, unit, value in VOLTAGE_AND_CURRENTS]


def test_the_cbor_example_is_the_one_of_section_6() -> None:
    """The byte counts and beginning that the RFC prints."""
    assert len(SECTION_6) == 0xC3
    assert SECTION_6.startswith(bytes.fromhex("87a721781b"))


def test_the_example_of_section_5_1_3_resolves_to_that_of_5_1_4() -> None:
    pack: list[dict[str, Any]] = [
        {"bn": OW, "bt": 1.320067464e09, "bu": "%RH", "v": 20},
        *({"u": "lon", "v": 24.30621}, {"u": "lat", "v": 60.07965}, {"t": 60, "v": 20.3}),
        *({"u": "lon", "t": 60, "v": 24.30622}, {"u": "lat", "t": 60, "v": 60.07965}, {"t": 120, "v": 20.7}),
        *({"u": "lon", "t": 120, "v": 24.30623}, {"u": "lat", "t": 120, "v": 60.07966}),
        *({"u": "%EL", "t": 150, "v": 98}, {"t": 180, "v": 21.2}),
        *({"u": "lon", "t": 180, "v": 24.30628}, {"u": "lat", "t": 180, "v": 60.07967}),
    ]
    resolved = [
        *((1320067464, "%RH", 20), (1320067464, "lon", 24.30621), (1320067464, "lat", 60.07965)),
        *((1320067524, "%RH", 20.3), (1320067524, "lon", 24.30622), (1320067524, "lat", 60.07965)),
        *((1320067584, "%RH", 20.7), (1320067584, "lon", 24.30623), (1320067584, "lat", 60.07966)),
        *((1320067614, "%EL", 98), (1320067644, "%RH", 21.2)),
        *((1320067644, "lon", 24.30628), (1320067644, "lat", 60.07967)),
    ]
    assert readings(pack, SenmlForm(tag_from="name")) == [(OW, at, unit, value) for at, unit, value in resolved]


@pytest.mark.parametrize(
    ("pack", "expected"),
    [
        pytest.param([{"n": OW, "u": "Cel", "v": 23.1}], [(OW, "", "Cel", 23.1)], id="5.1.1"),
        pytest.param(
            [{"bn": f"{OW}:", "n": "voltage", "u": "V", "v": 120.1}, {"n": "current", "u": "A", "v": 1.2}],
            [("voltage", "", "V", 120.1), ("current", "", "A", 1.2)],
            id="5.1.2, the first",
        ),
        pytest.param(
            [{"bn": OW, "bt": 1.320067464e09, "bu": "%RH", "v": 21.2}, {"t": 10, "v": 21.3}, {"t": 20, "v": 21.4}],
            [(OW[11:], 1320067464 + 10 * row, "%RH", value) for row, value in enumerate((21.2, 21.3, 21.4))],
            id="5.1.2, the beginning of the stream",
        ),
        pytest.param(  # packed from memory, resolved as read
            [
                {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
                {"n": "humidity", "u": "%RH", "v": 30},
                {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
                {"n": "humidity", "u": "%RH", "v": 67},
            ],
            [
                *(("temperature", 1320078429, "Cel", 25.2), ("humidity", 1320078429, "%RH", 30)),
                *(("temperature", 1320078429, "Cel", 12.3), ("humidity", 1320078429, "%RH", 67)),
            ],
            id="5.1.6",
        ),
        pytest.param(  # its first record has a base field and nothing else
            [{"bn": f"{OW}:"}, {"n": "temp", "u": "Cel", "v": 23.1}, {"n": "heat", "u": "/", "v": 1}],
            [("temp", "", "Cel", 23.1), ("heat", "", "/", 1.0)],
            id="5.1.7, the first",
        ),
        pytest.param(
            [
                *({"bt": 1.320078429e09, "bu": "/", "n": "2001:db8::3", "v": 0.5}, {"n": "2001:db8::4", "v": 0.5}),
                *({"n": "2001:db8::3", "t": 0.1, "v": 0}, {"n": "2001:db8::4", "t": 0.1, "v": 0}),
            ],
            [
                *(("2001:db8::3", 1320078429, "/", 0.5), ("2001:db8::4", 1320078429, "/", 0.5)),
                *(("2001:db8::3", 1320078429.1, "/", 0.0), ("2001:db8::4", 1320078429.1, "/", 0.0)),
            ],
            id="5.1.7, the last",
        ),
    ],
)
def test_the_other_examples_of_section_5_1(pack: list[dict[str, Any]], expected: list[tuple[Any, ...]]) -> None:
    assert readings(pack) == expected


def test_the_example_of_section_5_1_5_has_two_numbers_and_two_that_are_none() -> None:
    found = read(
        [
            *({"bn": f"{OW}:", "n": "temp", "u": "Cel", "v": 23.1}, {"n": "label", "vs": "Machine Room"}),
            *({"n": "open", "vb": False}, {"n": "nfc-reader", "vd": "aGkgCg"}),
        ]
    )
    assert [(item.tag, item.value) for item in found.messages[0].readings] == [("temp", 23.1), ("open", 0.0)]
    assert len(found.faults) == 2
    assert "record 2: vs 'Machine Room' is text" in found.faults[0]
    assert "record 4: vd 'aGkgCg' is text" in found.faults[1]


# ---------------------------------------------------------------- section 4, rule by rule


def test_a_base_field_applies_to_its_own_record_and_to_all_after_it_until_it_is_replaced() -> None:
    """RFC 8428 section 4.1."""
    pack: list[dict[str, Any]] = [
        {"n": "a", "v": 1},
        {"bn": "x:", "bt": 1e9, "bu": "Pa", "bv": 10, "n": "a", "v": 1},
        {"n": "b", "u": "A", "t": 1, "v": 2},
        {"bu": "K", "n": "c", "t": 2, "v": 3},
        {"bt": 1.1e9, "bv": -1, "bn": "y:", "n": "d", "v": 4},
    ]
    assert readings(pack, SenmlForm(tag_from="name")) == [
        ("x:a", 1e9, "Pa", 11.0),
        ("x:b", 1e9 + 1, "A", 12.0),
        ("x:c", 1e9 + 2, "K", 13.0),
        ("y:d", 1.1e9, "K", 3.0),
        ("a", "", "", 1.0),
    ]


@pytest.mark.parametrize(
    ("times", "at"),
    [
        ({}, ""),
        ({"t": 0}, ""),
        ({"bt": 5, "t": -5}, ""),
        ({"t": -5}, NOW_S - 5),
        ({"bt": -60, "t": 0.5}, NOW_S - 59.5),
        ({"t": 2**28 - 1}, NOW_S + 2**28 - 1),
        ({"t": 2**28}, float(2**28)),
        ({"bt": 2**28 - 1, "t": 1}, float(2**28)),  # only the sum of the two tells
        ({"bt": 2**28, "t": -1}, NOW_S + 2**28 - 1),
    ],
)
def test_a_time_below_two_to_the_28_is_relative_to_the_arrival(times: dict[str, float], at: str | float) -> None:
    """RFC 8428 section 4.5.3. Zero says no more than "now": an empty time is the arrival's."""
    assert readings([{"n": "dp", "v": 1, **times}]) == [("dp", at, "", 1.0)]


def test_the_first_absolute_time_is_in_1978() -> None:
    assert parse_rfc3339("1978-07-04T21:24:16Z") == senml_pack.RELATIVE_BELOW_S * 1_000_000


def test_readings_come_in_the_order_of_time_and_equal_times_as_they_were_sent() -> None:
    """RFC 8428 section 4.6."""
    pack = [{"n": name, "t": at, "v": 1} for name, at in zip("abcdef", (0, -5, 1e9, -5, 9, 1e9), strict=True)]
    assert [tag for tag, *_ in readings(pack)] == ["c", "f", "b", "d", "a", "e"]


@pytest.mark.parametrize(
    ("record", "expected"),
    [
        ({"v": 2, "s": 5}, [("dp", "m3/s", 2.0), ("dp.sum", "m3/s.s", 5.0)]),
        ({"s": 5}, [("dp.sum", "m3/s.s", 5.0)]),
        ({"s": 5, "bs": 100}, [("dp.sum", "m3/s.s", 105.0)]),
        ({"v": 2, "bs": 100}, [("dp", "m3/s", 2.0), ("dp.sum", "m3/s.s", 100.0)]),  # 4.5.4: a missing sum is nought
        ({"s": 5, "bv": 7}, [("dp.sum", "m3/s.s", 5.0)]),  # a base value alone is no measurement
        ({"s": 5, "u": ""}, [("dp.sum", "", 5.0)]),
        ({"vb": True, "bv": 7}, [("dp", "m3/s", 1.0)]),
        ({"v": 1, "ut": 30}, [("dp", "m3/s", 1.0)]),
        ({"v": 1, "l": "a field of nobody", "note": [{"deep": [1, None]}]}, [("dp", "m3/s", 1.0)]),
    ],
)
def test_values_and_sums_are_quantities_of_their_own(record: dict[str, Any], expected: list[tuple[Any, ...]]) -> None:
    """RFC 8428 section 4.2: a sum is in the unit times seconds; UCUM writes the product with a full stop."""
    found = readings([{"n": "dp", "bu": "m3/s", **record}])
    assert [(tag, unit, value) for tag, _, unit, value in found] == expected


@pytest.mark.parametrize(("sent", "unit"), [("%", "/"), ("/", "/"), ("%RH", "%RH"), ("Cel", "Cel"), ("/100", "/100")])
def test_a_per_cent_sign_is_passed_on_as_the_ratio_that_it_means(sent: str, unit: str) -> None:
    """RFC 8428 section 12.1, note 1: "%" is the same as "/", and 0.5 of it is a half."""
    assert readings([{"n": "fan", "u": sent, "v": 0.5}]) == [("fan", "", unit, 0.5)]


@pytest.mark.parametrize("version", [1, 5, 10])
def test_versions_up_to_10_are_read(version: int) -> None:
    assert readings([{"n": "dp", "v": 1, "bver": version}, {"n": "t", "v": 1, "bver": version}])


REFUSED: dict[str, list[dict[str, Any]]] = {
    "a later version": [{"bver": 11, "n": "a", "v": 1}],
    "version 0": [{"bver": 0, "n": "a", "v": 1}],
    "version true": [{"bver": True, "n": "a", "v": 1}],
    "version as text": [{"bver": "10", "n": "a", "v": 1}],
    "two versions": [{"bver": 5, "n": "a", "v": 1}, {"bver": 10, "n": "a", "v": 1}],
    "a field that must be understood": [{"n": "a", "v": 1}, {"n": "a", "v": 1, "tariff_": 3}],
    "a base field that must be understood": [{"b_": 1}],
    "base name a number": [{"n": "a", "v": 1}, {"bn": 5, "n": "a", "v": 1}],
    "base unit null": [{"bu": None, "n": "a", "v": 1}],
    "base time a text": [{"bt": "2026-11-25", "n": "a", "v": 1}],
    "base time not finite": [{"bt": math.inf, "n": "a", "v": 1}],
    "base value true": [{"bv": True, "n": "a", "v": 1}],
    "base sum not a number": [{"bs": math.nan, "n": "a", "v": 1}],
    "no records": [],
}


@pytest.mark.parametrize("name", REFUSED)
@pytest.mark.parametrize("coded", [as_json, as_cbor])
def test_what_makes_all_records_doubtful_refuses_the_pack(name: str, coded: Any) -> None:
    """RFC 8428 sections 4.4 (versions, extensions) and 4.1: without a base field the rest is unknown."""
    with pytest.raises(BadInput, match=r"^SenML .+; expected .+|^SenML .+: expected .+; ") as caught:
        SenmlForm().read(arrived(coded(REFUSED[name])))
    assert len(str(caught.value)) < 500


@pytest.mark.parametrize(
    ("record", "what"),
    [
        ({"n": "a"}, "no value"),
        ({}, "no value"),
        ({"note": 1}, "no value"),
        ({"n": "a", "bs": 1}, "no value"),
        ({"n": "a", "v": 1, "vb": True}, "v and vb"),
        ({"n": "a", "vs": "1", "vd": "MQ"}, "vs and vd"),
        ({"n": "a", "v": "1"}, "v '1'"),
        ({"n": "a", "v": None}, "v None"),
        ({"n": "a", "v": True}, "v True"),
        ({"n": "a", "v": [1]}, "v a list of 1"),
        ({"n": "a", "v": math.nan}, "v nan"),
        ({"n": "a", "v": math.inf}, "v inf"),
        ({"n": "a", "v": 10**400}, "v "),
        ({"n": "a", "bv": 1e308, "v": 1e308}, "bv + v"),
        ({"n": "a", "bt": 1e308, "t": 1e308, "v": 1}, "bt + t"),
        ({"n": "a", "vb": 1}, "vb 1"),
        ({"n": "a", "t": "now", "v": 1}, "t 'now'"),
        ({"n": "a", "t": -math.inf, "v": 1}, "t -inf"),
        ({"n": "a", "ut": "10", "v": 1}, "ut '10'"),
        ({"n": "a", "s": "10"}, "s '10'"),
        ({"n": 5, "v": 1}, "n 5"),
        ({"n": "a", "u": 5, "v": 1}, "u 5"),
        ({"n": "a", "u": "u" * 31, "v": 1}, "unit "),
        ({"n": "a", "u": "Pa\n", "v": 1}, "unit "),
        ({"v": 1}, "name ''"),
        ({"n": "-a", "v": 1}, "name '-a'"),
        ({"n": "a b", "v": 1}, "name 'a b'"),
        ({"n": "a\n", "v": 1}, "name "),
        ({"n": "staubdruck-ä", "v": 1}, "name "),
        ({"bn": "_x:", "n": "a", "v": 1}, "name "),
        ({"n": "a" * 257, "v": 1}, "name "),
        ({"n": "a" * 129, "v": 1}, "129 characters"),
        ({"n": "a" * 125, "s": 1}, "129 characters"),
    ],
)
def test_a_record_that_is_wrong_is_a_fault_and_leaves_its_neighbours_alone(record: dict[str, Any], what: str) -> None:
    """RFC 8428 section 4.2 (one value), 4.5.1 (names), 4.3 (types)."""
    found = read([record, {"bn": "", "bt": 0, "bv": 0, "n": "good", "v": 1}])
    assert [item.tag for item in found.messages[0].readings if not item.tag.endswith(".sum")] == ["good"]
    (why,) = found.faults
    assert why.startswith(("SenML record 1: ", "SenML record 1 "))
    assert what in why
    assert "expected" in why
    assert len(why) < 400


def test_a_value_that_is_wrong_leaves_the_sum_of_its_record_alone() -> None:
    found = read([{"n": "a", "vs": "high", "s": 5}])
    assert [(item.tag, item.value) for item in found.messages[0].readings] == [("a.sum", 5.0)]
    assert len(found.faults) == 1


def test_a_unit_with_a_lone_surrogate_is_a_fault() -> None:
    """JSON lets it through, and it could not be written to the record."""
    found = SenmlForm().read(arrived(b'[{"n":"a","u":"\\ud800","v":1}]'))
    assert found.messages[0].readings == []
    assert "unit '\\ud800'" in found.faults[0]


# ---------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("base", "name", "from_n", "from_last"),
    [
        ("urn:dev:x:gw-1:", "dp", ("urn:dev:x:gw-1:", "dp"), ("urn:dev:x:gw-1:", "dp")),
        ("urn:dev:x:gw-1:", "dc-1/dp", ("urn:dev:x:gw-1:", "dc-1/dp"), ("urn:dev:x:gw-1:dc-1/", "dp")),
        ("urn:dev:x:gw-1:d", "p", ("urn:dev:x:gw-1:d", "p"), ("urn:dev:x:gw-1:", "dp")),
        ("urn:dev:x:gw-1:dp", "", ("urn:dev:x:gw-1:", "dp"), ("urn:dev:x:gw-1:", "dp")),
        ("gw-1/dp:", "", ("gw-1/", "dp"), ("gw-1/", "dp")),
        ("", "urn:dev:x:dp", ("", "urn:dev:x:dp"), ("urn:dev:x:", "dp")),
        ("dp", "", ("", "dp"), ("", "dp")),
        ("gw-1:", "::", ("gw-1:", "::"), ("", "gw-1")),
    ],
)
def test_the_tag_comes_out_of_the_name_by_the_rule_that_is_set(
    base: str, name: str, from_n: tuple[str, str], from_last: tuple[str, str]
) -> None:
    assert split_name(base, name, "n") == from_n
    assert split_name(base, name, "last") == from_last
    assert split_name(base, name, "name") == ("", base + name)


PACK_OF_TWO = [
    *({"bn": "urn:dev:alder:gw-1:", "n": "dp", "v": 1}, {"n": "flow", "v": 2}),
    *({"bn": "urn:dev:alder:gw-2:", "n": "dp", "v": 3},),
]


def gateways(form: SenmlForm, parts: dict[str, str]) -> dict[str, list[str]]:
    found = form.read(Arrived("topic", as_json(PACK_OF_TWO), NOW_US, parts))
    assert found.faults == []
    return {message.gateway: [item.tag for item in message.readings] for message in found.messages}


def test_the_gateway_is_the_settings_own_then_the_topics_then_the_names() -> None:
    three, each = ["dp", "flow", "dp"], {"gw-1": ["dp", "flow"], "gw-2": ["dp"]}
    assert gateways(SenmlForm(gateway="fixed"), {"gateway": "topic"}) == {"fixed": three}
    assert gateways(SenmlForm(), {"gateway": "topic"}) == {"topic": three}
    assert gateways(SenmlForm(), {"site": "quay"}) == each
    assert gateways(SenmlForm(tag_from="last"), {}) == each


@pytest.mark.parametrize(
    ("form", "record", "why"),
    [
        (SenmlForm(), {"n": "dp", "v": 1}, "says no gateway"),
        (SenmlForm(), {"bn": "dp", "v": 1}, "says no gateway"),
        (SenmlForm(tag_from="name"), {"bn": "gw-1:", "n": "dp", "v": 1}, "says no gateway"),
        (SenmlForm(), {"bn": "g" * 129 + ":", "n": "dp", "v": 1}, "129 characters"),
    ],
)
def test_a_name_that_says_no_gateway_is_a_fault_where_nothing_else_does(
    form: SenmlForm, record: dict[str, Any], why: str
) -> None:
    found = form.read(Arrived("topic", as_json([record]), NOW_US, {}))
    assert found.messages == []
    assert why in found.faults[0]


def test_a_part_of_the_topic_that_is_no_name_is_refused() -> None:
    with pytest.raises(BadInput, match="gateway"):
        SenmlForm().read(arrived(as_json(PACK_OF_TWO), gateway="g" * 129))


# ---------------------------------------------------------------- bytes


@pytest.mark.parametrize(
    "payload",
    [
        pytest.param(b"\x9f\xbf\x00\x61a\x02\x01\xff\xff", id="indefinite lengths, as of a stream (RFC 8428, 6)"),
        pytest.param(b"\xd9\xd9\xf7\x81\xa2\x00\x61a\x02\x01", id="self-described (RFC 8949, 3.4.6)"),
        pytest.param(b"\x81\xa2\x00\x61a\x02\xf9\x3c\x00", id="a half float"),
        pytest.param(b"\x81\xa2\x61n\x61a\x61v\x01", id="labels as text"),
        pytest.param(b"\x81\xa3\x00\x61a\x02\x01\x18\x63\x05", id="a number that is no label"),
        pytest.param(b"\x81\xa3\x00\x61a\x02\x01\x61x\xc1\x05", id="a tag in a field of nobody"),
        pytest.param(b"\x81\xa2\x00\x61a\x02\xc4\x82\x21\x18\x64", id="a decimal fraction, 100e-2"),
        pytest.param(b"\x81\xa2\x00\x61a\x02\xc4\x82\x00\xc2\x41\x01", id="a decimal fraction of a big number"),
        pytest.param(b"\x81\xa2\x00\x61a\x02\xc2\x42\x00\x01", id="a big number"),
        pytest.param(b' \t\r\n[{"n":"a","v":1E0}]\n', id="JSON with blanks and a capital E"),
        pytest.param(b'[{"n":"a","v":1,"x":{"y":[[[]]]}}]', id="JSON with a nested field of nobody"),
    ],
)
def test_what_may_be_written_otherwise(payload: bytes) -> None:
    found = SenmlForm().read(arrived(payload))
    assert found.faults == []
    assert found.messages[0].readings == [GatewayReading("a", "", "", 1.0)]


def test_a_decimal_fraction_is_the_number_that_its_decimals_mean() -> None:
    """RFC 8949 section 3.4.4: 273.15 is [-2, 27315]. A negative big number n is -1 - n (3.4.3)."""
    pack = [{"n": "a", "v": cbor2.CBORTag(4, [-2, 27315])}, {"n": "b", "v": cbor2.CBORTag(3, b"\x01")}]
    found = SenmlForm().read(arrived(as_cbor(pack)))
    assert [item.value for item in found.messages[0].readings] == [273.15, -2.0]


BAD_CBOR_NUMBERS = {
    "an exponent without bounds": cbor2.CBORTag(4, [2**62, 1]),
    "three parts": cbor2.CBORTag(4, [1, 2, 3]),
    "a text inside": cbor2.CBORTag(4, [1, "2"]),
    "a big number of a text": cbor2.CBORTag(2, "1"),
    "a big number of a thousand bytes": cbor2.CBORTag(2, b"\x01" * 1000),
    "a big number beyond the largest float": cbor2.CBORTag(2, b"\xff" * 128),
    "a rational": cbor2.CBORTag(30, [1, 2]),
    "undefined": cbor2.undefined,
    "a date": cbor2.CBORTag(1, 5),
}


@pytest.mark.parametrize("name", BAD_CBOR_NUMBERS)
def test_cbor_that_is_no_finite_number_is_a_fault(name: str) -> None:
    found = SenmlForm().read(arrived(as_cbor([{"n": "a", "v": BAD_CBOR_NUMBERS[name]}, {"n": "b", "v": 1}])))
    assert [item.tag for item in found.messages[0].readings] == ["b"]
    assert "record 1: v " in found.faults[0]


DEEP = b"[" * 100_000
NO_PACKS = {
    "nothing": b"",
    "blank": b"  ",
    "a JSON object": b'{"n":"a","v":1}',
    "a JSON number": b"5",
    "a record that is none": b'[{"n":"a","v":1},5]',
    "cut short": b'[{"n":"a","v":1}',
    "two in one": b'[{"n":"a","v":1}][]',
    "a name twice": b'[{"n":"a","v":1,"v":2}]',
    "a name twice within": b'[{"n":"a","v":1,"x":{"y":1,"y":2}}]',
    "not UTF-8": b'[{"n":"a\xff","v":1}]',
    "byte order mark": b'\xef\xbb\xbf[{"n":"a","v":1}]',
    "an integer of 5000 digits": b'[{"n":"a","v":' + b"9" * 5000 + b"}]",
    "opened deeply": DEEP,
    "nested deeply": b'[{"n":"a","v":1,"x":' + DEEP + b"]" * len(DEEP) + b"}]",
    "CBOR: a map": b"\xa2\x00\x61a\x02\x01",
    "CBOR: a tag around": b"\xc1\x81\xa2\x00\x61a\x02\x01",
    "CBOR: a record that is none": b"\x82\xa2\x00\x61a\x02\x01\x05",
    "CBOR: cut short": SECTION_6[:-1],
    "CBOR: more after it": SECTION_6 + b"\x80",
    "CBOR: a label twice": b"\x81\xa3\x00\x61a\x02\x01\x02\x01",
    "CBOR: a label twice, once as text": b"\x81\xa3\x00\x61a\x02\x01\x61v\x01",
    "CBOR: not UTF-8": b"\x81\xa2\x00\x61\xff\x02\x01",
    "CBOR: a label not UTF-8": b"\x81\xa1\x61\xff\x01",
    "CBOR: a label of bytes": b"\x81\xa1\x41a\x01",
    "CBOR: a label of indefinite length": b"\x81\xa1\x7f\x61a\xff\x01",
    "CBOR: a byte that it does not use": b"\x9c",
    "CBOR: a break where none may be": b"\x81\xff",
    "CBOR: far too long": b"\x9b\xff\xff\xff\xff\xff\xff\xff\xff",
    "CBOR: a label far too long": b"\x81\xa1\x7b\xff\xff\xff\xff\xff\xff\xff\xff",
    "CBOR: a text far too long": b"\x81\xa1\x00\x7b\x7f\xff\xff\xff\xff\xff\xff\xff",
    "CBOR: nested deeply": b"\x81\xa1\x61x" + b"\x81" * 100_000,
    "CBOR: tagged deeply": b"\x81\xa1\x61x" + b"\xc1" * 100_000,
}


@pytest.mark.parametrize("name", NO_PACKS)
def test_what_is_no_pack_is_refused_with_what_was_expected_and_the_remedy(name: str) -> None:
    with pytest.raises(BadInput, match=r"(?s)^SenML pack: .+; expected a (JSON|CBOR) array of records .+; ") as caught:
        SenmlForm().read(arrived(NO_PACKS[name]))
    assert len(str(caught.value)) < 500


def test_only_the_coding_that_is_set_is_read() -> None:
    payloads = {"json": SECTION_5_1_2, "cbor": SECTION_6}
    codings: tuple[Coding, ...] = ("json", "cbor")
    for coding in codings:
        for other, payload in payloads.items():
            form = SenmlForm(coding)
            if other == coding:
                assert len(form.read(arrived(payload)).messages[0].readings) == 7
            else:
                with pytest.raises(BadInput, match=f"expected a {coding.upper()} array"):
                    form.read(arrived(payload))


def _head(major: int, length: int) -> bytes:
    return bytes([major << 5 | 26]) + length.to_bytes(4, "big")


# All of these lie in one place of a dict, for the hashes of -1 and -2 are the same, and 2**61 - 1 is 0.
_TUPLES = [b"\x8e" + bytes(parts) for parts in product((0x20, 0x21), repeat=14)]
_MULTIPLES = [b"\xc2\x4b" + (number * (2**61 - 1)).to_bytes(11, "big") for number in range(1, 20_000)]
COSTLY = {
    "keys in one place, in a field": b"\x81\xa1\x61x" + _head(5, 2**14) + b"\x00".join(_TUPLES) + b"\x00",
    "keys in one place, as labels": b"\x81" + _head(5, 2**14) + b"\x00".join(_TUPLES) + b"\x00",
    "big numbers in one place": b"\x81\xa1\x61x" + _head(5, 19_999) + b"\x00".join(_MULTIPLES) + b"\x00",
    "a fraction of large numbers": as_cbor([{"x": cbor2.CBORTag(30, [3**700_000, 7**500_000])}]),
    "a decimal fraction of a large number": as_cbor([{"n": "a", "v": cbor2.CBORTag(4, [-5, 3**1_000_000])}]),
    "a long base name before many records": as_json([{"bn": "a" * 200_000}] + [{"v": 1}] * 20_000),
    "a long name": as_json([{"n": ":" * 200_000, "v": 1}]),
    "a name of separators": as_json([{"n": "a" + ":/" * 127, "v": 1}] * 2000),
    "lists in lists, shared": as_cbor(
        [{"x": [cbor2.CBORTag(28, [1])] + [cbor2.CBORTag(28, [cbor2.CBORTag(29, row)] * 9) for row in range(500)]}]
    ),
}


@pytest.mark.parametrize("name", COSTLY)
def test_no_bytes_take_long(name: str) -> None:
    """In seconds of this process, which other work on the machine does not lengthen. Unguarded, some take minutes."""
    began = time.process_time()
    try:
        found = SenmlForm(tag_from="last").read(arrived(COSTLY[name]))
    except BadInput:
        found = Read()
    assert time.process_time() - began < 2.0
    assert all(len(why) < 500 for why in found.faults)


@pytest.mark.parametrize(
    "payload",
    [
        b"[" + b"{}," * 100_000 + b"{}]",
        b"\x9f" + b"\xa0" * 100_001,
        as_json([{"bn": "a", "bs": 1}] + [{"v": 1}] * 50_001),
    ],
    ids=["JSON records", "CBOR records", "readings"],
)
def test_more_records_or_readings_than_a_message_may_have_are_refused(payload: bytes) -> None:
    with pytest.raises(BadInput, match="more than 100000"):
        SenmlForm().read(arrived(payload))


# ---------------------------------------------------------------- in general

Sent = tuple[str, float, str, float, float]  # name, Unix time, unit, value, sum
NAMES = ("urn:dev:alder:gw-1:dp", "urn:dev:alder:gw-1:flow", "urn:dev:alder:gw-2:dp", "2001:db8::3/dp", "dp")
EIGHTHS = st.integers(-(2**30), 2**30).map(lambda number: number / 8)  # whose sums are exact
INSTANTS = st.integers(2**30, 2**33).map(lambda number: number / 4)
READINGS = st.lists(
    st.tuples(st.sampled_from(NAMES), INSTANTS, st.sampled_from(("Pa", "Cel", "m3/s", "")), EIGHTHS, EIGHTHS),
    min_size=1,
    max_size=12,
    unique_by=lambda item: item[:3],
)


def packed(data: st.DataObject, sent: list[Sent], *, sums: bool) -> list[dict[str, Any]]:
    """Records that resolve to `sent`, with base fields wherever the data say."""
    pack = []
    bases: dict[str, Any] = {"bn": "", "bt": 0.0, "bu": "", "bv": 0.0, "bs": 0.0}
    drawn: dict[str, st.SearchStrategy[Any]] = {"bt": INSTANTS, "bv": EIGHTHS, "bu": st.sampled_from(("Pa", "Cel"))}
    drawn |= {"bs": EIGHTHS} if sums else {}
    for name, at, unit, value, total in sent:
        new = {label: data.draw(values) for label, values in drawn.items() if data.draw(st.booleans())}
        if not name.startswith(bases["bn"]) or data.draw(st.booleans()):
            new["bn"] = name[: data.draw(st.integers(0, len(name)))]
        bases |= new
        own = {"n": name[len(bases["bn"]) :], "t": at - bases["bt"], "u": unit, "v": value - bases["bv"]}
        own |= {"s": total - bases["bs"]} if sums else {}
        may_go = {"n": "", "t": 0, "u": bases["bu"], "s": 0 if "bs" in new else None}
        gone = {label for label, nought in may_go.items() if own.get(label) == nought and data.draw(st.booleans())}
        pack.append(new | {label: part for label, part in own.items() if label not in gone})
    return pack


@settings(max_examples=200, deadline=None)
@given(data=st.data(), sent=READINGS, sums=st.booleans())
def test_resolving_gives_back_what_was_packed_wherever_the_base_fields_stand(
    data: st.DataObject, sent: list[Sent], sums: bool
) -> None:
    expected = []
    for name, at, unit, value, total in sorted(sent, key=lambda item: item[1]):
        expected.append((name, at, unit, value))
        expected += [(f"{name}.sum", at, f"{unit}.s" if unit else "", total)] if sums else []
    assert readings(packed(data, sent, sums=sums), SenmlForm(tag_from="name")) == expected


ANYTHING = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**80), 2**80) | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=5,
)
RECORDS = st.lists(
    st.dictionaries(st.sampled_from((*LABELS.values(), "x", "x_")), ANYTHING | st.just("a") | st.floats(-5, 5)),
    max_size=5,
)


def check(payload: bytes, form: SenmlForm) -> None:
    """A Read that can be written to the record, or BadInput."""
    for parts in ({"gateway": "gw-1"}, {}):
        try:
            found = form.read(Arrived("topic", payload, NOW_US, parts))
        except BadInput:
            continue
        assert all(isinstance(why, str) and len(why) < 500 for why in found.faults)
        for message in found.messages:
            again = msgspec.json.decode(msgspec.json.encode(message))
            assert len(again["readings"]) == len(message.readings)
            for item in message.readings:
                assert item.value is not None
                assert math.isfinite(item.value)
                assert item.at == "" or (isinstance(item.at, float) and math.isfinite(item.at))
                assert 1 <= len(item.tag) <= 128
                assert len(item.unit) <= 32


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200), st.sampled_from(("json", "cbor", "auto")), st.sampled_from(("n", "last", "name")))
@example(b"\x81\xa2\x00\x61a\x02\xc4\x82\x20\xc2\x40", "auto", "n")
def test_any_bytes_give_a_read_or_bad_input(payload: bytes, coding: Coding, tag_from: TagFrom) -> None:
    check(payload, SenmlForm(coding, tag_from=tag_from))


@settings(max_examples=300, deadline=None)
@given(RECORDS, st.sampled_from(("n", "last", "name")))
def test_any_records_give_a_read_or_bad_input_in_both_codings(pack: list[dict[str, Any]], tag_from: TagFrom) -> None:
    check(as_json(pack), SenmlForm(tag_from=tag_from))
    check(as_cbor(pack), SenmlForm(tag_from=tag_from))


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_a_pack_with_any_bytes_changed_gives_a_read_or_bad_input(data: st.DataObject) -> None:
    payload = bytearray(data.draw(st.sampled_from((SECTION_5_1_2, SECTION_6))))
    for _ in range(data.draw(st.integers(1, 4))):
        payload[data.draw(st.integers(0, len(payload) - 1))] = data.draw(st.integers(0, 255))
    check(bytes(payload), SenmlForm())


# ---------------------------------------------------------------- what the simulated plant sends

SENT = [
    ("dp", NOW_US - 1_000_000, 1234.5, "Pa"),
    ("speed", NOW_US - 500_001, 45.0, "%"),
    ("header", NOW_US, None, "Pa"),
    ("temp", NOW_US - 1, 21.5, "degC"),
]
RECEIVED = [("dp", NOW_US - 1_000_000, "Pa", 1234.5), ("speed", NOW_US - 500_001, "/100", 45.0)]
RECEIVED += [("temp", NOW_US - 1, "Cel", 21.5)]


@pytest.mark.parametrize("encode", [encoder.encode_json, encoder.encode_cbor])
def test_what_the_simulated_plant_sends_is_read_to_the_microsecond_under_its_gateway(encode: Any) -> None:
    """SenML cannot say that a value is missing, so a reading without one is not sent."""
    ((topic, payload),) = encode("gw-1", "b41f", 7, SENT)
    assert topic == "quay/senml/gw-1"
    found = SenmlForm().read(Arrived(topic, payload, NOW_US, {}))
    assert to_the_microsecond(found) == RECEIVED
    assert found.messages[0].gateway == "gw-1"
    assert encode("gw-1", "b41f", 8, [("dp", NOW_US, None, "Pa")]) == []


def test_a_name_that_comes_twice_at_one_time_is_a_fault_and_in_another_unit_it_is_not() -> None:
    """RFC 8428 section 5.1.3 has longitude and latitude under one name and time, in two units."""
    pack = [{"n": "dp", "u": "Pa", "v": 1}, {"n": "dp", "u": "lon", "v": 2}, {"n": "dp", "u": "Pa", "v": 3}]
    found = read(pack)
    assert [item.value for message in found.messages for item in message.readings] == [1.0, 2.0]
    (fault,) = found.faults
    assert fault.startswith("SenML record 3: name 'dp' comes twice at one time")

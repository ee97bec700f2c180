"""Arbitrary JSON by a mapping: what is found, what is missing, and that one item does not spoil another."""

from __future__ import annotations

import contextlib
import json
import math
import time
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.decode.form import Arrived, Read
from service.decode.mapped import DEPTH_MOST, MappedForm, Mapping
from service.model import BadInput, GatewayReading

AT = "2026-11-25T08:00:00Z"
LONG = Mapping(items="points", tag="n", value="v", unit="u", at="t")
WIDE = Mapping(values={"dp": "dp", "header": "air.header"}, at="t")


def read(mapping: Mapping, document: Any, **parts: str) -> Read:
    raw = document if isinstance(document, bytes) else json.dumps(document).encode()
    return MappedForm(mapping).read(Arrived("quay/devices/gw-1", raw, 0, {"gateway": "gw-1"} | parts))


def readings(mapping: Mapping, document: Any, **parts: str) -> list[GatewayReading]:
    """The readings of a document in which nothing is wrong."""
    found = read(mapping, document, **parts)
    assert found.faults == []
    return found.messages[0].readings


def point(**changes: Any) -> dict[str, Any]:
    base = {"n": "dp", "v": 3.14, "u": "inH2O", "t": AT} | changes
    return {key: value for key, value in base.items() if value is not ...}


def good(tag: str = "dp", value: float = 3.14, at: str | float = AT, unit: str = "inH2O") -> GatewayReading:
    return GatewayReading(tag, at, unit, value, "good")


def bad(tag: str = "dp", value: float | None = None, unit: str = "inH2O") -> GatewayReading:
    return GatewayReading(tag, AT, unit, value, "bad")


# ---------------------------------------------------------------- one reading in an item


@pytest.mark.parametrize(
    ("more", "item", "expected"),
    [
        ({}, point(), good()),
        ({}, point(v="3.14"), good()),
        ({"decimal": ","}, point(v=" 3,14 "), good()),
        ({"decimal": ","}, point(v=3.14), good()),
        ({}, point(v=True), good(value=1.0)),
        ({}, point(v=None), bad()),
        ({}, point(n=40001), good("40001")),  # a register's number for a name
        ({}, point(u=None), good(unit="")),
        ({"unit": ""}, point(u=...), good(unit="")),
        ({"unit": "u || ''"}, point(u=...), good(unit="")),
        ({"unit": "'psi'"}, point(), good(unit="psi")),
        ({"at": ""}, point(t=...), good(at="")),
        ({"time_form": "ms"}, point(t=1_795_593_600_250), good(at=1_795_593_600.25)),
        ({"time_form": "%Y-%m-%d %H:%M", "time_zone": "Europe/Dublin"}, point(t="2026-11-25 08:00"),
         good(at=1_795_593_600.0)),
        ({"value": "v.now[0]"}, point(v={"now": [3.14]}), good()),
        ({"value": "to_number(v)"}, point(v="3.14"), good()),
        ({"value": '"v 1"'}, point(**{"v 1": 3.14}), good()),
        ({"tag": "join('/', [n, m])"}, point(m="raw"), good("dp/raw")),
        ({"quality": "q"}, point(q="good"), good()),
        ({"quality": "q"}, point(q="BAD"), bad(value=3.14)),
        ({"quality": "q || 'good'"}, point(), good()),
        ({"good": "s == `192`"}, point(s=192), good()),
        ({"good": "s == `192`"}, point(s=0), bad(value=3.14)),
        ({"good": "ok"}, point(ok=False, v=None), bad()),
        ({"good": "ok"}, point(ok=False, v="---"), bad()),
        ({"good": "ok"}, point(ok=False, v=...), bad()),
        ({"good": "ok"}, point(ok=True, v=None), bad()),
    ],
)  # fmt: skip
def test_a_reading_is_where_the_mapping_says(more: dict[str, Any], item: Any, expected: GatewayReading) -> None:
    assert readings(replace(LONG, **more), {"points": [item]}) == [expected]


BAD_ITEMS: dict[str, tuple[dict[str, Any], Any, str]] = {
    "no tag": ({}, point(n=...), "tag: nothing at 'n'"),
    "no value": ({}, point(v=...), "value: nothing at 'v'"),
    "no unit": ({}, point(u=...), "unit: nothing at 'u'"),
    "no time": ({}, point(t=...), "at: nothing at 't'"),
    "no quality": ({"quality": "q"}, point(), "quality: nothing at 'q'"),
    "no mark of goodness": ({"good": "ok"}, point(), "good: nothing at 'ok'"),
    "nothing deeper": ({"value": "v.now"}, point(), "value: nothing at 'v.now'"),
    "a list that is too short": ({"value": "v[1]"}, point(v=[1]), "value: nothing at 'v[1]'"),
    "nothing after a function": ({"value": "to_number(v)"}, point(v=...), "value: nothing at"),
    "a null time": ({}, point(t=None), "time None"),
    "an empty time": ({}, point(t=""), "time ''"),
    "a time that is a number": ({}, point(t=5), "time 5"),
    "a text for a value": ({}, point(v="high"), "value 'high'"),
    "an object for a value": ({}, point(v={}), "value an object"),
    "a number that is none": ({}, point(v=math.nan), "value nan"),
    "a number beyond all floats": ({}, point(v=10**400), "very many digits"),
    "a tag that is empty": ({}, point(n=""), "tag ''"),
    "a tag too long": ({}, point(n="t" * 129), "tag 'ttt"),
    "a tag that is null": ({}, point(n=None), "tag None"),
    "a tag that is true": ({}, point(n=True), "tag True"),
    "a unit too long": ({}, point(u="u" * 33), "unit 'uuu"),
    "a unit that is a number": ({}, point(u=1), "unit 1"),
    "another quality": ({"quality": "q"}, point(q="uncertain"), "expected good or bad"),
    "a quality that is null": ({"quality": "q"}, point(q=None), "expected good or bad"),
    "goodness that is a number": ({"good": "ok"}, point(ok=1), "expected true or false"),
    "a function of the wrong type": ({"value": "abs(v)"}, point(v="high"), "for 'abs(v)'"),
    "a comparison of unlike things": ({"good": "v > n"}, point(), "for 'v > n'"),
    "values without times": ({}, point(v=[1, 2]), "a list of 2 values"),
    "times without values": ({}, point(t=[AT, AT]), "time a list of 2"),
    "not an object": ({}, 7, "at: nothing at 't'"),
}


@pytest.mark.parametrize("name", BAD_ITEMS)
def test_an_item_that_is_wrong_is_a_fault_that_names_what_is_missing_or_wrong(name: str) -> None:
    more, item, why = BAD_ITEMS[name]
    found = read(replace(LONG, **more), {"points": [item]})
    assert found.messages[0].readings == []
    (fault,) = found.faults
    assert fault.startswith("items[0]: ")
    assert why in fault
    assert "; correct" in fault
    assert len(fault) < 400


def test_neighbours_of_a_wrong_item_are_read() -> None:
    found = read(LONG, {"points": [point(), point(v="x"), 7, None, point(v=2)]})
    assert found.messages[0].readings == [good(), good(value=2.0)]
    assert [fault.partition(":")[0] for fault in found.faults] == ["items[1]", "items[2]", "items[3]"]


# ---------------------------------------------------------------- several values in an item


@pytest.mark.parametrize(
    ("item", "expected"),
    [
        ({"dp": 3.14, "air": {"header": 90}}, [good(unit=""), good("header", 90.0, unit="")]),
        ({"dp": 3.14}, [good(unit="")]),
        ({"dp": 3.14, "air": {}}, [good(unit="")]),
        ({"dp": 3.14, "air": 7}, [good(unit="")]),
        ({"dp": None, "air": {"header": None}}, [bad(unit=""), bad("header", unit="")]),
        ({"dp": None}, [bad(unit="")]),
        ({"dp": False}, [good(value=0.0, unit="")]),
    ],
)
def test_a_wide_key_that_is_absent_was_not_measured_and_null_is_bad(item: Any, expected: list[GatewayReading]) -> None:
    assert readings(WIDE, item | {"t": AT}) == expected


def test_a_wide_value_that_is_no_number_spoils_itself_alone() -> None:
    found = read(WIDE, {"t": AT, "dp": "high", "air": {"header": 90}})
    assert found.messages[0].readings == [good("header", 90.0, unit="")]
    (fault,) = found.faults
    assert fault.startswith("tag 'dp': value 'high'")


def test_a_wide_item_without_its_time_is_a_fault() -> None:
    found = read(WIDE, {"dp": 3.14})
    assert (found.messages[0].readings, found.faults[0][:18]) == ([], "at: nothing at 't'")


def test_a_wide_quality_is_of_all_values_of_the_item() -> None:
    mapping = replace(WIDE, items="rows", quality="q")
    rows = [{"t": AT, "dp": 1, "q": "bad"}, {"t": AT, "dp": 2, "q": "good"}]
    assert readings(mapping, {"rows": rows}) == [bad(value=1.0, unit=""), good(value=2.0, unit="")]


@pytest.mark.parametrize(
    ("expression", "item", "is_there"),
    [
        ("a.b", {"a": {"b": None}}, True),
        ("a.b", {"a": {}}, False),
        ("a.b", {"a": None}, False),
        ("a[0]", {"a": [None]}, True),
        ("a[-2]", {"a": [None]}, False),
        ("a[0].b", {"a": [{"b": None}]}, True),
        ("a | b", {"a": {"b": None}}, True),
        ("a || b", {"b": None}, True),
        ("a || b", {}, False),
        ("to_number(a)", {"a": "x"}, True),
        ("to_number(a)", {}, False),
        ("max(a[*].b)", {"a": []}, False),
        ("@.a", {"a": None}, True),
        ("a[?b].c | [0]", {"a": []}, False),
    ],
)
def test_a_null_that_is_written_is_told_from_nothing(expression: str, item: Any, is_there: bool) -> None:
    found = read(Mapping(values={"dp": expression}), item)
    assert found.messages[0].readings == ([GatewayReading("dp", "", "", None, "bad")] if is_there else [])
    assert len(found.faults) == (0 if is_there else 1)


@pytest.mark.parametrize("item", [{}, {"error": "sensor offline"}, {"air": {}}])
def test_a_wide_item_without_any_of_the_values_is_a_fault(item: dict[str, Any]) -> None:
    """Or a mistake in the mapping would be silent for ever."""
    found = read(replace(WIDE, items="rows"), {"rows": [{"t": AT, "dp": 1}, item | {"t": AT}]})
    assert len(found.messages[0].readings) == 1
    (fault,) = found.faults
    assert fault.startswith("items[1]: none of the values is there")


# ---------------------------------------------------------------- lists of values


def test_lists_of_values_and_times_are_read_side_by_side() -> None:
    times = [AT, "2026-11-25T08:00:01Z", "2026-11-25T08:00:02Z"]
    long = readings(LONG, {"points": [point(v=[1, None, "3"], t=times)]})
    assert [(item.value, item.at, item.quality) for item in long] == [
        (1.0, times[0], "good"),
        (None, times[1], "bad"),
        (3.0, times[2], "good"),
    ]
    wide = readings(WIDE, {"t": times, "dp": [1, 2, 3], "air": {"header": [4, 5, 6]}})
    assert [(item.tag, item.value) for item in wide] == [
        *(("dp", value) for value in (1.0, 2.0, 3.0)),
        *(("header", value) for value in (4.0, 5.0, 6.0)),
    ]


def test_a_wrong_value_or_time_in_a_list_spoils_its_own_reading_alone() -> None:
    found = read(LONG, {"points": [point(v=[1, "x", 3], t=[AT, AT, None])]})
    assert [item.value for item in found.messages[0].readings] == [1.0]
    assert [fault[:22] for fault in found.faults] == ["items[0]: tag 'dp': va", "items[0]: tag 'dp': ti"]


@pytest.mark.parametrize(
    ("value", "at", "quality"),
    [([1, 2], [AT], "good"), ([1], AT, "good"), ([1, 2], [AT, AT], ["good"]), (1, AT, ["good"]), ([], AT, "good")],
)
def test_lists_of_unequal_length_are_a_fault(value: Any, at: Any, quality: Any) -> None:
    found = read(replace(LONG, quality="q"), {"points": [point(v=value, t=at, q=quality)]})
    assert found.messages[0].readings == []
    assert len(found.faults) == 1


def test_a_list_of_qualities_goes_with_the_values() -> None:
    item = point(v=[1, 2], t=[AT, AT], q=["bad", "good"])
    found = readings(replace(LONG, quality="q"), {"points": [item]})
    assert [(each.value, each.quality) for each in found] == [(1.0, "bad"), (2.0, "good")]


# ---------------------------------------------------------------- the rest of the document, and the topic


def test_gateway_boot_and_number_are_where_the_mapping_says() -> None:
    mapping = replace(LONG, gateway="from.id", boot="from.start", seq="count")
    (message,) = read(mapping, {"from": {"id": "d-7", "start": 12}, "count": 5, "points": []}).messages
    assert (message.gateway, message.boot, message.seq, message.readings) == ("d-7", "12", 5, [])
    (message,) = read(mapping, {"from": {"id": "d-7", "start": None}, "count": None, "points": []}).messages
    assert (message.boot, message.seq) == (None, None)


@pytest.mark.parametrize(
    ("document", "why"),
    [
        ({"b": "b1"}, "seq: nothing at 'n'"),
        ({"n": 1}, "boot: nothing at 'b'"),
        *(({"b": "b1", "n": n}, "seq ") for n in (-1, 1.5, True, "x", "", 2**63, [1])),
        *(({"b": b, "n": 1}, "boot ") for b in ("", "b" * 129, [1], True, 1.5)),
    ],
)
def test_a_number_that_cannot_be_read_is_a_fault_and_the_readings_stay(document: Any, why: str) -> None:
    found = read(replace(LONG, boot="b", seq="n"), document | {"points": [point()]})
    assert found.messages[0].readings == [good()]
    (fault,) = found.faults
    assert fault.startswith(why)


def test_fields_may_be_parts_of_the_topic() -> None:
    mapping = Mapping(
        tag="{signal}", value="v", unit="{unit}", at="t", gateway="{device}", boot="{boot}", seq="{count}"
    )
    parts = {"signal": "dp", "unit": "inH2O", "device": "d-7", "boot": "b1", "count": "17"}
    (message,) = read(mapping, {"v": 3.14, "t": AT}, **parts).messages
    assert (message.gateway, message.boot, message.seq, message.readings) == ("d-7", "b1", 17, [good()])
    with pytest.raises(BadInput, match="no usable part"):
        read(mapping, {"v": 3.14, "t": AT}, device="d-7")


def test_fields_of_the_document_stand_for_all_items() -> None:
    mapping = replace(LONG, at="$.head.time", unit="$.head.unit")
    document = {"head": {"time": AT, "unit": "psi"}, "points": [{"n": "a", "v": 1}, {"n": "b", "v": 2}]}
    assert readings(mapping, document) == [good("a", 1.0, unit="psi"), good("b", 2.0, unit="psi")]
    assert len(read(mapping, document | {"head": {"unit": "psi"}}).faults) == 2


@pytest.mark.parametrize("name", [None, "", "g" * 129, [], True, 1.5, ...])
def test_a_gateway_that_is_no_name_refuses_the_document(name: Any) -> None:
    document = {"points": [point()]} if name is ... else {"id": name, "points": [point()]}
    with pytest.raises(BadInput, match="gateway"):
        read(replace(LONG, gateway="id"), document)


def test_without_times_a_tag_may_come_only_once() -> None:
    found = read(replace(LONG, at=""), {"points": [point(), point(v=2), point(n="header")]})
    assert [item.tag for item in found.messages[0].readings] == ["dp", "header"]
    assert "it comes again without a time" in found.faults[0]


# ---------------------------------------------------------------- documents that cannot be used

REFUSED: dict[str, Any] = {
    "nothing": b"",
    "not JSON": b"points",
    "cut short": b'{"points":[',
    "two documents": b"{}{}",
    "byte order mark": b'\xef\xbb\xbf{"points":[]}',
    "not UTF-8": b'{"points":["\xff"]}',
    "UTF-16": '{"points":[]}'.encode("utf-16"),
    "a surrogate": b'{"points":["\xed\xa0\x80"]}',
    "a lone surrogate": b'{"points":[{"n":"\\ud800","v":1,"u":"Pa","t":"x"}]}',
    "a lone surrogate in a key": b'{"points":[],"\\udc00":1}',
    "an integer of 5000 digits": b'{"points":[' + b"9" * 5000 + b"]}",
    "no items": {},
    "items null": {"points": None},
    "items not a list": {"points": {"n": "dp"}},
    "a list": [point()],
    "a text": "points",
    "null": None,
    "one level too deep": {"points": [], "x": json.loads("[" * DEPTH_MOST + "]" * DEPTH_MOST)},
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_document_for_the_mapping_is_refused(name: str) -> None:
    with pytest.raises(BadInput, match=r"^(message|items): .+expected .+; correct") as caught:
        read(LONG, REFUSED[name])
    assert len(str(caught.value)) < 400


def test_a_document_of_the_greatest_depth_is_read() -> None:
    deep = json.loads("[" * (DEPTH_MOST - 1) + "1" + "]" * (DEPTH_MOST - 1))
    assert readings(LONG, {"points": [point()], "x": deep}) == [good()]


def test_a_surrogate_pair_is_a_letter() -> None:
    assert readings(LONG, {"points": [point(n="\U0001f600")]}) == [good("\U0001f600")]


@pytest.mark.parametrize(
    ("mapping", "document"),
    [
        (LONG, {"points": [point()] * 100_001}),
        (LONG, {"points": [{}] * 100_001}),
        (LONG, {"points": [point(v=[1] * 100_001, t=[AT] * 100_001)]}),
        (Mapping(items="@", values={f"t{i}": "v" for i in range(50)}), [{}] * 4001),
    ],
    ids=["items", "wrong items", "a list", "lookups"],
)
def test_more_than_the_most_readings_are_refused_as_a_whole(mapping: Mapping, document: Any) -> None:
    with pytest.raises(BadInput, match=r"at most .+; send fewer"):
        read(mapping, document)


@pytest.mark.parametrize(
    ("mapping", "document"),
    [
        (Mapping(items="@", values={f"t{i}": f"v.w.x{i}" for i in range(50)}), [{}] * 4000),
        (replace(LONG, at="$.t"), {"t": {str(i): i for i in range(20_000)}, "points": [point()] * 5000}),
        (replace(LONG, value="abs(v)"), {"points": [point(v="x" * 250)] * 1000}),
        (LONG, {"points": [point(v=["x"] * 50_000, t=[AT] * 50_000)]}),
    ],
    ids=["absent values", "a huge time", "unfit values", "wrong values"],
)
def test_laborious_documents_take_a_bounded_time(mapping: Mapping, document: Any) -> None:
    started_s = time.process_time()
    read(mapping, document)
    assert time.process_time() - started_s < 10.0


# ---------------------------------------------------------------- mappings that cannot be followed


@pytest.mark.parametrize(
    ("mapping", "why"),
    [
        (Mapping(), "tag and value"),
        (Mapping(tag="n"), "tag and value"),
        (Mapping(value="v"), "tag and value"),
        (replace(LONG, values={"dp": "dp"}), "tag and value"),
        (replace(WIDE, unit="u"), "tag and value"),
        (replace(LONG, quality="q", good="ok"), "leave one out"),
        (replace(LONG, decimal=";"), "decimal"),
        (replace(LONG, time_form="%H:%M", time_zone="UTC"), "time_form"),
        (replace(LONG, time_zone="UTC"), "time_zone"),
        (Mapping(values={"": "dp"}), "1 to 128"),
        (Mapping(values={"t" * 129: "dp"}), "1 to 128"),
        (Mapping(values={"dp": "$.dp"}), "within an item"),
        (Mapping(values={"dp": "{part}"}), "within an item"),
        (Mapping(values={"dp": ""}), r"values\.dp = ''"),
        (replace(LONG, value="a..b"), r"value = 'a\.\.b': .+; expected a JMESPath"),
        (replace(LONG, value="a["), r"value = 'a\[': "),
        (replace(LONG, value="a-b"), "double quotes"),
        (replace(LONG, at="$time"), r"at = '\$time'"),
        (replace(LONG, at="$."), r"at = '\$\.'"),
        (replace(LONG, gateway="{Gateway}"), "gateway = '{Gateway}'"),
        (replace(LONG, value="round(v)"), r"Unknown function: round\(\)"),
        (replace(LONG, value="a || b[?abs(v, `2`)]"), r"function abs\(\)"),
        (replace(LONG, value="not_null()"), "not_null"),
        (replace(LONG, items="(" * 5000 + "a" + ")" * 5000), "recursion"),
    ],
)
def test_a_mapping_that_cannot_be_followed_is_refused_at_once(mapping: Mapping, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        MappedForm(mapping)


# ---------------------------------------------------------------- whatever arrives

TEXTS = st.text(st.characters(exclude_categories=()), max_size=6)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | TEXTS | st.sampled_from([AT, "3.14", 10**400]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("nvutq") | TEXTS, inner, max_size=4),
    max_leaves=12,
)
ITEMS = st.fixed_dictionaries({}, optional={key: st.just(value) | VALUES for key, value in point(q="good").items()})
MAPPINGS = [
    replace(LONG, quality="q || 'good'", boot="b", seq="s", gateway="g || 'gw-1'"),
    Mapping(items="points", values={"dp": "v", "header": "n.v", "x": "v[0]"}, at="t", good="q != 'bad'"),
    Mapping(items="points[]", tag="n", value="ceil(to_number(v))", at="t", time_form="ms"),
    Mapping(values={"dp": "sum(points[*].v)", "x": "max_by(points, &v).v"}, good="points[0].v < points[1].v"),
]


@pytest.mark.parametrize("mapping", MAPPINGS)
@settings(max_examples=200)
@given(document=st.fixed_dictionaries({"points": st.lists(ITEMS | VALUES, max_size=4) | VALUES},
       optional={"b": VALUES, "s": VALUES, "g": VALUES}) | VALUES, escaped=st.booleans())  # fmt: skip
@example(document={"points": [{"v": "9" * 5000, "n": "dp", "t": 1}]}, escaped=True)
@example(document={"points": [{"v": 10**4299 * 9}] * 9}, escaped=True)
@example(document={"points": [{"v": float("inf")}, {"v": "x"}]}, escaped=True)
def test_any_json_is_usable_readings_and_faults_or_bad_input(mapping: Mapping, document: Any, escaped: bool) -> None:
    raw = json.dumps(document, ensure_ascii=escaped).encode("utf-8", "surrogatepass")
    try:
        found = read(mapping, raw)
    except BadInput as error:
        str(error).encode()
        return
    for fault in found.faults:
        assert len(fault.encode()) < 2000
    for reading in found.messages[0].readings:
        assert 1 <= len(reading.tag.encode()) <= 128 * 4
        assert (reading.quality == "bad") if reading.value is None else math.isfinite(reading.value)
        assert reading.at or not mapping.at


@given(st.binary(max_size=60))
def test_any_bytes_are_read_or_bad_input(payload: bytes) -> None:
    for mapping in (LONG, WIDE):
        with contextlib.suppress(BadInput):
            read(mapping, payload)

"""Native messages: whatever arrives, the answer is a message, or the reasons why not, and nothing else."""

from __future__ import annotations

import contextlib
import json
import math
import time
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.decode import native
from service.model import BadInput, GatewayMessage, GatewayReading, Parcel

GOOD = '{"tag":"dp","at":"2026-11-25T08:00:00.000Z","value":3.14,"unit":"inH2O","quality":"good"}'
EXAMPLE = (
    '{"gateway":"gw-cut-1","boot":"b41f","seq":1234,"readings":['
    + GOOD
    + ',{"tag":"header","at":1795593600.25,"value":null,"unit":"psi","quality":"bad"}]}'
)


def message(*readings: str, more: str = "") -> bytes:
    return ('{"gateway":"gw-1","readings":[' + ",".join(readings) + "]" + more + "}").encode()


def reading(**changes: Any) -> dict[str, Any]:
    base = {"tag": "dp", "at": "2026-11-25T08:00:00Z", "value": 3.14, "unit": "inH2O"} | changes
    return {key: value for key, value in base.items() if value is not ...}


def test_a_message_is_read_as_it_was_sent() -> None:
    decoded = native.decode(EXAMPLE.encode())
    assert decoded.faults == []
    assert decoded.message == GatewayMessage(
        "gw-cut-1",
        [
            GatewayReading("dp", "2026-11-25T08:00:00.000Z", "inH2O", 3.14, "good"),
            GatewayReading("header", 1795593600.25, "psi", None, "bad"),
        ],
        "b41f",
        1234,
    )


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"quality": ...}, GatewayReading("dp", "2026-11-25T08:00:00Z", "inH2O", 3.14, "good")),
        ({"value": ...}, GatewayReading("dp", "2026-11-25T08:00:00Z", "inH2O", None, "good")),  # refused further on
        ({"at": 1795593600}, GatewayReading("dp", 1795593600.0, "inH2O", 3.14, "good")),
        ({"value": 3}, GatewayReading("dp", "2026-11-25T08:00:00Z", "inH2O", 3.0, "good")),
        ({"value": 10**30}, GatewayReading("dp", "2026-11-25T08:00:00Z", "inH2O", 1e30, "good")),
        ({"comment": "a key of the gateway's own"}, GatewayReading("dp", "2026-11-25T08:00:00Z", "inH2O", 3.14)),
    ],
)
def test_what_may_be_left_out_or_written_otherwise(changes: dict[str, Any], expected: GatewayReading) -> None:
    decoded = native.decode(message(json.dumps(reading(**changes))))
    assert (decoded.message.readings, decoded.faults) == ([expected], [])


def test_boot_and_sequence_may_be_left_out_and_readings_may_be_none() -> None:
    assert native.decode(message()).message == GatewayMessage("gw-1", [])


DEEP = "[" * 100_000 + "]" * 100_000
BAD_MESSAGES = {
    "nothing": b"",
    "blank": b"   ",
    "not JSON": b"3.14 inH2O",
    "cut short": EXAMPLE.encode()[:-1],
    "two in one": message() + message(),
    "invalid UTF-8 in a text": b'{"gateway":"gw-\xff","readings":[]}',
    "invalid UTF-8 in a reading": b'{"gateway":"g","readings":[{"tag":"\xc3\x28","at":1,"value":1,"unit":"Pa"}]}',
    "an integer of 5000 digits": message(GOOD, GOOD.replace("3.14", "9" * 5000)),
    "nested deeply": message(GOOD, DEEP),
    "nested deeply in an unknown key": message(GOOD, more=',"x":' + DEEP),
    "opened deeply": b"[" * 200_000,
    "a list": b"[]",
    "a text": b'"gateway"',
    "null": b"null",
    "no gateway": b'{"readings":[]}',
    "no readings": b'{"gateway":"gw-1"}',
    "readings null": b'{"gateway":"gw-1","readings":null}',
    "readings not a list": b'{"gateway":"gw-1","readings":{}}',
    "gateway empty": b'{"gateway":"","readings":[]}',
    "gateway a number": b'{"gateway":7,"readings":[]}',
    "gateway too long": b'{"gateway":"' + b"g" * 129 + b'","readings":[]}',
    "sequence negative": message(more=',"seq":-1'),
    "sequence a text": message(more=',"seq":"1"'),
    "sequence a fraction": message(more=',"seq":1.5'),
    "sequence too large": message(more=',"seq":9223372036854775808'),
    "boot a number": message(more=',"boot":5'),
    "single quotes": b"{'gateway':'gw-1','readings':[]}",
    "trailing comma": b'{"gateway":"gw-1","readings":[],}',
    "comment": b'{"gateway":"gw-1","readings":[]} // end',
}


@pytest.mark.parametrize("name", BAD_MESSAGES)
def test_what_is_no_message_is_refused_with_what_was_expected_and_the_remedy(name: str) -> None:
    with pytest.raises(BadInput, match=r"^message: .+; expected the native JSON form .+; compare with") as caught:
        native.decode(BAD_MESSAGES[name])
    assert len(str(caught.value)) < 500


NOT_UTF_8 = {
    "byte order mark": b"\xef\xbb\xbf[]" + message(),
    "byte order mark before a message that is read piece by piece": b"\xef\xbb\xbf" + message("7"),
    "UTF-16": EXAMPLE.encode("utf-16"),
    "surrogate as UTF-8": b'{"gateway":"g\xed\xa0\x80","readings":[]}',
    "lone surrogate": b'{"gateway":"g\\ud800","readings":[]}',
    "lone surrogate in a reading": message(GOOD, GOOD.replace("dp", "\\udc00")),
    "lone surrogate in a reading that is none": message(GOOD, '["\\udc00"]'),
}


@pytest.mark.parametrize(
    "name",
    list(NOT_UTF_8),
)
def test_what_is_not_utf_8_is_refused_as_a_whole(name: str) -> None:
    """RFC 8259 section 8.1: UTF-8. What has a lone surrogate could not be written to the record either."""
    with pytest.raises(BadInput, match=r"^message: "):
        native.decode(NOT_UTF_8[name])


@pytest.mark.parametrize("literal", ["NaN", "Infinity", "-Infinity", "1e400", "-1e400"])
def test_a_number_that_json_does_not_have_spoils_its_own_reading_alone(literal: str) -> None:
    """It stays a message; that the value is not finite is said further on, reading by reading."""
    decoded = native.decode(message(GOOD, GOOD.replace("3.14", literal), GOOD))
    values = [item.value for item in decoded.message.readings]
    assert [value == 3.14 for value in values] == [True, False, True]
    assert values[1] is not None
    assert not math.isfinite(values[1])


BAD_READINGS: dict[str, tuple[Any, str]] = {
    "no tag": (reading(tag=...), "tag"),
    "no time": (reading(at=...), "at"),
    "no unit": (reading(unit=...), "unit"),
    "tag empty": (reading(tag=""), "tag"),
    "tag too long": (reading(tag="t" * 129), "tag"),
    "tag a number": (reading(tag=7), "tag"),
    "tag a huge integer": (reading(tag=10**40), "tag"),
    "value a text": (reading(value="3.14"), "value"),
    "value a boolean": (reading(value=True), "value"),
    "value a list": (reading(value=[3.14]), "value"),
    "value an integer beyond floats": (reading(value=10**400), "value"),
    "time null": (reading(at=None), "at"),
    "time a boolean": (reading(at=True), "at"),
    "quality unknown": (reading(quality="uncertain"), "quality"),
    "quality null": (reading(quality=None), "quality"),
    "unit empty": (reading(unit=""), "unit"),
    "unit too long": (reading(unit="u" * 33), "unit"),
    "null": (None, "object"),
    "a list": (["dp", 3.14], "object"),
    "a number": (3.14, "object"),
}


@pytest.mark.parametrize("name", BAD_READINGS)
def test_a_reading_that_is_wrong_does_not_take_its_neighbours_with_it(name: str) -> None:
    item, about = BAD_READINGS[name]
    decoded = native.decode(message(GOOD, json.dumps(item), GOOD, more=',"boot":"b1","seq":3'))
    assert [found.tag for found in decoded.message.readings] == ["dp", "dp"]
    assert (decoded.message.gateway, decoded.message.boot, decoded.message.seq) == ("gw-1", "b1", 3)
    ((kept, why),) = decoded.faults
    assert kept == item
    assert why.startswith("readings[1]: ")
    assert about in why
    assert why.endswith("; expected the native form; mend the gateway's template")


def test_of_a_key_that_comes_twice_the_last_counts() -> None:
    """RFC 8259 section 4 leaves it open; it is at least always the same."""
    twice = b'{"gateway":"a","gateway":"gw-1","readings":[],"readings":[' + GOOD.encode() + b"]}"
    decoded = native.decode(twice)
    assert decoded.message.gateway == "gw-1"
    assert len(decoded.message.readings) == 1


def test_the_unreadable_readings_go_to_quarantine_alone_and_can_be_driven_through_again() -> None:
    parcel = Parcel("t", message(GOOD, json.dumps(reading(tag=10**40)), json.dumps(reading(unit=5)), GOOD), 77)
    decoded = native.decode(parcel.payload)
    kept = native.rejection(parcel, decoded.message, decoded.faults)
    assert (kept.topic, kept.received_us, kept.code) == ("t", 77, "reading-invalid")
    assert kept.reason == "; ".join(why for _, why in decoded.faults)
    again = native.decode(kept.payload)
    assert again.message == GatewayMessage("gw-1", [])
    assert [item for item, _ in again.faults] == [item for item, _ in decoded.faults]


def test_the_reasons_of_many_unreadable_readings_are_counted_and_not_all_told() -> None:
    parcel = Parcel("t", message(*["7"] * 1000), 0)
    decoded = native.decode(parcel.payload)
    kept = native.rejection(parcel, decoded.message, decoded.faults)
    assert len(decoded.faults) == 1000
    assert kept.reason.endswith("; and 995 more readings")
    assert len(kept.reason) < 1000


@pytest.mark.parametrize("depth", [10, 100, *range(150, 1050, 50)])
def test_a_reading_nested_to_any_depth_is_refused_and_kept_or_the_whole_message_is(depth: int) -> None:
    parcel = Parcel("t", message(GOOD, "[" * depth + "]" * depth), 0)
    try:
        decoded = native.decode(parcel.payload)
    except BadInput:
        assert depth > 500
        return
    assert len(decoded.message.readings) == 1
    assert native.rejection(parcel, decoded.message, decoded.faults).payload.count(b"[") == depth + 1


@pytest.mark.parametrize(
    "payload",
    [
        b"[" * 262_144,
        b'{"a":' * 50_000,
        b"9" * 262_144,
        b'"' + b"\\u00e9" * 43_000 + b'"',
        message(*["7"] * 100_000),
        message(*[GOOD] * 2_900),
        message(GOOD, "1" * 262_000),
    ],
    ids=["opening", "objects", "digits", "escapes", "wrong readings", "good readings", "a long number"],
)
def test_the_longest_messages_take_a_bounded_time(payload: bytes) -> None:
    started_s = time.perf_counter()
    with contextlib.suppress(BadInput):
        native.decode(payload)
    assert time.perf_counter() - started_s < 2.0


# ---------------------------------------------------------------- a gateway's status


def test_a_status_says_whether_the_gateway_is_there() -> None:
    status = native.decode_status(b'{"gateway":"gw-1","state":"offline","boot":"b1","at":"2026-11-25T08:00:00Z"}')
    assert (status.gateway, status.state, status.boot) == ("gw-1", "offline", "b1")
    assert native.decode_status(b'{"gateway":"gw-1","state":"online","at":1795593600.5}').at == 1795593600.5
    assert native.decode_status(b'{"gateway":"gw-1","state":"online"}').boot is None


@pytest.mark.parametrize(
    "payload",
    [
        b"",  # a retained status that was cleared
        b"offline",
        b'"offline"',
        b'{"gateway":"gw-1"}',
        b'{"state":"online"}',
        b'{"gateway":"gw-1","state":"away"}',
        b'{"gateway":"","state":"online"}',
        b'{"gateway":"gw-\xff","state":"online"}',
        b'{"gateway":"gw-1","state":"online","x":' + DEEP.encode() + b"}",
    ],
)
def test_what_is_no_status_is_refused(payload: bytes) -> None:
    with pytest.raises(BadInput, match=r"^gateway status: .+; expected gateway and state .+; mend the gateway's will"):
        native.decode_status(payload)


# ---------------------------------------------------------------- whatever arrives

TEXTS = st.text(st.characters(exclude_categories=()), max_size=8)  # lone surrogates too
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | TEXTS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXTS, inner, max_size=4),
    max_leaves=12,
)
NEARLY = st.fixed_dictionaries(
    {},
    optional={
        "tag": st.sampled_from(["dp", "", 7]) | JSON,
        "at": st.sampled_from(["2026-11-25T08:00:00Z", 1795593600]) | JSON,
        "value": st.floats() | JSON,
        "unit": st.sampled_from(["inH2O", "Pa"]) | JSON,
        "quality": st.sampled_from(["good", "bad", "ugly"]) | JSON,
        "more": JSON,
    },
)
MESSAGES = st.fixed_dictionaries(
    {"gateway": st.just("gw-1") | JSON, "readings": st.lists(NEARLY | JSON, max_size=5) | JSON},
    optional={"boot": st.just("b") | JSON, "seq": st.integers() | JSON, "more": JSON},
)


def answers(payload: bytes) -> None:
    """Both decoders answer or say BadInput; what they refuse in part can be kept."""
    try:
        decoded = native.decode(payload)
    except BadInput as error:
        str(error).encode()  # the record holds UTF-8 only
    else:
        assert all(isinstance(item, GatewayReading) for item in decoded.message.readings)
        if decoded.faults:
            kept = native.rejection(Parcel("t", payload, 0), decoded.message, decoded.faults)
            kept.reason.encode()
            assert len(native.decode(kept.payload).faults) == len(decoded.faults)
    try:
        native.decode_status(payload)
    except BadInput as error:
        str(error).encode()


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=200))
@example(b"\xff\xfe")
@example(b'{"gateway":"g","readings":[{"tag":"\\u0000"}]}')
def test_arbitrary_bytes_are_a_message_or_bad_input(payload: bytes) -> None:
    answers(payload)


@settings(max_examples=200, deadline=None)
@given(MESSAGES | JSON, st.booleans())
@example({"gateway": "g", "readings": [7, {"tag": "\ud800"}]}, True)
def test_arbitrary_json_is_a_message_or_bad_input(value: Any, escaped: bool) -> None:
    answers(json.dumps(value, ensure_ascii=escaped).encode("utf-8", "surrogatepass"))


@settings(max_examples=200, deadline=None)
@given(st.integers(0, len(EXAMPLE)), st.binary(max_size=6), st.integers(0, 6))
def test_a_message_damaged_anywhere_is_a_message_or_bad_input(place: int, put: bytes, taken: int) -> None:
    whole = EXAMPLE.encode()
    answers(whole[:place] + put + whole[place + taken :])


@settings(max_examples=200, deadline=None)
@given(MESSAGES | JSON)
def test_arbitrary_json_in_proper_utf_8_is_a_message_or_bad_input(value: Any) -> None:
    text = json.dumps(value, ensure_ascii=False)
    answers(text.encode("utf-8", "replace"))


# ---------------------------------------------------------------- the schema that is published


def test_the_published_schema_describes_the_example_and_every_required_key() -> None:
    """JSON Schema 2020-12, checked by its structure: types, bounds, required keys, enumerations."""
    schema = native.json_schema()
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert conforms(json.loads(EXAMPLE), schema, schema) == []
    assert conforms({"gateway": "g", "readings": []}, schema, schema) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"readings": []},
        {"gateway": "g"},
        {"gateway": "", "readings": []},
        {"gateway": "g", "readings": {}},
        {"gateway": "g", "readings": [], "seq": -1},
        {"gateway": "g", "readings": [], "seq": 2**63},
        *({"gateway": "g", "readings": [item]} for item, _ in BAD_READINGS.values() if item != reading(value=10**400)),
    ],
)
def test_the_published_schema_refuses_what_the_decoder_refuses(wrong: Any) -> None:
    schema = native.json_schema()
    assert conforms(wrong, schema, schema) != []


KINDS: dict[str, tuple[type, ...]] = {
    "object": (dict,),
    "array": (list,),
    "string": (str,),
    "number": (int, float),
    "integer": (int,),
    "null": (type(None),),
}


def conforms(value: Any, rule: dict[str, Any], schema: dict[str, Any], path: str = "$") -> list[str]:
    """What is wrong with a value under the part of JSON Schema that ours uses; an unknown keyword is an error."""
    if "$ref" in rule:
        rule = schema["$defs"][rule["$ref"].rpartition("/")[2]]
    known = {"$schema", "$defs", "$ref", "title", "description", "default", "type", "properties", "required", "items"}
    known |= {"anyOf", "enum", "minLength", "maxLength", "minimum", "maximum"}
    assert set(rule) <= known, set(rule) - known
    if "anyOf" in rule:
        branches = [conforms(value, branch, schema, path) for branch in rule["anyOf"]]
        return [] if any(not found for found in branches) else branches[0]
    if "enum" in rule and value not in rule["enum"]:
        return [f"{path}: not in the list"]
    if "type" in rule and (not isinstance(value, KINDS[rule["type"]]) or isinstance(value, bool)):
        return [f"{path}: not {rule['type']}"]
    return _bounds(value, rule, path) + _inside(value, rule, schema, path)


def _bounds(value: Any, rule: dict[str, Any], path: str) -> list[str]:
    if isinstance(value, str):
        fits = rule.get("minLength", 0) <= len(value) <= rule.get("maxLength", len(value))
    elif isinstance(value, int | float):
        fits = rule.get("minimum", value) <= value <= rule.get("maximum", value)
    else:
        fits = True
    return [] if fits else [f"{path}: out of bounds"]


def _inside(value: Any, rule: dict[str, Any], schema: dict[str, Any], path: str) -> list[str]:
    wrong: list[str] = []
    if isinstance(value, dict):
        wrong += [f"{path}.{key}: missing" for key in rule.get("required", []) if key not in value]
        for key, below in rule.get("properties", {}).items():
            if key in value:
                wrong += conforms(value[key], below, schema, f"{path}.{key}")
    if isinstance(value, list):
        for index, item in enumerate(value):
            wrong += conforms(item, rule.get("items", {}), schema, f"{path}[{index}]")
    return wrong

"""Shapes of JSON, lines and topics: where the items, tags, values, units and times are, and which level is what."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.discover import csv_shape, json_shape
from service.discover.csv_shape import separator_of
from service.discover.json_shape import Document, expression
from service.discover.kept import Topic
from service.discover.levels import branches, overlap
from service.discover.payload import form_of
from service.discover.toml_text import comment, key, quoted
from service.discover.words import tokens
from tests.service.discover.made import EVERY_US, START_US

S = START_US // 1_000_000


def shape(*bodies: Any) -> json_shape.JsonShape:
    found = json_shape.shape_of([Document("t", START_US + turn * EVERY_US, body) for turn, body in enumerate(bodies)])
    assert found is not None
    return found


def items(*rows: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {"list": list(rows), **more}


JSON_SHAPES: list[tuple[Any, dict[str, str], dict[str, str]]] = [
    # Long, in a list.
    (
        items({"n": "dp", "v": 3.1, "u": "inH2O", "t": S * 1000}, {"n": "header", "v": 90, "u": "psi", "t": S * 1000}),
        {"items": "list", "tag": "n", "value": "v", "unit": "u", "at": "t", "time_form": "ms"},
        {},
    ),
    (
        {"a": {"b": [{"name": "dp", "value": "3,1"}, {"name": "header", "value": "90,5"}]}, "ts": S},
        {"items": "a.b", "tag": "name", "value": "value", "decimal": ",", "at": "$.ts", "time_form": "s"},
        {},
    ),
    (
        [{"tag": "dp", "wert": 3.1, "einheit": "mbar"}, {"tag": "header", "wert": 6.1, "einheit": "bar"}],
        {"items": "@", "tag": "tag", "value": "wert", "unit": "einheit"},
        {},
    ),
    (
        items({"id": 4001, "value": 3.1, "unit": "Pa"}, {"id": 4002, "value": 6.1}),
        {"items": "list", "tag": "id", "value": "value", "unit": "unit || ''"},
        {},
    ),
    # One value, named in the document or by the topic.
    (
        {"sensor": "dp", "value": 3.1, "unit": "Pa"},
        {"tag": "sensor", "value": "value", "unit": "unit"},
        {},
    ),
    ({"value": 3.1, "unit": "Pa"}, {"tag": "{tag}", "value": "value", "unit": "unit"}, {}),
    # Wide.
    (
        {"ts": "2026-11-25T08:00:00Z", "dp": 3.1, "header": 90.0},
        {"at": "ts"},
        {"dp": "dp", "header": "header"},
    ),
    (
        {"time": S * 1_000_000, "data": {"line 1": {"dp": 3.1}, "line 2": {"dp": 3.2}}},
        {"at": "time", "time_form": "us"},
        {"dp": 'data."line 1".dp', "data.line 2.dp": 'data."line 2".dp'},
    ),
    (
        {"t": [S - 5, S], "dp": [3.1, 3.2]},
        {"at": "t", "time_form": "s"},
        {"dp": "dp"},
    ),
    (
        items({"ts": S, "dp": 3.1, "flow": 8000}, {"ts": S + 5, "dp": 3.2, "flow": 8100}),
        {"items": "list", "at": "ts", "time_form": "s"},
        {"dp": "dp", "flow": "flow"},
    ),
]


@pytest.mark.parametrize(("body", "keys", "values"), JSON_SHAPES)
def test_shapes_of_json(body: Any, keys: dict[str, str], values: dict[str, str]) -> None:
    found = shape(body)
    assert found.keys == keys
    assert found.values == values


@pytest.mark.parametrize("body", [{}, [], {"a": "b"}, {"a": {"b": None}}, [1, 2], {"ts": S}])
def test_json_without_a_value_has_no_shape(body: Any) -> None:
    assert json_shape.shape_of([Document("t", START_US, body)]) is None


@pytest.mark.parametrize(
    ("values", "keys"),
    [
        (["good", "bad"], {"quality": "q"}),
        ([True, False], {"good": "q"}),
        ([192, 192], {"good": "q == `192`"}),
        (["OK", "FAULT"], {"good": "q == 'OK'"}),
        (["run", "stop"], {}),
    ],
)
def test_qualities(values: list[Any], keys: dict[str, str]) -> None:
    found = shape(items(*({"tag": "dp", "value": 3.1, "q": value} for value in values)))
    assert {name: text for name, text in found.keys.items() if name in ("quality", "good")} == keys


def test_a_number_counts_messages_only_if_it_goes_up_by_one() -> None:
    def bodies(step: int) -> list[dict[str, Any]]:
        return [{"seq": turn * step, "boot": "b41f", "dp": 3.1} for turn in range(8)]

    assert {name: shape(*bodies(1)).keys.get(name) for name in ("seq", "boot")} == {"seq": "seq", "boot": "boot"}
    assert "seq" not in shape(*bodies(2)).keys
    assert "boot" not in shape(*bodies(2)).keys


def test_true_and_false_are_left_out_of_wide_documents_and_told() -> None:
    found = shape({"dp": 3.1, "door": True})
    assert found.values == {"dp": "dp"}
    assert found.notes == ["door is true or false; it is left out"]


@pytest.mark.parametrize(
    ("path", "text"), [(("a", "b"), "a.b"), (("a b", "c"), '"a b".c'), (('q"', "1x"), '"q\\""."1x"')]
)
def test_paths_as_jmespath(path: tuple[str, ...], text: str) -> None:
    assert expression(path) == text


# ---------------------------------------------------------------- lines

LINES: list[tuple[str, dict[str, Any]]] = [
    ("dp;3,14;mbar;good", {"columns": ["tag", "value", "unit", "quality"], "separator": ";", "decimal": ","}),
    (
        "time,dp,header\n2026-11-25T08:00:00Z,3.1,90.5\n2026-11-25T08:00:10Z,3.2,90.4",
        {"columns": ["at", "dp", "header"], "separator": ",", "header": True},
    ),
    (
        "25.11.2026 08:00:00;3,1;90,5",
        {"columns": ["at", "column-2", "column-3"], "separator": ";", "decimal": ",",
         "time_form": "%d.%m.%Y %H:%M:%S", "time_zone": "UTC"},
    ),
    ("1795593600\tdp\t3.1", {"columns": ["at", "tag", "value"], "separator": "\t", "time_form": "s"}),
    ("dp|Filter 7|3.1", {"columns": ["tag", "-", "value"], "separator": "|"}),
]  # fmt: skip


@pytest.mark.parametrize(("text", "keys"), LINES)
def test_shapes_of_lines(text: str, keys: dict[str, Any]) -> None:
    found = csv_shape.shape_of([(START_US, text.encode())] * 3)
    assert found is not None
    assert found.keys == keys


@pytest.mark.parametrize(
    ("text", "separator"), [("3,14", None), ("a;b", None), ("1;2\n3", None), ("x,1", ","), ("", None)]
)
def test_a_decimal_comma_separates_nothing(text: str, separator: str | None) -> None:
    assert separator_of(text) == separator


# ---------------------------------------------------------------- forms

FORMS = [
    ("w/x", b'{"gateway":"a","readings":[{"tag":"dp","at":1,"value":3,"unit":"Pa"}]}', "native"),
    ("w/x", b'{"gateway":"a","state":"online"}', "native status"),
    ("dustcake/v1/service/n/heartbeat", b"{}", "own"),
    ("spBv1.0/g/NDATA/n", b"\x08\x01", "sparkplug"),
    ("w/x", b'[{"bn":"urn:dev:a:","n":"dp","v":3.1,"u":"Pa"}]', "senml"),
    ("w/x", b"\x81\xa2\x00bdp\x02\x18\x03", "senml"),
    ("w/x", b'[{"name":"dp","value":3.1}]', "json"),
    ("w/x", b'{"dp":3.1}', "json"),
    ("w/x", b"3.14 inH2O", "plain"),
    ("w/x", b"3,14", "plain"),
    ("w/x", b"ON", "plain"),
    ("w/x", b"dp;3,14", "csv"),
    ("w/x", b"\xff\xfe\x00", "unread"),
    ("w/x", b"hello world out there", "unread"),
    ("w/x", b"", "unread"),
]


@pytest.mark.parametrize(("name", "payload", "form"), FORMS)
def test_forms_of_payloads(name: str, payload: bytes, form: str) -> None:
    assert form_of(Topic(name, messages=[(START_US, payload)])) == form


def test_a_topic_has_the_form_of_most_of_its_messages() -> None:
    payloads = [b"3.1", b"3.2", b"{}", b"3.3", b""]
    assert form_of(Topic("w/x", messages=[(START_US, payload) for payload in payloads])) == "plain"


# ---------------------------------------------------------------- levels

LEVELS = [
    # topics, whether the tag is in them, templates
    (["w/g1/dp", "w/g1/header", "w/g2/dp", "w/g2/header"], True, ["w/{gateway}/{tag}"]),
    (["w/dp/g1", "w/header/g1", "w/dp/g2"], True, ["w/{tag}/{gateway}"]),
    (["w/g1/report", "w/g2/report"], False, ["w/{gateway}/report"]),
    (["w/g1/dp", "w/g1/header"], True, ["w/{gateway}/{tag}"]),
    (["w/A0B1/values"], False, ["w/{gateway}/values"]),
    (["w/line/values"], False, ["w/{gateway}/values"]),
    (["w/g1/4001", "w/g1/4002", "w/g2/4001"], True, ["w/{gateway}/{tag}"]),
    (["n/w/g1/x", "s/w/g1/x"], False, ["{gateway}/w/g1/x"]),
    (["n/w/g1/x", "s/w/g1/x", "n/w/g2/x"], False, ["n/w/{gateway}/x", "s/w/{gateway}/x"]),
    (["w/g1/pressure/x", "w/g1/temp/x", "w/g2/pressure/x"], False, ["w/{gateway}/pressure/x", "w/{gateway}/temp/x"]),
    (["g1/dp", "g2/dp"], True, ["{gateway}/{tag}"]),
    (["g1/dp", "g1/header"], True, ["g1/{tag}"]),
]


@pytest.mark.parametrize(("topics", "needs_tag", "templates"), LEVELS)
def test_levels(topics: list[str], needs_tag: bool, templates: list[str]) -> None:
    found = branches(topics, needs_tag=needs_tag, says_gateway=False, named={})
    assert [branch.template for branch in found] == templates
    for branch in found:
        assert any("begins with a wildcard" in note for note in branch.notes) is branch.template.startswith("{")


def test_a_level_that_is_what_the_payload_names_is_the_gateway() -> None:
    topics = ["w/a/x1", "w/b/x2"]
    (branch,) = branches(topics, needs_tag=False, says_gateway=True, named={"w/a/x1": {"a"}, "w/b/x2": {"b"}})[:1]
    assert branch.template == "w/{gateway}/x1"
    assert branches(["w/x"], needs_tag=False, says_gateway=True, named={"w/x": {"a", "b"}})[0].template == "w/x"


def test_levels_that_cannot_be_written_have_no_template() -> None:
    (branch,) = branches(["w/{x}/dp"], needs_tag=True, says_gateway=False, named={})
    assert branch.template == ""


def test_many_combinations_of_other_levels_become_parts() -> None:
    topics = [f"w/site{site}/g{site}{gateway}/x" for site in range(12) for gateway in range(3)]
    (branch,) = branches(topics, needs_tag=False, says_gateway=False, named={})
    assert branch.template == "w/{level_2}/{gateway}/x"


def test_levels_that_keep_machines_apart_are_written_out() -> None:
    topics = [f"w/hall-{hall}/dc-{machine}/dp" for hall in range(9) for machine in (1, 2)]
    found = branches(topics, needs_tag=True, says_gateway=False, named={})
    assert [branch.template for branch in found] == [f"w/hall-{hall}/{{gateway}}/{{tag}}" for hall in range(9)]


def test_of_very_many_levels_that_keep_machines_apart_none_is_written_out() -> None:
    topics = [f"w/hall-{hall:02d}/dc-{machine}/dp" for hall in range(60) for machine in (1, 2)]
    (branch,) = branches(topics, needs_tag=True, says_gateway=False, named={})
    assert branch.template == "w/{level_2}/{gateway}/{tag}"


@pytest.mark.parametrize(
    ("one", "other", "both"),
    [
        ("a/{g}/x", "a/{g}/y", False),
        ("a/{g}/{t}", "a/{g}/y", True),
        ("a/{r...}", "a/b/c", True),
        ("a/b", "a/b/c", False),
    ],
)
def test_templates_that_would_take_the_same_topics(one: str, other: str, both: bool) -> None:
    assert overlap(one, other) is both
    assert overlap(other, one) is both


# ---------------------------------------------------------------- texts


@pytest.mark.parametrize("text", ["plain", 'q"uote', "back\\slash", "line\nend", "\x00\x1f\x7f", "é\u2028"])
def test_texts_from_outside_come_back_out_of_toml(text: str) -> None:
    import tomllib  # noqa: PLC0415 - of this test alone

    assert tomllib.loads(f"{key(text)} = {quoted(text)}") == {text: text}


def test_a_comment_stays_one_whatever_is_in_it() -> None:
    lines = list(comment("evil\n[source]\r\x0b\u2028name = 1 " + "long " * 50))
    assert len(lines) > 1
    assert all(line.startswith("#") and line.isprintable() and len(line) <= 120 for line in lines)


def test_words_of_names() -> None:
    assert tokens("CompAir_Druck1") == ["comp", "air", "druck", "1"]
    assert tokens("PDT-101.Fühler") == ["pdt", "101", "fuhler"]
    assert json.dumps(tokens("日本")) == "[]"

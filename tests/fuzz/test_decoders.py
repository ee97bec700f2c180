"""Generated input for every decoder: an answer or the documented refusal, and nothing that steers a page or a terminal.

What this finds and mutations seldom do: input of the right form with the wrong extreme in it.
"""

from __future__ import annotations

import json
import math
import time
from typing import Any
from urllib.parse import quote

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.cli.output import plain
from service.decode import native
from service.decode.form import Template
from service.model import BadInput
from service.normalise.bind import TAGS_SHOWN, Binder, Binding
from service.units.convert import lookup, to_canonical
from service.units.table import QUANTITIES, UNITS
from service.units.times import iso, parse_duration_us, parse_rfc3339, parse_unix_s
from tests.fuzz import targets
from tests.fuzz.corpus import NAMES
from tests.service.web.client import BEARER, client
from tests.service.web.house import MARKUP, collector, house, pressure

ANY_TEXT = st.text(st.characters(exclude_categories=()), max_size=60)  # lone surrogates and control characters too
NUMBERS = st.floats() | st.integers(-(10**400), 10**400) | st.sampled_from([1e308, -1e308, 5e-324, math.inf, math.nan])
HOSTILE = [name.decode("utf-8", "surrogatepass") for name in NAMES]
JSON = st.recursive(
    st.none() | st.booleans() | NUMBERS | ANY_TEXT | st.sampled_from(HOSTILE),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(ANY_TEXT, inner, max_size=4),
    max_leaves=10,
)
READINGS = st.fixed_dictionaries(
    {"tag": st.sampled_from(["dp", *HOSTILE]) | JSON, "at": st.sampled_from(["2026-11-25T08:00:00Z"]) | NUMBERS | JSON},
    optional={"unit": st.sampled_from(["Pa", "A", *HOSTILE]) | JSON, "value": NUMBERS | JSON, "quality": JSON},
)


@settings(max_examples=300)
@given(st.lists(READINGS | JSON, max_size=6), JSON, JSON)
@example([{"tag": "dp", "at": 1e308, "unit": "Pa", "value": 1e308}], "b", 2**63)
def test_a_message_of_the_right_form_with_anything_in_it_is_taken_or_refused(
    readings: list[Any], boot: Any, seq: Any
) -> None:
    body = {"gateway": "gw-0", "boot": boot, "seq": seq, "readings": readings}
    targets.readings(json.dumps(body).encode("utf-8", "surrogatepass"))
    targets.status(json.dumps(body | {"state": boot, "at": seq}).encode("utf-8", "surrogatepass"))


@settings(max_examples=300)
@given(ANY_TEXT, st.sampled_from(["dustcake/v1/{gateway}/readings", "{gateway}/x", "a/{gateway}", "{gateway}"]))
def test_a_topic_names_one_whole_level_or_nothing(topic: str, text: str) -> None:
    template = Template(text)
    parts = template.parts(topic)
    assert parts is None or (parts["gateway"] and "/" not in parts["gateway"])
    assert parts is None or text.replace("{gateway}", parts["gateway"]) == topic
    if topic and "/" not in topic:
        assert template.parts(text.replace("{gateway}", topic)) == {"gateway": topic}


@settings(max_examples=500)
@given(
    st.from_regex(r"\A[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]{0,12})?([Zz]|[+-][0-9:]{5})?\Z")
    | st.from_regex(r"\AP[0-9YMWDTHS.,-]{0,30}\Z")
    | ANY_TEXT
)
@example("0001-01-01T00:00:60+23:59")
@example("9999-12-31T23:59:60-23:59")
@example("٢٠٢٦-11-25T08:00:00Z")
def test_a_time_is_an_instant_that_can_be_written_or_it_is_refused(text: str) -> None:
    for parse in (parse_rfc3339, parse_duration_us):
        said, us = "", 0
        try:
            us = parse(text)
        except BadInput as error:
            said = str(error)
        assert len(said) < 500 + 12 * len(text)
        assert abs(us) < 2**63


@settings(max_examples=300)
@given(NUMBERS)
def test_unix_time_is_an_instant_that_can_be_written_or_it_is_refused(number: float) -> None:
    try:
        assert iso(parse_unix_s(number)).endswith("Z")
    except BadInput:
        assert not -62_135_596_800 <= number < 253_402_300_800 or math.isnan(number)


@settings(max_examples=300)
@given(
    ANY_TEXT | st.sampled_from([text for unit in UNITS for text in unit.texts]),
    st.sampled_from(list(QUANTITIES)),
    NUMBERS,
)
def test_a_unit_is_one_of_the_table_or_refused_and_converts_without_raising(text: str, name: str, value: float) -> None:
    try:
        found = lookup(text, name)
    except BadInput:
        return
    assert text in found.texts
    if isinstance(value, float):
        assert isinstance(to_canonical(found, value), float)


LINES = st.lists(
    st.sampled_from(
        [
            *('[enterprise]\nid = "a"\nname = "A"', '[[site]]\nid = "quay"\nname = "Q"\ntime_zone = "Europe/Dublin"'),
            *(
                '[[area]]\nid = "quay/hall"\nname = "H"',
                '[[collector.point]]\nname = "dp"',
                'quantity = "rate"',
                'unit = "1/h"',
            ),
            *('[[collector]]\nid = "quay/hall/c"\nname = "C"\nkind = "other"\ngateway = "g"', 'time_zone = "Europe"'),
            *(
                "high = { at = 1e308, deadband = 1e308 }",
                "low = { at = nan }",
                "high = { at = 1" + "0" * 400 + " }",
                "x." * 200 + "y = 1",
            ),
            *("running = { point = 'dp', on = 1e308, off = -1e308, unit = '1/h' }", "a = " + "[" * 300 + "]" * 300),
            *('[[contact]]\nid = "l"\nname = "L"\nvia = [{ channel = "log" }]', 'collectors = ["' + "*a" * 40 + '"]'),
            *(
                'time_zone = "../../etc/passwd"',
                'time_zone = "\\u0000"',
                'time_zone = "posixrules"',
                "id = 9999-12-31",
                "[[x]]",
            ),
        ]
    ),
    max_size=12,
)


@settings(max_examples=200)
@given(LINES)
@example(["a = " + "[" * 200_000])
@example(["a = 1" + "0" * 4400])
@example(['[enterprise]\nid = "a"\nname = "A"\n[[site]]\nid = "quay"\nname = "Q"\ntime_zone = "Europe"'])
@example(['[enterprise]\nid = "a"\nname = "A"\n[[site]]\nid = "quay"\nname = "Q"\ntime_zone = "' + "a" * 128 + '"'])
def test_a_plant_file_is_taken_or_refused_with_words(lines: list[str]) -> None:
    targets.plant("\n".join(lines).encode())


@settings(max_examples=150)
@given(
    st.sampled_from(["alarm", "collector", "point", "limit", "at", "active", "key"]),
    ANY_TEXT | st.sampled_from(HOSTILE),
)
def test_a_query_with_anything_in_it_is_answered(name: str, text: str) -> None:
    asked = quote(text.encode("utf-8", "surrogatepass"))
    for path in (f"/api/v1/explain?collector=a&point=b&limit=c&at=d&{name}={asked}", f"/api/v1/alarms?limit={asked}"):
        targets.query(f"GET {path}".encode())


# ---------------------------------------------------------------- names from outside, where people look


@pytest.mark.parametrize("name", [name for name in HOSTILE if name.isascii() or name.isprintable()] + [MARKUP])
def test_a_hostile_name_is_text_on_the_page_and_in_the_command_line(name: str) -> None:
    hostile = collector(1, "quiet", pressure(1.0))
    object.__setattr__(hostile, "name", name)
    owner = house(collectors=[hostile], enterprise=name)
    owner.checks["broker"] = name
    page = client(owner, BEARER).get("/")
    assert page.status_code == 200
    for mark in ("<script>alert", "<img", "onerror='x()'>", '"><img'):
        assert mark not in page.text
    assert plain(name).isprintable()
    owner.rows = [{"topic": name, "reason": name, "payload": name.encode(), "code": "tag-unknown"}]
    answer = client(owner, BEARER).get("/api/v1/quarantine")
    assert answer.headers["content-type"] == "application/json"
    assert answer.json()[0]["topic"] == name
    targets.shown(name.encode("utf-8", "surrogatepass"))


# ---------------------------------------------------------------- the longest


def test_a_message_with_too_many_readings_is_refused_before_each_gets_its_reason() -> None:
    payload = b'{"gateway":"gw-0","readings":[' + b"1," * 120_000 + b"1]}"
    began_s = time.process_time()
    with pytest.raises(BadInput, match="message with 120001 readings: expected at most 5000"):
        native.decode(payload, 5000)
    assert time.process_time() - began_s < 0.1
    with pytest.raises(BadInput, match="message with 3 readings: expected at most 2"):
        native.decode(b'{"gateway":"gw-0","readings":[' + b",".join([b'{"tag":"a","at":1,"unit":"A"}'] * 3) + b"]}", 2)


def test_the_reason_names_some_tags_of_a_gateway_and_says_how_many_there_are_more() -> None:
    binder = Binder([Binding("gw-0", f"t{n:04}", n, "current") for n in range(3000)], lookup, {})
    with pytest.raises(BadInput, match=f"t0019 and {3000 - TAGS_SHOWN} more; add a point") as caught:
        binder.slot("gw-0", "no such tag", "A")
    assert len(str(caught.value)) < 500


def test_bogus_units_and_tags_are_refused_fast_enough_for_a_flood() -> None:
    """Each refusal looks its words up again once the memory of refusals is full."""
    binder = Binder([Binding("gw-0", "dp", 0, "differential pressure")], lookup, {})
    began_s = time.process_time()
    for n in range(20_000):
        with pytest.raises(BadInput):
            binder.slot("gw-0", "dp", f"u{n}")
    assert time.process_time() - began_s < 4.0
    assert len(binder._refused) == 10_000

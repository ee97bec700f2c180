"""The unit that a message names is the one that holds: for that message, of that gateway, and later too."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from random import Random
from typing import Any

import pytest

from service.discover.kept import Message
from service.discover.look import find
from service.model import Parcel
from service.settings import Settings
from service.sources.form import Sources
from service.sourcing import intake_of
from tests.service.discover.made import EVERY_US, START_US, Played, tag_of

# UNECE Rec 20 F78: 1 inH2O is 2.4908891 mbar; NIST SP 811 B.9: degF = 1.8 degC + 32.
MBAR = 2.4908891
Body = Callable[[float, bool], Mapping[str, Any]]


def beside(inches: float, is_other: bool) -> dict[str, Any]:
    """Each tag holds its value and its unit."""
    temperature = 18 + inches
    return {
        "dp": {"value": round(inches * (MBAR if is_other else 1), 3), "unit": "mbar" if is_other else "inH2O"},
        "temp": {
            "value": round(temperature * 1.8 + 32 if is_other else temperature, 2),
            "unit": "degF" if is_other else "degC",
        },
    }


def traffic(gateways: int, turns: int, others: int, body: Body = beside) -> list[Message]:
    """Gateways of which the last `others` send other units, all of them about 2.05 inH2O."""
    random, found = Random(1), []
    for turn in range(turns):
        for number in range(gateways):
            at_us = START_US + turn * EVERY_US
            document = {"t": at_us / 1e6, **body(1.9 + 0.3 * random.random(), number >= gateways - others)}
            found.append((f"works/gw-{number:02d}/values", json.dumps(document).encode(), at_us))
    return found


@pytest.mark.parametrize(("gateways", "turns", "others"), [(3, 240, 1), (40, 12, 3), (40, 60, 3), (300, 4, 1)])
def test_each_gateway_keeps_the_unit_that_it_names(gateways: int, turns: int, others: int, tmp_path: Path) -> None:
    """However many messages of other gateways came before, and whether or not the values alone would tell."""
    messages = traffic(gateways, turns, others)
    played = Played(messages, tmp_path)
    said = " ".join(played.sources.replace("\n#", " ").split())
    assert said.count("differential pressure, sent in inH2O: 1.9") == 1, "together, and apart from the others"
    assert said.count("differential pressure, sent in mbar: ") == 1
    for number in range(gateways):
        is_other = number >= gateways - others
        tag = tag_of(played.findings, f"gw-{number:02d}", "dp")
        assert tag.sent_units == (("mbar",) if is_other else ("inH2O",))
        assert not tag.is_open
        low, *_, high = sorted(played.values[f"gw-{number:02d}", "dp"])
        assert 1.85 * 249.08891 < low <= high < 2.25 * 249.08891, "Pa, UNECE Rec 20 F78"
        assert all(19 < value < 21 for value in played.values[f"gw-{number:02d}", "temp"])
    assert played.refused == []


def test_no_rule_of_the_draft_outlives_the_unit_that_was_heard(tmp_path: Path) -> None:
    """A gateway that comes later, and one that is set to another unit, are taken by their word."""
    heard = traffic(3, 20, 0)
    later = [(topic.replace("gw-00", "gw-77"), payload, at_us) for topic, payload, at_us in traffic(3, 20, 3)]
    played = Played(heard, tmp_path)
    intake = intake_of(Settings(), Sources.model_validate(tomllib.loads(played.sources)))
    for topic, payload, at_us in later:
        (message,) = intake.take(Parcel(topic, payload, at_us)).messages
        assert [reading.unit for reading in message.readings] == ["mbar", "degF"]


def listed(inches: float, is_other: bool) -> dict[str, Any]:
    return {"rows": [{"ts": START_US / 1e6 + turn, "ok": True, **beside(inches, is_other)} for turn in range(2)]}


def deeper(inches: float, is_other: bool) -> dict[str, Any]:
    return {"q": 192, "a b": {"it's `\"": {"v": 1.0, "u": "V"}}, "data": beside(inches, is_other)}


@pytest.mark.parametrize("body", [listed, deeper])
def test_units_beside_values_in_lists_and_deeper_down(body: Body, tmp_path: Path) -> None:
    played = Played(traffic(3, 30, 1, body), tmp_path)
    assert played.refused == []
    for gateway in ("gw-00", "gw-02"):
        assert all(1.85 < value / 249.08891 < 2.25 for value in played.values[gateway, "dp"])
        assert len(played.values[gateway, "dp"]) == 30 * (2 if body is listed else 1)


def test_a_tag_that_is_absent_was_not_measured_and_a_null_is_a_bad_reading(tmp_path: Path) -> None:
    messages = traffic(1, 20, 0)
    intake = intake_of(Settings(), Sources.model_validate(tomllib.loads(Played(messages, tmp_path).sources)))
    body = {"t": START_US / 1e6, "dp": {"value": None, "unit": "inH2O"}}
    (message,) = intake.take(Parcel("works/gw-00/values", json.dumps(body).encode(), START_US)).messages
    assert [(reading.tag, reading.value) for reading in message.readings] == [("dp", None)]


def test_a_key_without_a_unit_beside_others_that_have_one_waits_for_a_person(tmp_path: Path) -> None:
    def mixed(inches: float, is_other: bool) -> dict[str, Any]:
        return {**beside(inches, is_other), "header": 90.0 + inches}

    played = Played(traffic(2, 30, 0, mixed), tmp_path)
    assert {tag.tag for tag in played.findings.tags if tag.is_open} == {"header"}
    assert {tag for _, tag in played.values} == {"dp", "temp"}
    assert len(played.refused) == 60


# ---------------------------------------------------------------- a unit that only some readings have


def sometimes(*, is_wide: bool) -> list[Message]:
    """Two of three readings say mbar, the third says nothing."""
    found = []
    for turn in range(60):
        reading: dict[str, Any] = {"value": round(7.4 + turn % 5 / 10, 2)} | ({"unit": "mbar"} if turn % 3 else {})
        body = {"dp": reading} if is_wide else {"tag": "dp"} | reading
        found.append(("works/gw-1/v", json.dumps(body).encode(), START_US + turn * EVERY_US))
    return found


@pytest.mark.parametrize("is_wide", [False, True])
def test_a_unit_that_some_readings_lack_is_asked_for_and_not_filled_in(is_wide: bool, tmp_path: Path) -> None:
    played = Played(sometimes(is_wide=is_wide), tmp_path)
    tag = tag_of(played.findings, "gw-1", "dp")
    assert "20 of 60 readings come without a unit" in tag.questions[0]
    assert '\nunit = "mbar"' not in played.sources
    assert '# unit = "mbar"' in played.sources
    assert len(played.values["gw-1", "dp"]) == 40, "those that say their unit are taken by their word"
    assert len(played.refused) == 20
    intake = intake_of(Settings(), Sources.model_validate(tomllib.loads(played.sources)))
    body: dict[str, Any] = {"value": 3.3, "unit": "inH2O"}
    body = {"dp": body} if is_wide else {"tag": "dp"} | body
    (message,) = intake.take(Parcel("works/gw-1/v", json.dumps(body).encode(), START_US)).messages
    assert [(reading.value, reading.unit) for reading in message.readings] == [(3.3, "inH2O")]


def test_a_doubtful_unit_is_refused_also_where_some_readings_lack_it(tmp_path: Path) -> None:
    spoiled = [(topic, payload.replace(b"mbar", b"inH2O"), at_us) for topic, payload, at_us in sometimes(is_wide=False)]
    played = Played(spoiled, tmp_path)
    assert played.values == {}
    assert 'unit = "unproven"' in played.sources


def test_units_of_one_tag_that_differ_are_counted_in_full() -> None:
    """One message in 200 says mbar."""
    messages = [
        ("works/gw-1/v", json.dumps({"dp": {"value": 3.1, "unit": "mbar" if n == 150 else "inH2O"}}).encode(),
         START_US + n * EVERY_US)
        for n in range(200)
    ]  # fmt: skip
    assert "several units (inH2O, mbar)" in tag_of(find(messages), "gw-1", "dp").questions[0]

"""Traffic of many forms: the drafts need no edit where the sender says its units, and refuse what is doubtful."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.discover.kept import Message
from service.discover.look import find
from service.units.convert import lookup, to_canonical
from simulators.forms.sparkplug import Encoder
from tests.service.discover.made import (
    EVERY_US,
    GATEWAYS,
    LATENCY_US,
    SENT,
    START_US,
    TURNS,
    Played,
    Reading,
    encoders,
    rows,
    tag_of,
    traffic,
)

QUANTITIES = {
    "dp": "differential pressure",
    "header": "gauge pressure",
    "airflow": "airflow",
    "temperature": "temperature",
    "fan_amps": "current",
    "pulses": "count",
}
Write = Callable[[str, Sequence[Reading]], list[tuple[str, Any]]]


def written(write: Write, gateways: Sequence[str] = GATEWAYS) -> list[Message]:
    """Traffic of a form that is made up here; payloads that are no bytes are sent as JSON."""
    found = []
    for turn in range(TURNS):
        for place, gateway in enumerate(gateways):
            received_us = START_US + turn * EVERY_US + LATENCY_US + place * 50_000
            for topic, payload in write(gateway, rows(gateway, turn)):
                body = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
                found.append((topic, body, received_us))
    return found


def text_of(at_us: int) -> str:
    return datetime.fromtimestamp(at_us / 1e6, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def one_value_each(gateway: str, found: Sequence[Reading]) -> list[tuple[str, Any]]:
    """JSON with a value and its unit, the tag in the topic."""
    return [(f"works/{gateway}/{tag}", {"value": v, "unit": u, "ts": at // 1000}) for tag, at, v, u in found]


def object_for_each(gateway: str, found: Sequence[Reading]) -> list[tuple[str, Any]]:
    """JSON in which each tag is a key, with value and unit below it."""
    tags = {tag: {"v": value, "u": unit} for tag, _, value, unit in found}
    return [(f"plant/{gateway}/up", {"time": text_of(found[0][1]), "tags": tags})]


def gateway_in_payload(gateway: str, found: Sequence[Reading]) -> list[tuple[str, Any]]:
    """All gateways on one topic, each naming itself; good as a code of control systems."""
    items = [{"name": tag, "value": v, "unit": u, "t": at / 1e6, "q": 192} for tag, at, v, u in found]
    return [("factory/telemetry", {"device": gateway, "readings": items})]


def names_in_capitals(gateway: str, found: Sequence[Reading]) -> list[tuple[str, Any]]:
    """Plain values of gateways whose names are no ids."""
    return [(f"silo/{gateway.upper()}/{tag}", f"{v} {u}".encode()) for tag, _, v, u in found]


OWN: dict[str, Write] = {
    "one value each": one_value_each,
    "object for each": object_for_each,
    "gateway in payload": gateway_in_payload,
    "names in capitals": names_in_capitals,
}


def check_whole(played: Played, gateways: Sequence[str] = GATEWAYS) -> None:
    """All readings are there under the ids of the gateways, with the values that their units make of them.

    Nothing is asked but the zone of times that name none.
    """
    assert played.refused == []
    assert not any(tag.is_open for tag in played.findings.tags)
    assert played.findings.questions == ("time_zone" in played.sources)
    assert sorted(played.values) == sorted((gateway, tag) for gateway in gateways for tag in SENT)
    for gateway in gateways:
        for place, (tag, unit) in enumerate(SENT.items()):
            factor = lookup(unit, QUANTITIES[tag])
            expected = [to_canonical(factor, float(rows(gateway, turn)[place][2] or 0.0)) for turn in range(TURNS)]
            assert played.values[gateway, tag] == expected, (gateway, tag)


@pytest.mark.parametrize("form", encoders())
def test_what_simulated_gateways_send_needs_no_edit(form: str, tmp_path: Path) -> None:
    check_whole(Played(traffic(form), tmp_path))


@pytest.mark.parametrize("name", OWN)
def test_other_shapes_that_name_their_units_need_no_edit(name: str, tmp_path: Path) -> None:
    check_whole(Played(written(OWN[name]), tmp_path))


@pytest.mark.parametrize("form", ["mapped", "plain", "csv", "senml json", "sparkplug", "native"])
def test_one_gateway_alone_is_found_in_its_topic(form: str, tmp_path: Path) -> None:
    check_whole(Played(traffic(form, gateways=GATEWAYS[:1]), tmp_path), GATEWAYS[:1])


def test_the_same_names_at_two_sites_are_different_gateways(tmp_path: Path) -> None:
    def both(gateway: str, found: Sequence[Reading]) -> list[tuple[str, Any]]:
        return [(f"acme/{s}/{gateway}/{t}", f"{v} {u}".encode()) for s in ("north", "south") for t, _, v, u in found]

    played = Played(written(both), tmp_path)
    assert played.refused == []
    assert {gateway for gateway, _ in played.values} == {f"{s}-{name}" for s in ("north", "south") for name in GATEWAYS}


def halls(count: int, unit: str = "inH2O") -> list[Message]:
    """In each hall a dc-1 and a dc-2."""
    return [
        (f"works/hall-{hall:02d}/dc-{machine}/dp", f"{2 + machine + turn % 5 / 50:.2f} {unit}".encode(),
         START_US + turn * EVERY_US + hall * 1000 + machine)
        for turn in range(20) for hall in range(count) for machine in (1, 2)
    ]  # fmt: skip


@pytest.mark.parametrize("count", [8, 9, 40])
def test_the_same_names_in_many_halls_are_different_gateways(count: int, tmp_path: Path) -> None:
    played = Played(halls(count), tmp_path)
    assert played.refused == []
    assert played.findings.questions == 0
    assert len(played.values) == 2 * count
    assert all(len(values) == 20 for values in played.values.values())


@pytest.mark.parametrize("unit", ["inH2O", ""])
def test_machines_that_no_template_keeps_apart_stay_out(unit: str, tmp_path: Path) -> None:
    played = Played(halls(60, unit), tmp_path)
    assert played.values == {}
    assert played.findings.questions == 2
    for tag in played.findings.tags:
        (said,) = [text for text in tag.questions if "several machines" in text]
        assert f"works/hall-00/{tag.gateway}/dp" in said
        assert "level_2" in said
    assert "write the proven unit in its place" not in played.sources


def test_one_gateway_on_two_topics_with_different_tags_is_one(tmp_path: Path) -> None:
    def split(gateway: str, found: Sequence[Reading]) -> list[tuple[str, Any]]:
        items = [{"n": tag, "v": v, "u": u, "t": at / 1e6} for tag, at, v, u in found]
        return [(f"w/{gateway}/pressures", {"p": items[:2]}), (f"w/{gateway}/other", {"p": items[2:]})]

    check_whole(Played(written(split), tmp_path))


# ---------------------------------------------------------------- units that are wrong on purpose


def spoiled(gateway: str, found: list[Reading]) -> list[Reading]:
    """gw-cut-1 sends dp in mbar and calls it inH2O, gw-cut-2 sends the header absolute and calls it gauge.

    UNECE Rec 20 F78 and NIST SP 811 B.8: 1 inH2O is 2.4908891 mbar.
    """
    changed = []
    for tag, at_us, value, unit in found:
        assert value is not None
        if (gateway, tag) == ("gw-cut-1", "dp"):
            changed.append((tag, at_us, round(value * 2.4908891, 2), unit))
        elif tag == "header":
            changed.append((tag, at_us, round(value + 14.7 * (gateway == "gw-cut-2"), 1), "psig"))
        else:
            changed.append((tag, at_us, value, unit))
    return changed


@pytest.mark.parametrize("form", ["mapped", "plain", "csv", "sparkplug", "native"])
def test_wrong_units_are_flagged_and_refused_and_nothing_else_is(form: str, tmp_path: Path) -> None:
    played = Played(traffic(form, change=spoiled), tmp_path)
    found = played.findings
    assert {(tag.gateway, tag.tag) for tag in found.tags if tag.is_open} == {("gw-cut-1", "dp"), ("gw-cut-2", "header")}
    (mbar,) = tag_of(found, "gw-cut-1", "dp").candidates
    assert (mbar.unit, mbar.value) == ("mbar", pytest.approx(3.09, abs=0.02))
    (absolute,) = tag_of(found, "gw-cut-2", "header").candidates
    assert (absolute.unit, absolute.value) == ("psi(a)", pytest.approx(90, abs=0.3))
    assert any("14.7 +/- 1.5 psi" in text or "psi apart" in text for text in tag_of(found, "gw-cut-2", "header").notes)
    assert ("gw-cut-1", "dp") not in played.values
    assert ("gw-cut-2", "header") not in played.values
    assert len(played.values) == len(GATEWAYS) * len(SENT) - 2
    assert len(played.refused) == 2 * TURNS


def test_a_person_answers_an_open_question_by_one_word(tmp_path: Path) -> None:
    played = Played(traffic("mapped", change=spoiled), tmp_path)
    line = 'unit = "unproven"  # refuses its readings: write the proven unit in its place\n# unit = "mbar"'
    assert played.sources.count(line) == 1
    again = Played(traffic("mapped", change=spoiled), tmp_path, mended=lambda text: text.replace(line, 'unit = "mbar"'))
    assert max(again.values["gw-cut-1", "dp"]) == pytest.approx(3.5 * 249.08891, rel=0.03), "Pa, NIST SP 811 B.8"


def test_without_units_every_reading_waits_for_a_person(tmp_path: Path) -> None:
    names = dict(zip(SENT, ("Druck", "Druckluft", "Volumenstrom", "Temp", "Strom", "Impulse"), strict=True))

    def plain(gateway: str, found: Sequence[Reading]) -> list[tuple[str, Any]]:
        return [(f"silo/{gateway}/{names[t]}", str(v).replace(".", ",").encode()) for t, _, v, _ in found]

    played = Played(written(plain), tmp_path)
    assert played.values == {}
    assert len(played.refused) == TURNS * len(GATEWAYS) * len(SENT)
    assert all("no unit in the message" in reason for reason in played.refused)
    kinds = {tag.tag: tag.quantity for tag in played.findings.tags}
    assert kinds == {names[tag]: quantity for tag, quantity in QUANTITIES.items()}
    druck = tag_of(played.findings, "gw-cut-1", "Druck")
    assert [each.unit for each in druck.candidates] == ["inH2O", "mbar"]
    assert "[source.tags.Druck]" in played.sources
    assert '# unit = "inH2O"' in played.sources
    assert '\nunit = "inH2O"' not in played.sources


def test_what_the_analysis_learned_from_a_part_reads_the_whole(tmp_path: Path) -> None:
    messages = traffic("mapped")
    check_whole(Played(messages, tmp_path, heard=messages[: len(messages) // 2]))


def test_two_sources_never_claim_the_same_topics() -> None:
    def mixed(gateway: str, found: Sequence[Reading]) -> list[tuple[str, Any]]:
        plain = [(f"works/{gateway}/{tag}", f"{v} {u}".encode()) for tag, _, v, u in found]
        return [*plain, (f"works/{gateway}/info", {"rssi": -70, "uptime": 100})]

    found = find(written(mixed))
    assert [source.templates for source in found.sources] == [["works/{gateway}/{tag}"]]
    (left,) = [each for each in found.left_out if "also those of" in each.why]
    assert left.messages == TURNS * len(GATEWAYS)


def test_devices_of_sparkplug_nodes_are_gateways_wherever_their_birth_stands(tmp_path: Path) -> None:
    """The second birth of a node comes in the middle, behind numbers that the sample may have left out."""
    nodes = {name: Encoder("quay", f"edge-{name}", device=name) for name in GATEWAYS}
    messages = []
    for turn in range(TURNS):
        for name, node in nodes.items():
            again = node.birth(START_US + turn * EVERY_US) if turn == 30 else []
            for topic, payload in [*again, *node.encode(name, "b", turn, rows(name, turn))]:
                messages.append((topic, payload, START_US + turn * EVERY_US + LATENCY_US))
    played = Played(messages, tmp_path)
    assert played.refused == []
    assert played.findings.questions == 0
    assert sorted(played.values) == sorted((name, tag) for name in GATEWAYS for tag in SENT)
    assert 'gateway_of = "device"' in played.sources
    assert all(gateway.every_us == EVERY_US for gateway in played.findings.gateways)


def test_sparkplug_without_births_says_that_names_are_missing() -> None:
    messages = [each for each in traffic("sparkplug") if "BIRTH" not in each[0]]
    found = find(messages)
    (source,) = found.sources
    assert source.form == "sparkplug"
    assert any("no birth was heard" in note for note in source.notes)
    assert found.tags == []

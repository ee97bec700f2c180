"""The plant file: what is refused, with which words, and the text that stands for it in the record."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from service.model import BadConfiguration
from service.plant.file import canonical_json, digest, from_canonical_json, load, parse
from tests.service.plant.made import NOTHING, plant, tables

DEMO = Path(__file__).parents[3] / "deploy" / "demo" / "plant.toml"
DC_1, DP = "collector[quay/cutting/dc-1]", "collector[quay/cutting/dc-1].point[dp]"

REFUSED: list[tuple[str, Any, str]] = [
    (
        "site.0.time_zone",
        NOTHING,
        "site[quay].time_zone: missing; expected IANA time zone, such as Europe/Dublin; add it",
    ),
    ("site.0.colour", "red", "site[quay].colour: no such key; expected one of id, name, time_zone; remove it"),
    ("collector.0.point.0.hihg", {}, f"{DP}.hihg: no such key; expected one of"),
    ("collector.0.point.0.high.at", "5.0", f"{DP}.high.at '5.0': expected a valid number (the limit, in the unit"),
    ("collector.0.point.0.high.at", True, f"{DP}.high.at True: expected a valid number"),
    ("collector.0.point.0.high.at", float("nan"), f"{DP}.high.at nan: expected a finite number"),
    ("collector.0.point.0.high.deadband", -0.1, f"{DP}.high.deadband -0.1: expected greater than or equal to 0"),
    ("collector.0.point.0.high.on_delay", "P1M", f"{DP}.high.on_delay: duration 'P1M': expected ISO 8601"),
    (
        "collector.0.point.0.high.on_delay",
        600,
        f"{DP}.high.on_delay: duration 600: expected ISO 8601 text such as PT10M",
    ),
    ("collector.0.point.0.high.priority", "urgent", f"{DP}.high.priority 'urgent': expected 'low', 'medium' or 'high'"),
    ("collector.0.point.0.while", "sometimes", f"{DP}.while 'sometimes': expected 'running' or 'always'"),
    ("collector.0.kind", "cyclone", f"{DC_1}.kind 'cyclone': expected 'cartridge', 'baghouse', 'bin vent' or 'other'"),
    ("collector.0.id", "quay/dc-1", "collector[quay/dc-1].id 'quay/dc-1': expected"),
    ("collector.0.gateway", "GW 1", f"{DC_1}.gateway 'GW 1': expected"),
    ("collector.0.gateway", NOTHING, f"{DC_1}.gateway: missing; expected id of the gateway"),
    ("contact.0.via", [], "contact[shift-lead].via: expected"),
    ("contact.0.via.0.channel", "", "contact[shift-lead].via[1].channel '': expected"),
    ("contact.0.limits", ["highest"], "contact[shift-lead].limits[1] 'highest': expected 'low-low', 'low', 'high'"),
    ("enterprise", NOTHING, "enterprise: missing; expected the table [enterprise]; add it"),
    (
        "sites",
        [],
        "sites: no such key; expected one of area, collector, contact, enterprise, gateway, site; write site",
    ),
]


@pytest.mark.parametrize(("path", "value", "line"), REFUSED, ids=[line[:80] for _, _, line in REFUSED])
def test_a_wrong_form_is_refused_with_file_key_path_value_and_what_was_expected(
    path: str, value: Any, line: str
) -> None:
    with pytest.raises(BadConfiguration) as refused:
        parse(tables((path, value)), "plant.toml")
    assert f"plant.toml: {line}" in str(refused.value)


def test_the_nearest_key_is_offered() -> None:
    with pytest.raises(BadConfiguration, match="write high-high, or remove it"):
        parse(tables(("collector.0.point.0.high_high", {"at": 7.0})), "plant.toml")


def test_all_faults_come_in_one_go_one_per_line() -> None:
    with pytest.raises(BadConfiguration) as refused:
        parse(tables(("site.0.name", 5), ("collector.0.kind", "x"), ("contact.0.nme", "x")), "plant.toml")
    lines = str(refused.value).splitlines()
    assert len(lines) == 3
    assert all(line.startswith("plant.toml: ") for line in lines)


def test_the_value_of_an_unknown_key_is_not_shown() -> None:
    with pytest.raises(BadConfiguration) as refused:
        parse(tables(("contact.0.password", "hush")), "plant.toml")
    assert "hush" not in str(refused.value)


def test_a_syntax_error_is_refused_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_text('[enterprise]\nid = "alder-pike"\nname = Alder\n')
    with pytest.raises(BadConfiguration, match=r"plant\.toml: not TOML: .*line 3"):
        load(path)


def test_a_missing_file_is_refused_by_its_path(tmp_path: Path) -> None:
    with pytest.raises(BadConfiguration, match=r"nowhere\.toml: No such file"):
        load(tmp_path / "nowhere.toml")


def test_a_file_that_is_not_utf_8_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_bytes(b'name = "\xff"\n')
    with pytest.raises(BadConfiguration, match="byte 8 is not UTF-8"):
        load(path)


def test_load_checks_one_part_against_another(tmp_path: Path) -> None:
    path = tmp_path / "plant.toml"
    path.write_text('[enterprise]\nid = "a"\nname = "A"\n[[area]]\nid = "quay/cutting"\nname = "C"\n')
    with pytest.raises(BadConfiguration, match=r"plant\.toml: area\[quay/cutting\]\.id: no site 'quay'"):
        load(path)


def test_the_demo_plant_is_right() -> None:
    found = load(DEMO)
    assert found.enterprise.name == "Alder & Pike Works"
    assert [site.time_zone for site in found.site] == ["Europe/Dublin"]
    assert len(found.collector) >= 1


def test_whole_numbers_are_numbers() -> None:
    assert plant(("collector.0.point.0.high.at", 5)).collector[0].point[0].limits["high"].at == 5.0


# ---------------------------------------------------------------- the record's text


def test_the_record_reads_its_own_text_back() -> None:
    text = canonical_json(plant())
    assert "\n" not in text
    assert canonical_json(from_canonical_json(text)) == text
    assert json.loads(text)["collector"][0]["point"][1]["high"]["on_delay"] == "PT4H"


def test_the_demo_plant_survives_the_record() -> None:
    found = load(DEMO)
    assert digest(from_canonical_json(canonical_json(found))) == digest(found)


def test_order_spelling_and_written_out_defaults_do_not_make_another_revision() -> None:
    second = {"id": "quay/silo", "name": "Silo"}
    one = plant(("area.+", second), ("collector.0.point.0.high.on_delay", "PT240M"))
    other = plant(
        ("area", [second, tables()["area"][0]]),
        ("collector.0.point.0.high.on_delay", "PT4H"),
        ("collector.0.point.0.high.priority", "medium"),
        ("gateway.0.lateness", "PT30S"),
    )
    assert digest(one) == digest(other)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("collector.0.point.0.high.at", 5.5),
        ("collector.0.point.0.high.on_delay", "PT3H"),
        ("collector.0.point.0.while", "always"),
        ("contact.0.via.0.to", "other@alder-pike.example"),
        ("gateway.0.lateness", "PT31S"),
        ("collector.0.running", NOTHING),
    ],
)
def test_every_change_makes_another_digest(path: str, value: Any) -> None:
    assert digest(plant((path, value))) != digest(plant())


def test_a_record_of_a_form_that_is_no_longer_known_is_refused() -> None:
    with pytest.raises(BadConfiguration, match="recorded revision: "):
        from_canonical_json('{"enterprise":{"id":"a","name":"A","old_key":1}}')

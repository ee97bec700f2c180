"""The text of both drafts for one plant: two gateways, one of which sends wrong units, and some that need nothing."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from service.discover.draft_plant import plant_text
from service.discover.draft_sources import sources_text
from service.discover.findings import Findings
from service.discover.look import find
from tests.service.discover.made import START_US, Reading, traffic

GOLDEN = Path(__file__).parents[2] / "golden" / "discover"
DRAFTS = {"sources.toml": sources_text, "plant.toml": plant_text}


def changed(gateway: str, found: list[Reading]) -> list[Reading]:
    """gw-cut-2 sends dp in mbar as inH2O, an absolute header as gauge, codes, a loop signal, and its local time."""
    if gateway == "gw-cut-1":
        return found
    readings: list[Reading] = []
    for tag, at_us, value, unit in found:
        assert value is not None
        local_us, turn = at_us + 3_600_000_000, at_us // 10_000_000
        if tag == "dp":
            readings.append((tag, local_us, round(value * 2.4908891, 2), unit))
        elif tag == "header":
            readings.append((tag, local_us, round(value + 14.7, 1), unit))
        elif tag == "temperature":
            readings.append((tag, local_us, -9999.0 if turn % 9 == 0 else value, unit))
        elif tag == "airflow":
            readings.append((tag, local_us, round(4 + value / 1000, 2), "mA"))
        else:
            readings.append((tag, local_us, value, unit))
    return [*readings, ("4007", found[0][1] + 3_600_000_000, 12.5, "")]


def findings() -> Findings:
    messages = traffic("mapped", gateways=("gw-cut-1", "gw-cut-2"), change=changed)
    return find([*messages, ("office/printer", b"\xff\xfe", START_US)])


@pytest.mark.parametrize("name", DRAFTS)
def test_drafts_read_as_they_were_reviewed(name: str) -> None:
    """Set DUSTCAKE_REWRITE_GOLDEN=1 to write the files again, and read the difference."""
    said = DRAFTS[name](findings())
    path = GOLDEN / name
    if os.environ.get("DUSTCAKE_REWRITE_GOLDEN") == "1":
        path.parent.mkdir(exist_ok=True)
        path.write_text(said, encoding="utf-8")
    assert said == path.read_text(encoding="utf-8")


@pytest.mark.parametrize("name", DRAFTS)
def test_drafts_are_said_to_be_drafts_with_their_cautions(name: str) -> None:
    said = " ".join(DRAFTS[name](findings()).replace("\n#", " ").split())
    assert said.startswith("# DRAFT of a ")
    assert "A person must review it before it is used." in said
    assert "Reviewed by: ____" in said
    assert "not a safety function" in said
    assert max(map(len, DRAFTS[name](findings()).splitlines())) <= 120


def test_limits_of_the_draft_are_comments_that_name_what_they_rest_on() -> None:
    lines = plant_text(findings()).splitlines()
    limits = [line for line in lines if "deadband" in line]
    assert limits
    assert all(line.startswith("# ") for line in limits)
    assert "# Starting values in inH2O, common practice, no source:" in lines

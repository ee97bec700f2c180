"""The demo plant file and the demo scenario speak of the same collectors, gateways and tags."""

from __future__ import annotations

import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from simulators.scenario import load

DEMO = Path(__file__).parents[2] / "deploy" / "demo"
PLANT: dict[str, Any] = tomllib.loads((DEMO / "plant.toml").read_text(encoding="utf-8"))
SETTINGS: dict[str, Any] = tomllib.loads((DEMO / "dustcake.toml").read_text(encoding="utf-8"))
FORMS = {form.id: form for form in load("demo").collector}
TIERS = ("low-low", "low", "high", "high-high")


def test_every_collector_of_the_plant_is_played_by_its_gateway() -> None:
    assert {each["id"]: each["gateway"] for each in PLANT["collector"]} == {
        name: form.gateway for name, form in FORMS.items()
    }
    assert {each["id"] for each in PLANT["gateway"]} == {form.gateway for form in FORMS.values()}


@pytest.mark.parametrize("collector", PLANT["collector"], ids=lambda each: each["id"])
class TestCollector:
    def test_every_point_is_sent_and_every_tag_has_a_point(self, collector: dict[str, Any]) -> None:
        assert [each["name"] for each in collector["point"]] == list(FORMS[collector["id"]].tags)
        assert collector["running"]["point"] in FORMS[collector["id"]].tags

    def test_gateways_report_as_often_as_the_plant_says(self, collector: dict[str, Any]) -> None:
        (gateway,) = [each for each in PLANT["gateway"] if each["id"] == collector["gateway"]]
        assert gateway["reports_every"] == f"PT{FORMS[collector['id']].reports_every_s}S"

    def test_limits_are_in_order_with_their_deadbands(self, collector: dict[str, Any]) -> None:
        """HighHigh > High > Low > LowLow, and a deadband does not reach the next limit (OPC 10000-9 5.8.18)."""
        for point in collector["point"]:
            limits = [(tier, point[tier]) for tier in TIERS if tier in point]
            for (lower, below), (upper, above) in pairwise(limits):
                lowest = above["at"] - (above["deadband"] if upper.startswith("high") else 0)
                highest = below["at"] + (below["deadband"] if lower.startswith("low") else 0)
                assert highest < lowest, f"{point['name']}: {lower} and {upper}"

    def test_airflow_limits_are_drafted_from_the_design_flow(self, collector: dict[str, Any]) -> None:
        design = FORMS[collector["id"]].built().design_flow_acfm
        (airflow,) = [each for each in collector["point"] if each["name"] == "airflow"]
        shares = [airflow[tier]["at"] / design for tier in TIERS]
        assert shares == pytest.approx([0.75, 0.85, 1.15, 1.25])  # common practice, no source


def test_every_address_of_a_contact_has_a_channel() -> None:
    used = {way["channel"] for contact in PLANT["contact"] for way in contact["via"]}
    assert used == set(SETTINGS["channels"])


def test_everything_in_the_demo_stays_on_this_machine() -> None:
    assert {SETTINGS[part]["host"] for part in ("broker", "web")} == {"127.0.0.1"}
    assert SETTINGS["channels"]["mail"]["host"] == "127.0.0.1"
    assert SETTINGS["channels"]["hook"]["url"].startswith("http://127.0.0.1:")

"""Stations played without a network: what the demo scenario measures, when, and what an outage does to it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from statistics import median
from typing import Any

import pytest

from simulators.faults import Fault, fault
from simulators.fleet import PlantClock, Station
from simulators.scenario import Scenario, load

START_S = 1_795_593_600
STEP_S = 10


def station(name: str, faults: Sequence[Fault] | None = None, *, seed: int = 1, start_s: int = START_S) -> Station:
    scenario = load("demo")
    form = next(each for each in scenario.collector if each.id.endswith(name))
    chosen = scenario.faults() if faults is None else faults
    return Station(form, chosen, seed=seed, start_s=start_s, step_s=scenario.step_s)


def heard(one: Station, hours: float) -> list[tuple[float, dict[str, Any]]]:
    """(hour of arrival, message) of everything that reaches the broker, over a link that is perfect but for outages."""
    arrived = []
    for step in range(round(hours * 3600 / STEP_S)):
        one.advance()
        if one.has_link:
            hour = (step + 1) * STEP_S / 3600
            arrived += [(hour, json.loads(each.payload)) for each in one.gateway.take(STEP_S, window=200)]
    return arrived


def values(messages: list[tuple[float, dict[str, Any]]], tag: str) -> list[tuple[float, float]]:
    """(hour, value) of one tag."""
    return [
        (hour, reading["value"]) for hour, body in messages for reading in body["readings"] if reading["tag"] == tag
    ]


def test_demo_clock_runs_from_its_anchors() -> None:
    clock = PlantClock(speed=240, wall_anchor_s=1_000.0, plant_anchor_s=50_000.0)
    assert clock.plant_s(1_000.0) == 50_000.0
    assert clock.plant_s(1_015.0) == 50_000.0 + 3_600.0
    assert clock.wall_s(clock.plant_s(1_234.5)) == pytest.approx(1_234.5)


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not() -> None:
    def bytes_of(seed: int) -> list[bytes]:
        one = station("bv-3", seed=seed)
        for _ in range(100):
            one.advance()
        return [each.payload for each in one.gateway.take(100, window=200)]

    assert bytes_of(3) == bytes_of(3)
    assert bytes_of(3) != bytes_of(4)


def test_a_restart_has_a_boot_id_of_its_own() -> None:
    assert station("bv-3").gateway.boot != station("bv-3", start_s=START_S + STEP_S).gateway.boot


def test_a_report_comes_each_ten_seconds_of_plant_time() -> None:
    arrived = heard(station("dc-1"), 0.5)
    instants = [body["readings"][0]["at"] for _, body in arrived]
    assert instants[:2] == ["2026-11-25T08:00:10.000Z", "2026-11-25T08:00:20.000Z"]
    assert [body["seq"] for _, body in arrived] == list(range(1, 181))


def test_demo_bin_vent_loses_its_air_within_minutes() -> None:
    arrived = heard(station("bv-3"), 1.0)
    low = [hour for hour, psi in values(arrived, "header") if psi < 65.0]
    assert 0.05 < low[0] < 0.3  # with ten minutes of delay: an alarm within half an hour
    assert all(psi < 65 for hour, psi in values(arrived, "header") if hour > low[0] + 0.05)
    assert values(arrived, "dp")[0][1] == pytest.approx(2.6 * 249, rel=0.2)  # this gateway sends pascal


def test_demo_cartridge_collector_passes_six_inches_after_its_cleaning_stops() -> None:
    high = [hour for hour, inches in values(heard(station("dc-1"), 4.5), "dp") if inches > 6.0]
    assert high[0] == pytest.approx(0.2 + 3.6, abs=0.5)  # it depends on where in its band it was


@pytest.mark.parametrize(("name", "low", "high"), [("bh-2", 3.2, 3.6), ("bh-4", 3.6, 4.0)])
def test_demo_healthy_collectors_stay_in_their_band(name: str, low: float, high: float) -> None:
    inches = [value for _, value in values(heard(station(name), 5), "dp")]
    assert low < median(inches) < high
    assert max(inches) < 5.0


def test_an_outage_loses_nothing_and_keeps_the_original_times() -> None:
    arrived = heard(station("bh-4"), 3.0)
    assert [body["seq"] for _, body in arrived] == list(range(1, 3 * 360 + 1))
    instants = [body["readings"][0]["at"] for _, body in arrived]
    assert instants == sorted(instants)
    assert len(set(instants)) == len(instants)
    assert not [hour for hour, _ in arrived if 1.0 <= hour < 2.5]
    late = [hour - body["seq"] * STEP_S / 3600 for hour, body in arrived]
    assert max(late) == pytest.approx(1.5, abs=0.01)
    assert late[-1] == pytest.approx(0.0, abs=1e-6)
    per_hour = {hour: sum(1 for other, _ in arrived if other == hour) for hour, _ in arrived}
    assert max(per_hour.values()) == 100  # ten a second over a step of ten seconds


def test_an_outage_longer_than_the_buffer_leaves_a_gap_in_the_numbers() -> None:
    form = load("demo").collector[0].model_copy(update={"buffer_messages": 50})
    one = Station(form, [fault("gateway-outage", form.id, 0.1, 0.5)], seed=1, start_s=START_S, step_s=STEP_S)
    numbers = [body["seq"] for _, body in heard(one, 1.0)]
    gaps = [(before, after) for before, after in pairwise(numbers) if after != before + 1]
    assert len(gaps) == 1
    assert gaps[0][1] - gaps[0][0] - 1 == one.gateway.dropped > 0


def test_the_header_minimum_covers_the_whole_report_interval() -> None:
    """With reports each minute, a pulse in the first step of the minute is still seen."""
    form = load("demo").collector[3].model_copy(update={"reports_every_s": 60})
    one = Station(form, [], seed=1, start_s=START_S, step_s=STEP_S)
    messages = heard(one, 3.0)
    pulses, lowest = values(messages, "pulses"), values(messages, "header_min")
    assert len(messages) == 180
    with_pulse = [
        low for (_, low), ((_, before), (_, after)) in zip(lowest[1:], pairwise(pulses), strict=True) if after > before
    ]
    assert len(with_pulse) > 20
    assert max(with_pulse) < 80


class TestScenario:
    def test_demo_is_the_four_collectors_of_the_quay(self) -> None:
        scenario = load("demo")
        assert [(each.id, each.gateway) for each in scenario.collector] == [
            ("quay/cutting/dc-1", "gw-cut-1"),
            ("quay/joinery/bh-2", "gw-join-2"),
            ("quay/silo/bv-3", "gw-silo-3"),
            ("quay/foundry/bh-4", "gw-fdy-4"),
        ]
        assert {each.collector.rsplit("/")[-1] for each in scenario.fault} == {"bv-3", "dc-1", "bh-4"}

    @pytest.mark.parametrize(
        ("change", "says"),
        [
            ({"step_s": 0}, "step_s"),
            ({"surprise": 1}, "surprise"),
            ({"fault": [{"name": "rust", "collector": "a/b/c", "at_hours": 1}]}, "'rust' is unknown"),
            ({"fault": [{"name": "fan-off", "collector": "a/b/d", "at_hours": 1}]}, "is not one of a/b/c"),
            ({"collector": [{"design": "cyclone"}]}, "'cyclone' is unknown"),
            ({"collector": [{"reports_every_s": 15}]}, "not a multiple"),
            ({"collector": [{"tags": {"x": {"measures": "mood", "unit": "1"}}}]}, "'mood' is unknown"),
            ({"collector": [{"tags": {"x": {"measures": "dp", "unit": "cfm"}}}]}, "cannot be sent"),
            ({"collector": [{}, {"id": "a/b/d"}]}, "gw used twice"),
        ],
    )
    def test_an_unusable_scenario_is_refused_with_the_reason(self, change: dict[str, Any], says: str) -> None:
        tags = {"dp": {"measures": "dp", "unit": "inH2O"}}
        base = {"id": "a/b/c", "design": "cartridge", "gateway": "gw", "tags": tags}
        collectors = [base | each for each in change.pop("collector", [{}])]
        with pytest.raises(ValueError, match=says):
            Scenario.model_validate({"says": "a test", "collector": collectors} | change)

    def test_a_scenario_can_be_a_file_and_a_missing_one_names_those_that_exist(self, tmp_path: Path) -> None:
        path = tmp_path / "own.toml"
        path.write_text('says = "own"\n[[collector]\n')
        with pytest.raises(ValueError, match=r"own\.toml"):
            load(str(path))
        with pytest.raises(ValueError, match="demo"):
            load("nowhere")

"""The differences between two revisions, in lines for people."""

from __future__ import annotations

from typing import Any

import pytest

from service.plant.changes import differences
from tests.service.plant.made import NOTHING, TABLES, plant

CASES: list[tuple[list[tuple[str, Any]], list[str]]] = [
    ([], []),
    ([("collector.0.point.0.high.at", 5.5)], ["quay/cutting/dc-1 dp high at: 5.0 -> 5.5"]),
    ([("collector.0.point.0.high.on_delay", "PT3H")], ["quay/cutting/dc-1 dp high on_delay: PT4H -> PT3H"]),
    ([("collector.0.point.0.high", NOTHING)], ["quay/cutting/dc-1 dp high: removed (5.0)"]),
    ([("collector.0.point.1.low", {"at": 6000})], ["quay/cutting/dc-1 airflow low: added (6000.0)"]),
    ([("collector.0.point.0.hold", "PT1M")], ["quay/cutting/dc-1 dp hold: added (PT1M)"]),
    ([("collector.0.point.0.while", "always")], ["quay/cutting/dc-1 dp while: running -> always"]),
    ([("collector.0.running.on", 4100)], ["quay/cutting/dc-1 running on: 4000.0 -> 4100.0"]),
    ([("collector.0.running", NOTHING)], ["quay/cutting/dc-1 running: removed"]),
    ([("collector.0.name", "Cutting")], ["quay/cutting/dc-1 name: Cutting collector 1 -> Cutting"]),
    (
        [("collector.+", TABLES["collector"][0] | {"id": "quay/cutting/dc-2"})],
        ["quay/cutting/dc-2: added"],
    ),
    ([("collector.0.point.1", NOTHING)], ["quay/cutting/dc-1 airflow: removed"]),
    ([("site.0.time_zone", "Europe/London")], ["site quay time_zone: Europe/Dublin -> Europe/London"]),
    ([("gateway.0.lateness", "PT5M")], ["gateway gw-cut-1 lateness: PT30S -> PT5M"]),
    ([("contact.0.priorities", ["high"])], ["contact shift-lead priorities: added (high)"]),
    (
        [("contact.0.via", [{"channel": "hook"}])],
        ["contact shift-lead via: mail shift-lead@alder-pike.example, hook -> hook"],
    ),
    ([("enterprise.name", "Alder")], ["enterprise name: Alder & Pike Works -> Alder"]),
    (
        [("collector.0.point.0.high.at", 5.5), ("collector.0.point.0.high.deadband", 0.3)],
        ["quay/cutting/dc-1 dp high at: 5.0 -> 5.5", "quay/cutting/dc-1 dp high deadband: 0.2 -> 0.3"],
    ),
]


@pytest.mark.parametrize(("changes", "lines"), CASES, ids=[(case[1] or ["nothing"])[0] for case in CASES])
def test_a_change_is_said_in_one_line(changes: list[tuple[str, Any]], lines: list[str]) -> None:
    assert differences(plant(), plant(*changes)) == lines


def test_the_order_of_the_file_is_no_difference() -> None:
    second = {"id": "quay/silo", "name": "Silo"}
    assert differences(plant(("area.+", second)), plant(("area", [second, TABLES["area"][0]]))) == []

"""One part of the plant file against another: each check refuses what it is there for, and nothing else."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.model import BadConfiguration
from service.plant.checks import check, check_channels, faults
from tests.service.plant.made import NOTHING, TABLES, plant

UNHURRIED = settings(deadline=None)  # other work shares the machine

DC_1, DP = "collector[quay/cutting/dc-1]", "collector[quay/cutting/dc-1].point[dp]"
Changes = list[tuple[str, Any]]
COLLECTOR, POINT = TABLES["collector"][0], TABLES["collector"][0]["point"][0]

FAULTS: list[tuple[str, Changes, str]] = [
    ("site id twice", [("site.+", TABLES["site"][0])], "site[quay].id: given twice"),
    ("area id twice", [("area.+", TABLES["area"][0])], "area[quay/cutting].id: given twice"),
    ("gateway id twice", [("gateway.+", TABLES["gateway"][0])], "gateway[gw-cut-1].id: given twice"),
    ("contact id twice", [("contact.+", TABLES["contact"][0])], "contact[shift-lead].id: given twice"),
    ("collector id twice", [("collector.+", COLLECTOR | {"gateway": "gw-cut-2"})], f"{DC_1}.id: given twice"),
    ("point name twice", [("collector.0.point.+", POINT | {"tag": "dp2"})], f"{DP}.name: given twice"),
    ("area of no site", [("area.+", {"id": "pier/cutting", "name": "x"})], "area[pier/cutting].id: no site 'pier'"),
    (
        "collector of no area",
        [("collector.0.id", "quay/silo/dc-1")],
        "collector[quay/silo/dc-1].id: no area 'quay/silo'; expected one of quay/cutting",
    ),
    ("time zone", [("site.0.time_zone", "Europe/Quay")], "site[quay].time_zone 'Europe/Quay': expected an IANA name"),
    ("time zone path", [("site.0.time_zone", "../etc")], "site[quay].time_zone '../etc': expected an IANA name"),
    ("time zone folder", [("site.0.time_zone", "Europe")], "site[quay].time_zone 'Europe': expected an IANA name"),
    (
        "one tag for two points",
        [("collector.0.point.1.tag", "dp")],
        f"{DC_1}.point[airflow].tag: tag 'dp' of gateway gw-cut-1 is {DP} already",
    ),
    (
        "a gateway that nobody names",
        [("gateway.+", {"id": "gw-cut-l"})],
        "gateway[gw-cut-l].id: no point comes from it; expected one of gw-cut-1",
    ),
    (
        "unknown unit",
        [("collector.0.point.0.unit", "inches")],
        f"{DP}: unit 'inches' of differential pressure: expected",
    ),
    ("unit of another quantity", [("collector.0.point.0.unit", "cfm")], "this one measures flow"),
    ("unknown quantity", [("collector.0.point.0.quantity", "pressure")], f"{DP}: quantity 'pressure': expected one of"),
    ("running unit", [("collector.0.running.unit", "A")], f"{DC_1}.running.unit: unit 'A' of airflow: expected"),
    (
        "running point",
        [("collector.0.running.point", "amps")],
        f"{DC_1}.running.point 'amps': expected a point of this collector, one of airflow, dp",
    ),
    (
        "running off = on",
        [("collector.0.running.off", 4000)],
        f"{DC_1}.running.off 4000.0: expected less than on (4000.0)",
    ),
    ("running off > on", [("collector.0.running.off", 4001)], f"{DC_1}.running.off 4001.0: expected less than on"),
    ("forget at once", [("collector.0.running.forget_after", "PT0S")], f"{DC_1}.running.forget_after PT0S"),
    ("low-low = low", [("collector.0.point.0.low-low.at", 1.0)], f"{DP}.low.at 1.0: expected more than low-low (1.0)"),
    ("low > high", [("collector.0.point.0.low.at", 5.5)], f"{DP}.high.at 5.0: expected more than low (5.5)"),
    (
        "high = high-high",
        [("collector.0.point.0.high.at", 6.0)],
        f"{DP}.high-high.at 6.0: expected more than high (6.0)",
    ),
    (  # OPC 10000-9 5.8.18: HH - HHdb > H
        "high-high comes back to high",
        [("collector.0.point.0.high-high.deadband", 1.0)],
        f"{DP}.high-high.deadband 1.0: expected high-high - deadband above high (5.0)",
    ),
    (  # OPC 10000-9 5.8.18: H - Hdb > L
        "high comes back to low",
        [("collector.0.point.0.high.deadband", 4.0)],
        f"{DP}.high.deadband 4.0: expected high - deadband above low (1.0)",
    ),
    (  # OPC 10000-9 5.8.18: L + Ldb < H
        "low comes back to high",
        [("collector.0.point.0.low.deadband", 4.0)],
        f"{DP}.low.deadband 4.0: expected low + deadband below high (5.0)",
    ),
    (  # OPC 10000-9 5.8.18: LL + LLdb < L
        "low-low comes back to low",
        [("collector.0.point.0.low-low.deadband", 0.5)],
        f"{DP}.low-low.deadband 0.5: expected low-low + deadband below low (1.0)",
    ),
    (
        "high-high comes back to low-low, the others missing",
        [
            ("collector.0.point.0.low", NOTHING),
            ("collector.0.point.0.high", NOTHING),
            ("collector.0.point.0.high-high.deadband", 5.5),
        ],
        f"{DP}.high-high.deadband 5.5: expected high-high - deadband above low-low (0.5)",
    ),
    (  # 0.5 + 0.5 is 1.0; in floats 0.1 + 0.2 is not 0.3
        "exactly, in decimal",
        [
            ("collector.0.point.0.low-low", {"at": 0.1, "deadband": 0.2}),
            ("collector.0.point.0.low", {"at": 0.3, "deadband": 0.0}),
        ],
        f"{DP}.low-low.deadband 0.2: expected low-low + deadband below low (0.3)",
    ),
    ("reports never", [("gateway.0.reports_every", "PT0S")], "gateway[gw-cut-1].reports_every PT0S: expected more"),
    (
        "silent between reports",
        [("gateway.0.silent_after", "PT10S")],
        "gateway[gw-cut-1].silent_after PT10S: expected longer than reports_every (PT10S)",
    ),
    (
        "held for less than a report",
        [("collector.0.point.0.hold", "PT9S")],
        f"{DP}.hold PT9S: expected at least the gateway's reports_every (PT10S)",
    ),
    (
        "a pattern without a collector",
        [("contact.0.collectors", ["qway/*"])],
        "contact[shift-lead].collectors 'qway/*': expected a pattern that some collector's id matches",
    ),
]


def test_the_plant_that_the_others_change_is_right() -> None:
    assert faults(plant()) == []


@pytest.mark.parametrize(("changes", "line"), [fault[1:] for fault in FAULTS], ids=[fault[0] for fault in FAULTS])
def test_a_fault_is_found_and_said(changes: Changes, line: str) -> None:
    found = faults(plant(*changes))
    assert any(line in one for one in found), found
    assert all(";" in one for one in found)  # each has a remedy


@pytest.mark.parametrize(
    "changes",
    [
        [("collector.0.point.0.high-high.deadband", 0.99)],
        [("collector.0.point.0.high.deadband", 3.99)],
        [("collector.0.point.0.low.deadband", 3.99)],
        [("collector.0.point.0.low-low.deadband", 0.49)],
        [("collector.0.point.0.hold", "PT10S")],
        [("collector.0.point.1.tag", "dp"), ("collector.0.point.1.gateway", "gw-cut-9")],
        [("collector.0.running.unit", "m3/s"), ("collector.0.running.on", 2.0), ("collector.0.running.off", 1.0)],
        [("contact.0.collectors", ["*"]), ("collector", []), ("gateway", [])],
        [("collector.0.running", NOTHING)],
    ],
)
def test_what_is_just_right_passes(changes: Changes) -> None:
    assert faults(plant(*changes)) == []


def test_all_faults_come_in_one_go() -> None:
    wrong = plant(("site.0.time_zone", "x"), ("collector.0.point.0.unit", "x"), ("contact.0.collectors", ["x"]))
    with pytest.raises(BadConfiguration) as refused:
        check(wrong, "plant.toml")
    lines = str(refused.value).splitlines()
    assert len(lines) == 3
    assert all(line.startswith("plant.toml: ") for line in lines)


@UNHURRIED
@given(st.lists(st.integers(0, 40), min_size=8, max_size=8))
def test_limits_pass_only_when_all_conditions_of_opc_10000_9_hold(tenths: list[int]) -> None:
    ll, l, h, hh, lldb, ldb, hdb, hhdb = tenths  # noqa: E741 - the letters of the clause
    limits = {"low-low": (ll, lldb), "low": (l, ldb), "high": (h, hdb), "high-high": (hh, hhdb)}
    changes = [
        (f"collector.0.point.0.{tier}", {"at": at / 10, "deadband": band / 10}) for tier, (at, band) in limits.items()
    ]
    expected = hh > h > l > ll and hh - hhdb > h and h - hdb > l and l + ldb < h and ll + lldb < l
    assert (faults(plant(*changes)) == []) is expected


def test_a_channel_that_the_settings_do_not_have_is_refused() -> None:
    check_channels(plant(), {"mail", "hook"})
    with pytest.raises(
        BadConfiguration, match=r"contact\[shift-lead\]\.via channel 'hook': expected one of .*\(mail\)"
    ):
        check_channels(plant(), {"mail"})

"""What the engine is given: canonical edges, bindings and times, with the defaults filled in."""

from __future__ import annotations

from pathlib import Path

from rules.comparator import judge
from rules.types import RunningRule, Tier
from service.plant.compile import BoundPoint, Compiled, GatewayTimes, Recipient, compile_plant
from service.plant.file import load
from service.units.convert import lookup, to_canonical
from tests.service.plant.made import NOTHING, plant

SECOND_US, MINUTE_US = 1_000_000, 60_000_000
INCHES, CFM = lookup("inH2O", "differential pressure"), lookup("cfm", "airflow")


def compiled(*changes: tuple[str, object]) -> Compiled:
    return compile_plant(plant(*changes), revision=7)


def test_a_limit_turns_at_what_readings_of_the_written_numbers_become() -> None:
    limits = {limit.tier: limit for limit in compiled().specs[0].points[0].limits}
    assert list(limits) == [Tier.LOW_LOW, Tier.LOW, Tier.HIGH, Tier.HIGH_HIGH]
    assert limits[Tier.HIGH_HIGH].threshold == to_canonical(INCHES, 6.0)
    assert limits[Tier.HIGH_HIGH].back == to_canonical(INCHES, 5.8)
    assert limits[Tier.LOW].back == to_canonical(INCHES, 1.1)
    assert not judge(limits[Tier.HIGH_HIGH], False, to_canonical(INCHES, 6.0))
    assert judge(limits[Tier.HIGH_HIGH], False, to_canonical(INCHES, 6.01))
    assert not judge(limits[Tier.HIGH_HIGH], True, to_canonical(INCHES, 5.8))
    assert judge(limits[Tier.HIGH_HIGH], True, to_canonical(INCHES, 5.81))


def test_a_limit_has_its_delays_priority_and_revision() -> None:
    high, high_high = compiled().specs[0].points[0].limits[2:]
    assert (high.on_delay_us, high.off_delay_us, high.priority, high.revision) == (
        240 * MINUTE_US,
        10 * MINUTE_US,
        "medium",
        7,
    )
    assert (high_high.on_delay_us, high_high.off_delay_us, high_high.priority) == (10 * MINUTE_US, 0, "high")


def test_the_running_rule_is_in_canonical_units() -> None:
    assert compiled().specs[0].running == RunningRule(
        point="airflow",
        on=to_canonical(CFM, 4000.0),
        off=to_canonical(CFM, 2000.0),
        settle_us=5 * MINUTE_US,
        forget_after_us=480 * MINUTE_US,
    )
    assert compiled(("collector.0.running", NOTHING)).specs[0].running is None


def test_a_reading_holds_for_three_reports_unless_the_file_says_otherwise() -> None:
    every = ("gateway.0.reports_every", "PT20S")
    points = compiled(every, ("collector.0.point.1.hold", "PT15M")).specs[0].points
    assert [point.hold_us for point in points] == [60 * SECOND_US, 15 * MINUTE_US]


def test_a_point_is_judged_while_running_unless_the_file_says_always() -> None:
    points = compiled(("collector.0.point.0.while", "always")).specs[0].points
    assert [point.always for point in points] == [True, False]


def test_bindings_take_the_tag_and_gateway_of_the_point_or_else_its_name_and_the_collectors_gateway() -> None:
    found = compiled(("collector.0.point.1.tag", "FT-101"), ("collector.0.point.1.gateway", "gw-cut-2"))
    first, second = found.points
    assert isinstance(first, BoundPoint)
    assert (first.gateway, first.tag, first.collector, first.point) == ("gw-cut-1", "dp", "quay/cutting/dc-1", "dp")
    assert (first.quantity, first.unit_text, first.unit) == ("differential pressure", "inH2O", INCHES)
    assert [(tier, limit.at) for tier, limit in first.limits][-1] == (Tier.HIGH_HIGH, 6.0)
    assert (second.gateway, second.tag, second.point) == ("gw-cut-2", "FT-101", "airflow")


def test_points_run_through_the_specs_in_their_order() -> None:
    found = compiled()
    in_specs = [(spec.name, point.name) for spec in found.specs for point in spec.points]
    assert [(point.collector, point.point) for point in found.points] == in_specs


def test_a_gateway_without_a_table_has_the_defaults_and_one_without_points_is_left_out() -> None:
    found = compiled(("gateway", []))
    assert found.gateways == (GatewayTimes("gw-cut-1", 10 * SECOND_US, 30 * MINUTE_US, MINUTE_US, 30 * SECOND_US),)
    moved = compiled(("collector.0.point.0.gateway", "a"), ("collector.0.point.1.gateway", "b"))
    assert [gateway.id for gateway in moved.gateways] == ["a", "b"]


def test_a_collector_waits_for_the_latest_of_its_gateways() -> None:
    found = compiled(("collector.0.point.1.gateway", "gw-slow"), ("gateway.+", {"id": "gw-slow", "lateness": "PT2M"}))
    assert found.places[0].lateness_us == 2 * MINUTE_US


def test_a_place_has_the_names_that_people_use() -> None:
    place = compiled().places[0]
    assert (place.id, place.name, place.kind) == ("quay/cutting/dc-1", "Cutting collector 1", "cartridge")
    assert (place.site, place.site_name, place.area, place.area_name) == (
        "quay",
        "Quay Street works",
        "quay/cutting",
        "Plate cutting",
    )
    assert place.time_zone == "Europe/Dublin"


def test_a_contact_without_limits_or_priorities_hears_all_of_them() -> None:
    found = compiled(("contact.0.priorities", ["high"]))
    assert found.contacts == (
        Recipient(
            "shift-lead",
            "Shift lead",
            (("mail", "shift-lead@alder-pike.example"), ("hook", "")),
            ("quay/*",),
            (),
            ("high",),
        ),
    )


def test_the_demo_plant_compiles() -> None:
    found = compile_plant(load(Path(__file__).parents[3] / "deploy" / "demo" / "plant.toml"), revision=1)
    assert len(found.specs) == len(found.places) >= 1
    assert len(found.points) == sum(len(spec.points) for spec in found.specs)

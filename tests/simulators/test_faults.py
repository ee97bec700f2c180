"""Faults are data: when they hold, what they do to the world, and how they are written on a command line."""

from __future__ import annotations

import pytest

from simulators.faults import CATALOGUE, Fault, fault, holds, parse_fault, world_at
from simulators.physics import HEALTHY, World

COLLECTORS = ["quay/cutting/dc-1", "quay/silo/bv-3"]


@pytest.mark.parametrize(("hours", "active"), [(0.99, False), (1.0, True), (2.49, True), (2.5, False), (99.0, False)])
def test_a_fault_holds_from_its_hour_until_its_time_is_over(hours: float, active: bool) -> None:
    assert Fault("gateway-outage", "a/b/c", 1.0, 1.5).active(hours) is active


def test_a_fault_without_a_duration_lasts_to_the_end() -> None:
    assert Fault("cleaning-off", "a/b/c", 1.0).active(1e6)


@pytest.mark.parametrize(
    ("name", "hours", "world"),
    [
        ("cleaning-off", 5.0, World(cleaning=False)),
        ("compressor-off", 5.0, World(supply_psi=None)),
        ("fan-off", 5.0, World(fan_on=False)),
        ("belt-slip", 5.0, World(speed_factor=0.8)),
        ("regulator-drift", 12.0, World(supply_psi=80.0)),
        ("regulator-drift", 90.0, World(supply_psi=70.0)),
        ("regulator-high", 5.0, World(supply_psi=122.0)),
        ("diaphragm-leak", 5.0, World(open_valve=0.1)),
        ("valve-stuck-open", 5.0, World(open_valve=1.0)),
        ("dead-valves", 5.0, World(dead_rows=frozenset({0}))),
        ("duct-plugging", 24.0, World(duct_factor=1.6)),
        ("dust-load", 5.0, World(dust_factor=2.5)),
        ("sticky-dust", 5.0, World(k2_factor=1.6, blinding_factor=200.0)),
        ("airlock-stopped", 5.0, World(airlock=0.0)),
        ("gateway-outage", 0.5, HEALTHY),
        ("dp-frozen", 5.0, HEALTHY),
        ("dp-failed", 5.0, HEALTHY),
    ],
)
def test_each_fault_changes_the_world_as_its_name_says(name: str, hours: float, world: World) -> None:
    assert world_at([fault(name, "a/b/c", 0.0)], hours) == world


def test_the_table_above_names_the_whole_catalogue() -> None:
    cases = test_each_fault_changes_the_world_as_its_name_says.pytestmark[0].args[1]  # type: ignore[attr-defined]
    assert {name for name, *_ in cases} == set(CATALOGUE)


def test_faults_add_up() -> None:
    both = [fault("cleaning-off", "a/b/c", 0.0), fault("dead-valves", "a/b/c", 1.0, amount=4)]
    assert world_at(both, 0.5) == World(cleaning=False)
    assert world_at(both, 1.5) == World(cleaning=False, dead_rows=frozenset({0, 2, 4, 6}))
    assert holds(both, "dead-valves", 1.5)
    assert not holds(both, "dead-valves", 0.5)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("cleaning-off@dc-1+0.2", Fault("cleaning-off", "quay/cutting/dc-1", 0.2, None, 0.0)),
        ("compressor-off@quay/silo/bv-3+1", Fault("compressor-off", "quay/silo/bv-3", 1.0, None, 0.0)),
        ("gateway-outage@bv-3+1", Fault("gateway-outage", "quay/silo/bv-3", 1.0, 1.5, 0.0)),
        ("gateway-outage@bv-3+1+0.25", Fault("gateway-outage", "quay/silo/bv-3", 1.0, 0.25, 0.0)),
        ("belt-slip@dc-1+0", Fault("belt-slip", "quay/cutting/dc-1", 0.0, None, 0.8)),
    ],
)
def test_a_fault_can_be_written_in_one_word(text: str, expected: Fault) -> None:
    assert parse_fault(text, COLLECTORS) == expected


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("tsunami@dc-1+1", "'tsunami' is unknown"),
        ("cleaning-off@dc-9+1", "quay/cutting/dc-1"),
        ("cleaning-off@dc-1", "NAME@COLLECTOR"),
        ("cleaning-off", "NAME@COLLECTOR"),
        ("cleaning-off@dc-1+soon", "hours must be numbers"),
        ("cleaning-off@dc-1+-2", "hours must be numbers"),
        ("cleaning-off@dc-1+nan", "hours must be numbers"),
    ],
)
def test_an_unusable_fault_is_refused_with_the_remedy(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse_fault(text, COLLECTORS)

"""Faults as data: what, where, when, for how long and how bad. Must never hold state or touch a collector.

Hours are plant hours from the start of the play. A physical fault changes the `World` of its collector; an
instrument or gateway fault is read by the gateway. Sizes are trade knowledge from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from math import inf, nan

from simulators.physics import HEADER_SET_PSI, HEALTHY, World


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of one collector. `for_hours` None lasts to the end; `amount` None takes the usual size."""

    name: str
    collector: str
    at_hours: float
    for_hours: float | None = None
    amount: float | None = None

    def active(self, hours: float) -> bool:
        """Whether it holds at this plant hour."""
        return self.at_hours <= hours and (self.for_hours is None or hours < self.at_hours + self.for_hours)


@dataclass(frozen=True, slots=True)
class Kind:
    """One entry of the catalogue. `change` maps (world, amount, hours since it began) to the world with it."""

    says: str
    amount: float = 0.0
    for_hours: float | None = None
    change: Callable[[World, float, float], World] | None = None  # None: read by the gateway


def _drift(world: World, end_psi: float, hours: float) -> World:
    """A regulator that drifts from its set pressure to `end_psi` within a day."""
    return replace(world, supply_psi=HEADER_SET_PSI + (end_psi - HEADER_SET_PSI) * min(1.0, hours / 24.0))


def _plugging(world: World, end_factor: float, hours: float) -> World:
    """A duct whose resistance grows to `end_factor` within two days."""
    return replace(world, duct_factor=1.0 + (end_factor - 1.0) * min(1.0, hours / 48.0))


GATEWAY_OUTAGE, DP_FROZEN, DP_FAILED = "gateway-outage", "dp-frozen", "dp-failed"

CATALOGUE: dict[str, Kind] = {
    "cleaning-off": Kind("pulse controller dead", change=lambda w, _a, _h: replace(w, cleaning=False)),
    "compressor-off": Kind("no compressed air", change=lambda w, _a, _h: replace(w, supply_psi=None)),
    "fan-off": Kind("fan stopped", change=lambda w, _a, _h: replace(w, fan_on=False)),
    "belt-slip": Kind("fan speed factor", 0.8, change=lambda w, a, _h: replace(w, speed_factor=a)),
    "regulator-drift": Kind("supply drifts in a day to psig", 70.0, change=_drift),
    "regulator-high": Kind("supply fails high, psig", 122.0, change=lambda w, a, _h: replace(w, supply_psi=a)),
    "diaphragm-leak": Kind("leak, share of a valve", 0.10, change=lambda w, a, _h: replace(w, open_valve=a)),
    "valve-stuck-open": Kind("one valve open", 1.0, change=lambda w, a, _h: replace(w, open_valve=a)),
    "dead-valves": Kind(
        "rows without air", 1.0, change=lambda w, a, _h: replace(w, dead_rows=frozenset(range(0, 2 * round(a), 2)))
    ),
    "duct-plugging": Kind("duct resistance factor in two days", 2.2, change=_plugging),
    "dust-load": Kind("inlet dust factor", 2.5, change=lambda w, a, _h: replace(w, dust_factor=a)),
    "sticky-dust": Kind("cake factor", 1.6, change=lambda w, a, _h: replace(w, k2_factor=a, blinding_factor=200.0)),
    "airlock-stopped": Kind("hopper fills", change=lambda w, _a, _h: replace(w, airlock=0.0)),
    GATEWAY_OUTAGE: Kind("no link; readings are stored and sent later", for_hours=1.5),
    DP_FROZEN: Kind("differential pressure repeats its last value"),
    DP_FAILED: Kind("differential pressure sensor reports bad quality"),
}


def fault(
    name: str, collector: str, at_hours: float, for_hours: float | None = None, amount: float | None = None
) -> Fault:
    """A fault of the catalogue with its usual duration and size filled in; ValueError for an unknown name."""
    kind = CATALOGUE.get(name)
    if kind is None:
        raise ValueError(f"fault {name!r} is unknown; expected one of {', '.join(sorted(CATALOGUE))}")
    usual = kind.for_hours if for_hours is None else for_hours
    return Fault(name, collector, at_hours, usual, kind.amount if amount is None else amount)


def world_at(faults: Iterable[Fault], hours: float) -> World:
    """The world under all physical faults that hold at this plant hour; later ones in the list overrule."""
    world = HEALTHY
    for each in faults:
        change = CATALOGUE[each.name].change
        if change is not None and each.active(hours):
            amount = CATALOGUE[each.name].amount if each.amount is None else each.amount
            world = change(world, amount, hours - each.at_hours)
    return world


def holds(faults: Iterable[Fault], name: str, hours: float) -> bool:
    """Whether a fault of this name holds at this plant hour."""
    return any(each.name == name and each.active(hours) for each in faults)


def parse_fault(text: str, collectors: Iterable[str]) -> Fault:
    """`NAME@COLLECTOR+HOURS[+FOR_HOURS]`, COLLECTOR being a whole id or its last part; ValueError otherwise."""
    name, at, rest = text.partition("@")
    where, *numbers = rest.split("+")
    matches = [known for known in collectors if where in (known, known.rsplit("/", 1)[-1])]
    if not at or len(numbers) not in (1, 2) or len(matches) != 1:
        raise ValueError(
            f"fault {text!r} is not usable; expected NAME@COLLECTOR+HOURS[+FOR_HOURS] with one of the collectors "
            f"{', '.join(collectors)}"
        )
    try:
        hours = [float(number) for number in numbers]
    except ValueError:
        hours = [nan]
    if not all(0.0 <= each < inf for each in hours):
        raise ValueError(f"fault {text!r}: hours must be numbers from zero up, such as cleaning-off@dc-1+0.2")
    return fault(name, matches[0], *hours)

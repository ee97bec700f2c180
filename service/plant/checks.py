"""Checks one part of the plant file against another. Pure, but for the time zones that the computer knows.

Each check gives a line: key path, value, what was expected, remedy.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator
from fnmatch import fnmatchcase
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from service.faults import refuse
from service.model import BadInput
from service.plant.form import Collector, Limit, Plant, Point
from service.units.convert import lookup, written_back
from service.units.times import duration


def faults(plant: Plant) -> list[str]:
    """A line for every fault, in the order of the table below; empty for a plant that is right in itself."""
    return [line for check in CHECKS for line in check(plant)]


def check(plant: Plant, source: Path | str) -> None:
    """BadConfiguration with a line for every fault of the plant, each beginning with `source`."""
    refuse(source, faults(plant))


def check_channels(plant: Plant, channels: Collection[str], source: Path | str = "plant file") -> None:
    """BadConfiguration with a line for each channel of a contact that is not one of the settings' `channels`."""
    expected = ", ".join(sorted(channels)) or "none"
    lines = [
        f"contact[{contact.id}].via channel {via.channel!r}: expected one of the settings ({expected}); "
        f"add [channels.{via.channel}] to the settings, or correct the name"
        for contact in plant.contact
        for via in contact.via
        if via.channel not in channels
    ]
    refuse(source, lines)


def _ids_are_unique(plant: Plant) -> Iterator[str]:
    named: dict[str, Iterable[str]] = {
        "site": (item.id for item in plant.site),
        "area": (item.id for item in plant.area),
        "collector": (item.id for item in plant.collector),
        "gateway": (item.id for item in plant.gateway),
        "contact": (item.id for item in plant.contact),
    }
    for table, ids in named.items():
        yield from (f"{table}[{name}].id: given twice; expected unique ids; rename one" for name in _twice(ids))
    for collector in plant.collector:
        for name in _twice(point.name for point in collector.point):
            yield f"collector[{collector.id}].point[{name}].name: given twice; expected unique names; rename one"


def _places_exist(plant: Plant) -> Iterator[str]:
    sites, areas = {site.id for site in plant.site}, {area.id for area in plant.area}
    for area in plant.area:
        site = area.id.partition("/")[0]
        if site not in sites:
            yield f"area[{area.id}].id: no site {site!r}; expected {_one_of(sites)} before the slash; add [[site]]"
    for collector in plant.collector:
        if collector.area_id not in areas:
            yield (
                f"collector[{collector.id}].id: no area {collector.area_id!r}; expected {_one_of(areas)} before the "
                "last slash; add [[area]], or correct the id"
            )


def _time_zones_are_known(plant: Plant) -> Iterator[str]:
    for site in plant.site:
        try:
            ZoneInfo(site.time_zone)
        except (ValueError, OSError, LookupError):
            yield (
                f"site[{site.id}].time_zone {site.time_zone!r}: expected an IANA name that this computer knows, such "
                "as Europe/Dublin; correct it, or install the system's tzdata"
            )


def _tags_are_bound_once(plant: Plant) -> Iterator[str]:
    bound: dict[tuple[str, str], str] = {}
    for collector, point, where in _points(plant):
        key = point.gateway or collector.gateway, point.tag or point.name
        first = bound.setdefault(key, where)
        if first != where:
            yield f"{where}.tag: tag {key[1]!r} of gateway {key[0]} is {first} already; expected one point; correct one"


def _gateways_are_used(plant: Plant) -> Iterator[str]:
    used = {point.gateway or collector.gateway for collector, point, _ in _points(plant)}
    for gateway in plant.gateway:
        if gateway.id not in used:
            yield (
                f"gateway[{gateway.id}].id: no point comes from it; expected {_one_of(used)}; correct the id here or "
                "at the collector, or remove the table"
            )


def _units_fit(plant: Plant) -> Iterator[str]:
    for collector, point, where in _points(plant):
        try:
            lookup(point.unit, point.quantity)
        except BadInput as error:
            yield f"{where}: {error}"
        running = collector.running
        if running is not None and running.point == point.name:
            try:
                lookup(running.unit, point.quantity)
            except BadInput as error:
                yield f"collector[{collector.id}].running.unit: {error}"


def _running_rules_hold(plant: Plant) -> Iterator[str]:
    for collector in plant.collector:
        rule, names = collector.running, {point.name for point in collector.point}
        where = f"collector[{collector.id}].running"
        if rule is None:
            continue
        if rule.point not in names:
            yield f"{where}.point {rule.point!r}: expected a point of this collector, {_one_of(names)}; correct it"
        if not rule.off < rule.on:
            yield f"{where}.off {rule.off!r}: expected less than on ({rule.on!r}); lower it"
        if rule.forget_after_us <= 0:
            yield f"{where}.forget_after {duration(rule.forget_after_us)}: expected more than PT0S; lengthen it"


def _limits_are_in_order(plant: Plant) -> Iterator[str]:
    """low-low < low < high < high-high; with deadbands HH-HHdb > H, H-Hdb > L, L+Ldb < H, LL+LLdb < L.

    OPC 10000-9 5.8.18. Where a limit is missing, the next one that there is takes its place. Exact, in decimal.
    """
    for _, point, where in _points(plant):
        for (lower, below), (upper, above) in pairwise(point.limits.items()):
            if not below.at < above.at:
                yield f"{where}.{upper}.at {above.at!r}: expected more than {lower} ({below.at!r}); raise it"
                continue
            if lower.startswith("low") and not written_back(below.at, below.deadband, is_high=False) < above.at:
                yield _deadband(where, lower, below, f"{lower} + deadband below {upper} ({above.at!r})")
            if upper.startswith("high") and not written_back(above.at, above.deadband, is_high=True) > below.at:
                yield _deadband(where, upper, above, f"{upper} - deadband above {lower} ({below.at!r})")


def _deadband(where: str, tier: str, limit: Limit, expected: str) -> str:
    return f"{where}.{tier}.deadband {limit.deadband!r}: expected {expected} (OPC 10000-9 5.8.18); make it smaller"


def _times_fit(plant: Plant) -> Iterator[str]:
    gateways = plant.gateways_by_id()
    for gateway in plant.gateway:
        every = duration(gateway.reports_every_us)
        if gateway.reports_every_us <= 0:
            yield f"gateway[{gateway.id}].reports_every {every}: expected more than PT0S; lengthen it"
        if gateway.silent_after_us <= gateway.reports_every_us:
            yield (
                f"gateway[{gateway.id}].silent_after {duration(gateway.silent_after_us)}: expected longer than "
                f"reports_every ({every}); lengthen it"
            )
    for collector, point, where in _points(plant):
        every_us = gateways[point.gateway or collector.gateway].reports_every_us
        if point.hold_us is not None and point.hold_us < every_us:
            yield (
                f"{where}.hold {duration(point.hold_us)}: expected at least the gateway's reports_every "
                f"({duration(every_us)}), or the value is unknown between reports; lengthen it, or leave it out"
            )


def _contacts_hear_something(plant: Plant) -> Iterator[str]:
    names = [collector.id for collector in plant.collector]
    for contact in plant.contact:
        for pattern in contact.collectors:
            if pattern != "*" and not any(fnmatchcase(name, pattern) for name in names):
                yield (
                    f"contact[{contact.id}].collectors {pattern!r}: expected a pattern that some collector's id "
                    "matches, such as quay/*; correct it, or nobody is told"
                )


CHECKS: tuple[Callable[[Plant], Iterator[str]], ...] = (
    _ids_are_unique,
    _places_exist,
    _time_zones_are_known,
    _tags_are_bound_once,
    _gateways_are_used,
    _units_fit,
    _running_rules_hold,
    _limits_are_in_order,
    _times_fit,
    _contacts_hear_something,
)


def _points(plant: Plant) -> Iterator[tuple[Collector, Point, str]]:
    """Every point with its collector and its key path."""
    for collector in plant.collector:
        for point in collector.point:
            yield collector, point, f"collector[{collector.id}].point[{point.name}]"


def _twice(names: Iterable[str]) -> list[str]:
    return [name for name, count in Counter(names).items() if count > 1]


def _one_of(names: Collection[str]) -> str:
    return f"one of {', '.join(sorted(names))}" if names else "one that is there (there is none)"

"""From the plant file to what the engine, the binder, the notifier and the pages need. Owns no file and no state.

The canonical edges of limits are made here, once, by the same conversion that readings go through.
"""

from __future__ import annotations

from dataclasses import dataclass

from rules.types import CollectorSpec, PointSpec, RunningRule, Tier
from rules.types import Limit as LimitSpec
from service.plant.form import Collector, Limit, Plant, Point
from service.units.convert import limit_edges, lookup, to_canonical
from service.units.table import Unit

HOLD_REPORTS = 3  # a reading holds for so many reporting intervals, unless the file says otherwise


@dataclass(frozen=True, slots=True)
class Place:
    """A collector with its names and where it stands. `lateness_us` is the longest of its gateways."""

    id: str
    name: str
    kind: str
    site: str
    site_name: str
    time_zone: str
    area: str
    area_name: str
    gateway: str
    lateness_us: int


@dataclass(frozen=True, slots=True)
class BoundPoint:
    """A gateway's tag is this point. `unit_text` is the unit as the file writes it, which people see."""

    gateway: str
    tag: str
    collector: str
    point: str
    quantity: str
    unit_text: str
    unit: Unit
    limits: tuple[tuple[Tier, Limit], ...]  # as written, in `unit`


@dataclass(frozen=True, slots=True)
class GatewayTimes:
    """What is expected of one gateway. Microseconds."""

    id: str
    reports_every_us: int
    silent_after_us: int
    will_after_us: int
    lateness_us: int


@dataclass(frozen=True, slots=True)
class Recipient:
    """A contact. Empty `limits` or `priorities` mean all of them; the address is "" where the channel has its own."""

    id: str
    name: str
    via: tuple[tuple[str, str], ...]  # (channel, address)
    collectors: tuple[str, ...]
    limits: tuple[str, ...]
    priorities: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Compiled:
    """One revision of the plant. `places`, `specs` and `points` are in the order of the file.

    `points` runs through the specs: it has the points of specs[0] first, in the order of its spec.
    """

    revision: int
    enterprise: str  # name
    places: tuple[Place, ...]
    specs: tuple[CollectorSpec, ...]
    points: tuple[BoundPoint, ...]
    gateways: tuple[GatewayTimes, ...]  # every gateway that brings a point
    contacts: tuple[Recipient, ...]


def compile_plant(plant: Plant, revision: int) -> Compiled:
    """The revision's compiled form; `plant` must have passed the checks."""
    points = tuple(_bound(collector, point) for collector in plant.collector for point in collector.point)
    used = {point.gateway for point in points}
    return Compiled(
        revision=revision,
        enterprise=plant.enterprise.name,
        places=_places(plant),
        specs=_specs(plant, revision),
        points=points,
        gateways=tuple(
            GatewayTimes(item.id, item.reports_every_us, item.silent_after_us, item.will_after_us, item.lateness_us)
            for item in plant.gateways_by_id().values()
            if item.id in used
        ),
        contacts=tuple(
            Recipient(
                contact.id,
                contact.name,
                tuple((via.channel, via.to) for via in contact.via),
                tuple(contact.collectors),
                tuple(contact.limits or ()),
                tuple(contact.priorities or ()),
            )
            for contact in plant.contact
        ),
    )


def _places(plant: Plant) -> tuple[Place, ...]:
    sites = {site.id: site for site in plant.site}
    areas = {area.id: area for area in plant.area}
    gateways = plant.gateways_by_id()
    return tuple(
        Place(
            id=collector.id,
            name=collector.name,
            kind=collector.kind,
            site=collector.site_id,
            site_name=sites[collector.site_id].name,
            time_zone=sites[collector.site_id].time_zone,
            area=collector.area_id,
            area_name=areas[collector.area_id].name,
            gateway=collector.gateway,
            lateness_us=max(
                gateways[name].lateness_us
                for name in {collector.gateway, *(point.gateway or collector.gateway for point in collector.point)}
            ),
        )
        for collector in plant.collector
    )


def _bound(collector: Collector, point: Point) -> BoundPoint:
    return BoundPoint(
        gateway=point.gateway or collector.gateway,
        tag=point.tag or point.name,
        collector=collector.id,
        point=point.name,
        quantity=point.quantity,
        unit_text=point.unit,
        unit=lookup(point.unit, point.quantity),
        limits=tuple((Tier(tier), limit) for tier, limit in point.limits.items()),
    )


def _specs(plant: Plant, revision: int) -> tuple[CollectorSpec, ...]:
    gateways = plant.gateways_by_id()
    return tuple(
        CollectorSpec(
            collector.id,
            tuple(
                PointSpec(
                    name=point.name,
                    hold_us=(
                        HOLD_REPORTS * gateways[point.gateway or collector.gateway].reports_every_us
                        if point.hold_us is None
                        else point.hold_us
                    ),
                    limits=_limits(point, revision),
                    always=point.judged == "always",
                )
                for point in collector.point
            ),
            _running(collector),
        )
        for collector in plant.collector
    )


def _limits(point: Point, revision: int) -> tuple[LimitSpec, ...]:
    unit = lookup(point.unit, point.quantity)
    specs = []
    for text, limit in point.limits.items():
        tier = Tier(text)
        threshold, back = limit_edges(unit, limit.at, limit.deadband, is_high=tier.is_high)
        specs.append(LimitSpec(tier, threshold, back, limit.on_delay_us, limit.off_delay_us, limit.priority, revision))
    return tuple(specs)


def _running(collector: Collector) -> RunningRule | None:
    rule = collector.running
    if rule is None:
        return None
    quantity = next(point.quantity for point in collector.point if point.name == rule.point)
    unit = lookup(rule.unit, quantity)
    return RunningRule(
        point=rule.point,
        on=to_canonical(unit, rule.on),
        off=to_canonical(unit, rule.off),
        settle_us=rule.settle_us,
        forget_after_us=rule.forget_after_us,
    )

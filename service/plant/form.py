"""The form of the plant file: tables, keys, types, defaults. It reads no file, compares no two parts, converts no unit.

Durations are ISO 8601 texts in the file and whole microseconds here.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer

from service.model import BadInput
from service.units.times import duration, parse_duration_us

ID = "[a-z0-9][a-z0-9-]*"
SECOND_US = 1_000_000
MINUTE_US, HOUR_US = 60 * SECOND_US, 3600 * SECOND_US
TIERS = ("low-low", "low", "high", "high-high")  # lowest first

Text = Annotated[str, Field(min_length=1, max_length=128)]
Id = Annotated[str, Field(pattern=rf"^{ID}$", max_length=64)]
AreaId = Annotated[str, Field(pattern=rf"^{ID}/{ID}$", max_length=128)]
CollectorId = Annotated[str, Field(pattern=rf"^{ID}/{ID}/{ID}$", max_length=192)]
Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=64)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Priority = Literal["low", "medium", "high"]
Annunciated = Literal["low-low", "low", "high", "high-high", "no-data"]


def _duration_us(value: Any) -> int:
    if not isinstance(value, str):
        raise ValueError(f"duration {value!r}: expected ISO 8601 text such as PT10M; put it in quotes")
    try:
        return parse_duration_us(value)
    except BadInput as error:
        raise ValueError(str(error)) from error


DurationUs = Annotated[int, BeforeValidator(_duration_us), PlainSerializer(duration, return_type=str)]


class Part(BaseModel):
    """A table of the plant file: unknown keys and wrong types are refused, and nothing is turned into another type."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Enterprise(Part):
    id: Id = Field(description="id of the enterprise: small letters, digits and hyphens")
    name: Text = Field(description="name that people use")


class Site(Part):
    id: Id = Field(description="id of the site: small letters, digits and hyphens")
    name: Text = Field(description="name that people use")
    time_zone: Text = Field(description="IANA time zone, such as Europe/Dublin")


class Area(Part):
    id: AreaId = Field(description="site/area, such as quay/cutting")
    name: Text = Field(description="name that people use")


class Limit(Part):
    """One limit, in the unit of its point."""

    at: Finite = Field(description="the limit, in the unit of the point")
    deadband: Finite = Field(0.0, ge=0, description="how far the value must come back past the limit")
    on_delay_us: DurationUs = Field(0, alias="on_delay", description="evaluated time beyond the limit before the alarm")
    off_delay_us: DurationUs = Field(0, alias="off_delay", description="evaluated time back before the alarm clears")
    priority: Priority = Field("medium", description="low, medium or high")


class Running(Part):
    """When the collector counts as running: above `on` it runs, at or below `off` it has stopped."""

    point: Name = Field(description="name of the point of this collector that shows whether it runs")
    on: Finite = Field(description="above it the collector runs")
    off: Finite = Field(description="at or below it the collector has stopped")
    unit: Text = Field(description="unit of on and off")
    settle_us: DurationUs = Field(5 * MINUTE_US, alias="settle", description="running time before limits are judged")
    forget_after_us: DurationUs = Field(
        8 * HOUR_US, alias="forget_after", description="without readings for so long it is not known whether it runs"
    )


class Point(Part):
    name: Name = Field(description="name of the point within its collector")
    quantity: Text = Field(description="what is measured, such as differential pressure")
    unit: Text = Field(description="unit that people see and that the limits are written in")
    tag: Text | None = Field(None, description="the gateway's name of the value; the point's name if left out")
    gateway: Id | None = Field(None, description="id of the gateway; the collector's if left out")
    hold_us: DurationUs | None = Field(
        None, alias="hold", description="how long a reading holds; three of the gateway's reports if left out"
    )
    judged: Literal["running", "always"] = Field("running", alias="while", description="when the limits are judged")
    low_low: Limit | None = Field(None, alias="low-low")
    low: Limit | None = None
    high: Limit | None = None
    high_high: Limit | None = Field(None, alias="high-high")

    @property
    def limits(self) -> dict[str, Limit]:
        """The limits that there are, by tier, lowest first."""
        found = zip(TIERS, (self.low_low, self.low, self.high, self.high_high), strict=True)
        return {tier: limit for tier, limit in found if limit is not None}


class Collector(Part):
    id: CollectorId = Field(description="site/area/collector, such as quay/cutting/dc-1")
    name: Text = Field(description="name that people use")
    kind: Literal["cartridge", "baghouse", "bin vent", "other"] = Field(
        description="cartridge, baghouse, bin vent, other"
    )
    gateway: Id = Field(description="id of the gateway that brings its points")
    running: Running | None = None
    point: list[Point] = Field([], description="the points of the collector")

    @property
    def area_id(self) -> str:
        return self.id.rpartition("/")[0]

    @property
    def site_id(self) -> str:
        return self.id.partition("/")[0]


class Gateway(Part):
    id: Id = Field(description="id of the gateway: small letters, digits and hyphens")
    reports_every_us: DurationUs = Field(10 * SECOND_US, alias="reports_every", description="time between two reports")
    silent_after_us: DurationUs = Field(
        30 * MINUTE_US, alias="silent_after", description="no good reading for so long is an alarm"
    )
    will_after_us: DurationUs = Field(
        MINUTE_US, alias="will_after", description="the same, once the broker has said that the gateway is gone"
    )
    lateness_us: DurationUs = Field(
        30 * SECOND_US, alias="lateness", description="how long to wait for a reading before time passes without it"
    )


class Via(Part):
    channel: Text = Field(description="name of a channel of the settings file")
    to: str = Field("", max_length=320, description="address on that channel; none where the channel has its own")


class Contact(Part):
    id: Id = Field(description="id of the contact: small letters, digits and hyphens")
    name: Text = Field(description="name that people use")
    via: list[Via] = Field(min_length=1, description="at least one channel")
    collectors: list[Text] = Field(["*"], min_length=1, description="patterns of collector ids, such as quay/*")
    limits: list[Annunciated] | None = Field(None, min_length=1, description="limits to be told of; all if left out")
    priorities: list[Priority] | None = Field(
        None, min_length=1, description="priorities to be told of; all if left out"
    )


class Plant(Part):
    """The whole file."""

    enterprise: Enterprise = Field(description="the table [enterprise]")
    site: list[Site] = []
    area: list[Area] = []
    collector: list[Collector] = []
    gateway: list[Gateway] = []
    contact: list[Contact] = []

    def gateways_by_id(self) -> dict[str, Gateway]:
        """Every gateway that the file names, with defaults where it has no table of its own."""
        found = {gateway.id: gateway for gateway in self.gateway}
        for collector in self.collector:
            for name in (collector.gateway, *(point.gateway for point in collector.point)):
                if name is not None and name not in found:
                    found[name] = Gateway(id=name)
        return found

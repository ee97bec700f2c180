"""What a source's rules make of the readings that its form has read: names, units, scales, failures, counters, times.

Every rule is written down by a person in the sources file; nothing is guessed. Must never convert a unit: it scales
what the sender sends into the unit that is named.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import msgspec

from service.decode.counters import Counters
from service.model import BadInput, GatewayMessage, GatewayReading
from service.units.times import parse_rfc3339, parse_unix_s

LOOP_LOW_MA, LOOP_HIGH_MA = 4.0, 20.0
# At these and beyond a 4-20 mA signal tells of a failure (NAMUR NE 43, from memory); the least and most that is none.
UNDER_RANGE_MA, OVER_RANGE_MA = math.nextafter(3.6, math.inf), math.nextafter(21.0, -math.inf)
LOOP_UNIT = "mA"


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight line: `low` of the raw value is `at_low` of the unit, `high` is `at_high`."""

    low: float
    high: float
    at_low: float
    at_high: float

    def apply(self, raw: float) -> float:
        return self.at_low + (raw - self.low) * (self.at_high - self.at_low) / (self.high - self.low)


@dataclass(frozen=True, slots=True)
class Tag:
    """The rules of one tag. `lowest` and `highest` are raw values beyond which the sensor has failed."""

    name: str = ""  # in the plant file; empty: as it arrives
    unit: str = ""  # empty: as the message says
    scale: Scale | None = None
    lowest: float = float("-inf")
    highest: float = float("inf")
    bad: frozenset[float] = frozenset()  # values that mean "no measurement"; see `as_sent`
    raw_unit: str = ""  # the one that the raw value must have where the message names one; empty: any
    is_counter: bool = False
    wraps_at: float | None = None  # a counter that goes back to nought after this many counts


@dataclass(frozen=True, slots=True)
class Timing:
    """Whose clock dates a reading, and what is added to the device's."""

    by: Literal["device", "arrival"] = "device"
    offset_us: int = 0


@dataclass(frozen=True, slots=True)
class Rules:
    """All rules of a source. A tag's are looked up under "gateway/tag" first, then under the tag."""

    gateways: Mapping[str, str] = field(default_factory=dict)  # as it arrives -> in the plant file
    only_named: bool = False  # a gateway that `gateways` does not name is refused
    tags: Mapping[str, Tag] = field(default_factory=dict)
    timing: Timing = Timing()
    timings: Mapping[str, Timing] = field(default_factory=dict)  # by gateway in the plant file

    @property
    def is_empty(self) -> bool:
        return self == Rules()


class Arrival(NamedTuple):
    """How a message came: when, in plant time; the latest that a reading may be of; whether the broker had kept it."""

    at_us: int
    latest_us: int
    is_retained: bool = False


class Adjuster:
    """Applies the rules to one message after the other, in the order of arrival."""

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        self.counters = Counters()

    def adjust(self, message: GatewayMessage, arrival: Arrival) -> tuple[GatewayMessage, list[str]]:
        """The message as the plant file knows it, and the readings that the rules refuse, each with its reason.

        BadInput when its gateway is not one of those that the sources file names.
        """
        gateway = self.admitted(message.gateway)
        timing = self._rules.timings.get(gateway, self._rules.timing)
        newest_us = _newest_us(message.readings) if timing.by == "arrival" else None
        readings: list[GatewayReading] = []
        faults: list[str] = []
        for reading in message.readings:
            try:
                at = _at(reading, timing, arrival, newest_us)
                readings.append(self._reading(message.gateway, reading, at, arrival))
            except BadInput as error:
                faults.append(str(error))
        return GatewayMessage(gateway, readings, message.boot, message.seq), faults

    def admitted(self, gateway: str) -> str:
        """A gateway's name in the plant file; BadInput when the sources file admits only others."""
        if self._rules.only_named and gateway not in self._rules.gateways:
            raise BadInput(
                f"gateway {gateway!r}: not one of the source's gateways; expected one of "
                f"{', '.join(sorted(self._rules.gateways)[:20])}; add it to the sources file, or stop sending it"
            )
        return self.known_as(gateway)

    def known_as(self, gateway: str) -> str:
        """The name in the plant file of a gateway that arrives under this one."""
        return self._rules.gateways.get(gateway, gateway)

    def _reading(self, arrived_as: str, reading: GatewayReading, at: str | float, arrival: Arrival) -> GatewayReading:
        tag = self._rules.tags.get(f"{arrived_as}/{reading.tag}") or self._rules.tags.get(reading.tag)
        if tag is None:
            if not reading.unit:
                raise BadInput(_no_unit(reading.tag))
            return reading if at is reading.at else msgspec.structs.replace(reading, at=at)
        unit = tag.unit or reading.unit
        if not unit:
            raise BadInput(_no_unit(reading.tag))
        if tag.raw_unit and reading.unit not in ("", tag.raw_unit):
            raise BadInput(
                f"tag {reading.tag!r}: sent in {reading.unit!r}; expected {tag.raw_unit}, which its rule loop reads; "
                "use line for another unit, or correct the sender"
            )
        value, quality = self._value(f"{arrived_as}/{reading.tag}", tag, reading, at, arrival)
        return GatewayReading(tag.name or reading.tag, at, unit, value, quality)

    def _value(
        self, key: str, tag: Tag, reading: GatewayReading, at: str | float, arrival: Arrival
    ) -> tuple[float | None, Literal["good", "bad"]]:
        raw = reading.value
        if raw is None or reading.quality == "bad" or raw in tag.bad:
            return None, "bad"
        if not math.isfinite(raw):
            raise BadInput(f"tag {reading.tag!r}: value {raw!r}; expected a finite number; correct the sender")
        if not tag.lowest <= raw <= tag.highest:
            return None, "bad"
        if tag.is_counter:
            at_us, latest_us = _instant_us(at), arrival.latest_us
            raw = self.counters.total(key, raw, at_us, wraps_at=tag.wraps_at, latest_us=latest_us)
        return (raw if tag.scale is None else tag.scale.apply(raw)), "good"


def as_sent(bad: float) -> frozenset[float]:
    """A value that means "no measurement", and the same as a sender with 32-bit floats sends it."""
    try:
        return frozenset((bad, struct.unpack("<f", struct.pack("<f", bad))[0]))
    except OverflowError:  # no such float has 32 bits
        return frozenset((bad,))


def _at(reading: GatewayReading, timing: Timing, arrival: Arrival, newest_us: int | None) -> str | float:
    """When a reading was measured. By arrival the newest is of then, and others as much earlier as the device says."""
    if timing.by == "arrival" or reading.at == "":
        if arrival.is_retained:
            raise BadInput(
                f"tag {reading.tag!r}: kept by the broker for nobody knows how long, and without a time of its own "
                "that counts; expected one in the message; let the sender send it, or not retain its messages"
            )
        if newest_us is None or reading.at == "":
            return arrival.at_us / 1e6
        return (arrival.at_us - newest_us + _instant_us(reading.at)) / 1e6
    if timing.offset_us:
        return (_instant_us(reading.at) + timing.offset_us) / 1e6
    return reading.at


def _newest_us(readings: Iterable[GatewayReading]) -> int | None:
    """The latest time that the device says, where it says any."""
    found: list[int] = []
    for reading in readings:
        with suppress(BadInput):  # one that cannot be read is refused where its turn comes
            if reading.at != "":
                found.append(_instant_us(reading.at))
    return max(found, default=None)


def _instant_us(at: str | float) -> int:
    return parse_rfc3339(at) if isinstance(at, str) else parse_unix_s(at)


def _no_unit(tag: str) -> str:
    return (
        f"tag {tag!r}: no unit in the message and none in the sources file; expected a unit, for it is never guessed; "
        "add unit to the tag in the sources file"
    )

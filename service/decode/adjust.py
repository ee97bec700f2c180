"""What a source's rules make of the readings that its form has read: names, units, scales, failures, counters, times.

Every rule is written down by a person in the sources file; nothing is guessed. Owns the memory of counters, which is
saved with the batch. Must never convert a unit: it scales what the sender sends into the unit that is named.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import msgspec

from service.model import BadInput, GatewayMessage, GatewayReading, GatewayStatus
from service.units.times import parse_rfc3339, parse_unix_s

LOOP_LOW_MA, LOOP_HIGH_MA = 4.0, 20.0
UNDER_RANGE_MA, OVER_RANGE_MA = 3.6, 21.0  # beyond these a 4-20 mA signal tells of a failure (NAMUR NE 43)
COUNTERS_AT_MOST = 10_000  # remembered by a source; only tags that the sources file calls counters have one


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
    bad: frozenset[float] = frozenset()  # values that mean "no measurement"
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


class _Counter(msgspec.Struct):
    """`total` counts on where the device's counter begins anew."""

    last: float
    total: float
    at_us: int


class Adjuster:
    """Applies the rules to one message after the other, in the order of arrival."""

    def __init__(self, rules: Rules) -> None:
        self._rules = rules
        self._counters: dict[str, _Counter] = {}
        self._changed: set[str] = set()

    def adjust(self, message: GatewayMessage, received_us: int) -> tuple[GatewayMessage, list[str]]:
        """The message as the plant file knows it, and the readings that the rules refuse, each with its reason.

        BadInput when its gateway is not one of those that the sources file names.
        """
        rules = self._rules
        gateway = rules.gateways.get(message.gateway)
        if gateway is None:
            if rules.only_named:
                raise BadInput(
                    f"gateway {message.gateway!r}: not one of the source's gateways; expected one of "
                    f"{', '.join(sorted(rules.gateways)[:20])}; add it to the sources file, or stop sending it"
                )
            gateway = message.gateway
        timing = rules.timings.get(gateway, rules.timing)
        readings: list[GatewayReading] = []
        faults: list[str] = []
        for reading in message.readings:
            try:
                readings.append(self._reading(message.gateway, gateway, reading, timing, received_us))
            except BadInput as error:
                faults.append(str(error))
        return GatewayMessage(gateway, readings, message.boot, message.seq), faults

    def status(self, status: GatewayStatus) -> GatewayStatus:
        """A birth or will under the gateway's name in the plant file."""
        return msgspec.structs.replace(status, gateway=self.known_as(status.gateway))

    def known_as(self, gateway: str) -> str:
        """The name in the plant file of a gateway that arrives under this one."""
        return self._rules.gateways.get(gateway, gateway)

    def changed(self) -> dict[str, bytes]:
        """The counters to be saved, by key; forgets that they changed."""
        changed = {key: msgspec.json.encode(self._counters[key]) for key in self._changed}
        self._changed.clear()
        return changed

    def load(self, saved: Mapping[str, bytes]) -> None:
        """Take up saved counters."""
        self._counters |= {key: msgspec.json.decode(body, type=_Counter) for key, body in saved.items()}

    def _reading(
        self, arrived_as: str, gateway: str, reading: GatewayReading, timing: Timing, received_us: int
    ) -> GatewayReading:
        tag = self._rules.tags.get(f"{arrived_as}/{reading.tag}") or self._rules.tags.get(reading.tag)
        at = self._at(reading.at, timing, received_us)
        if tag is None:
            if not reading.unit:
                raise BadInput(_no_unit(reading.tag))
            return reading if at is reading.at else msgspec.structs.replace(reading, at=at)
        unit = tag.unit or reading.unit
        if not unit:
            raise BadInput(_no_unit(reading.tag))
        value, quality = self._value(f"{gateway}/{reading.tag}", tag, reading, at)
        return GatewayReading(tag.name or reading.tag, at, unit, value, quality)

    def _value(
        self, key: str, tag: Tag, reading: GatewayReading, at: str | float
    ) -> tuple[float | None, Literal["good", "bad"]]:
        raw = reading.value
        if raw is None or reading.quality == "bad" or raw in tag.bad or not tag.lowest <= raw <= tag.highest:
            return None, "bad"
        if tag.is_counter:
            raw = self._count(key, tag, raw, _instant_us(at))
        return (raw if tag.scale is None else tag.scale.apply(raw)), "good"

    def _count(self, key: str, tag: Tag, raw: float, at_us: int) -> float:
        """The total so far. A counter that shows less than before has begun anew, or has wrapped where it may.

        An older reading than the last is one that comes late, or again: it says nothing of a reset.
        """
        counter = self._counters.get(key)
        if counter is None:
            if len(self._counters) >= COUNTERS_AT_MOST:
                raise BadInput(
                    f"counter {key!r}: more than {COUNTERS_AT_MOST} counters; name fewer in the sources file"
                )
            counter = self._counters[key] = _Counter(raw, raw, at_us)
            self._changed.add(key)
            return raw
        if at_us <= counter.at_us:
            return counter.total - counter.last + raw if raw <= counter.last else counter.total
        if raw >= counter.last:
            more = raw - counter.last
        elif tag.wraps_at is not None:
            more = raw + tag.wraps_at - counter.last
        else:
            more = raw
        counter.last, counter.total, counter.at_us = raw, counter.total + more, at_us
        self._changed.add(key)
        return counter.total

    @staticmethod
    def _at(at: str | float, timing: Timing, received_us: int) -> str | float:
        if timing.by == "arrival" or at == "":
            return received_us / 1e6
        if timing.offset_us:
            return (_instant_us(at) + timing.offset_us) / 1e6
        return at


def _instant_us(at: str | float) -> int:
    return parse_rfc3339(at) if isinstance(at, str) else parse_unix_s(at)


def _no_unit(tag: str) -> str:
    return (
        f"tag {tag!r}: no unit in the message and none in the sources file; expected a unit, for it is never guessed; "
        "add unit to the tag in the sources file"
    )

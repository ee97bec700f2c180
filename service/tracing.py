"""One message on its way to the record, stage by stage, for a person who looks where a value goes wrong.

Uses the same sources, rules, names and units as the service, on messages of its own: it writes nothing, acknowledges
nothing and judges nothing. What a form remembers (names of a Sparkplug node, counters) begins anew here, unless it is
loaded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

import msgspec

from service.decode.adjust import Arrival
from service.decode.form import Ask, Read, Waited
from service.decode.intake import Intake, Source, broken
from service.model import BadInput, GatewayMessage, GatewayReading, GatewayStatus, Parcel
from service.normalise.bind import Binder, Binding
from service.normalise.columns import Normaliser
from service.plant.compile import BoundPoint, Compiled
from service.units.convert import canonical_unit, from_canonical, lookup
from service.units.table import UNITS
from service.units.times import iso, parse_rfc3339, parse_unix_s


@dataclass(frozen=True, slots=True)
class Step:
    """One reading. `decoded` is as the sender says it, `ruled` after the source's rules; "" of a stage not reached.

    `gateway` is by its name in the plant file. `decoded` is "" too of what had waited in a form until it fell due.
    `margin` is how far the value is from the limit that it is nearest to, in the unit that people see; negative beyond.
    """

    gateway: str
    decoded: str
    ruled: str = ""
    point: str = ""
    canonical: str = ""
    shown: str = ""
    margin: str = ""
    refused: str = ""


@dataclass(slots=True)
class Trace:
    """One message; or, with `has_waited`, what has fallen due in a source without one.

    `source` is empty when no source takes its topic; `faults` are not those of single readings.
    """

    topic: str
    size: int
    source: str = ""
    form: str = ""
    parts: dict[str, str] = field(default_factory=dict)
    steps: list[Step] = field(default_factory=list)
    statuses: list[GatewayStatus] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    has_waited: bool = False

    @property
    def told(self) -> list[str]:
        """The statuses in words."""
        return [f"gateway {status.gateway} is {status.state}" for status in self.statuses]

    def keep(self, gateway: str) -> None:
        """Leave out what is of other gateways; faults stay, for nobody knows of whom they are."""
        self.steps = [step for step in self.steps if step.gateway == gateway]
        self.statuses = [status for status in self.statuses if status.gateway == gateway]


class Tracer:
    """Follows messages through `intake` to the points of `compiled`. `plant_of`: the plant time of a wall time."""

    def __init__(
        self, intake: Intake, compiled: Compiled, plant_of: Callable[[int], int] = lambda wall_us: wall_us
    ) -> None:
        self._intake, self._plant_of = intake, plant_of
        self._points = list(compiled.points)
        self._of = {(p.gateway, p.tag): p for p in compiled.points}
        bindings = [Binding(p.gateway, p.tag, at, p.quantity) for at, p in enumerate(self._points)]
        self._normaliser = Normaliser(Binder(bindings, lookup, {unit.name: n for n, unit in enumerate(UNITS)}))

    def trace(self, parcel: Parcel, latest_us: int) -> Trace:
        """Every stage of one message, whose readings may be of up to `latest_us` (plant time); never raises for it."""
        trace = Trace(parcel.topic, len(parcel.payload))
        found = self._intake.find(parcel.broker, parcel.topic)
        if found is None:
            trace.faults.append("no source takes this topic; add one to the sources file, or correct its topics")
            return trace
        source, parts = found
        trace.source, trace.form, trace.parts = source.name, _form_of(source), parts
        try:
            self._fill(trace, source, self._intake.read(source, parts, parcel), parcel, latest_us)
        except BadInput as error:
            trace.faults.append(str(error))
        except Exception as error:  # noqa: BLE001 - our fault; the pipeline keeps it with the same words and goes on
            trace.faults.append(broken(parcel, error).reason)
        return trace

    def due(self, now_us: int, latest_us: int) -> Iterator[tuple[Trace, Parcel]]:
        """What has waited in the forms until `now_us` (wall time), each with the parcel that stands for it."""
        for parcel, taken in self._intake.due(now_us):
            source = taken.source
            trace = Trace(parcel.topic, 0, "" if source is None else source.name, _form_of(source))
            trace.statuses, trace.has_waited = taken.statuses, True
            trace.faults += [item.reason for item in taken.rejected]
            trace.faults += [_asked(ask) for _, ask in taken.asks]
            try:
                for message in taken.waited:
                    for one in _single(message):
                        trace.steps.append(self._reading(one, "", _said(one.readings[0]), latest_us))
            except Exception as error:  # noqa: BLE001 - as above
                trace.faults.append(broken(parcel, error).reason)
            yield trace, parcel

    def _fill(self, trace: Trace, source: Source, read: Read, parcel: Parcel, latest_us: int) -> None:
        trace.faults += [*read.faults, *(item.reason for item in read.rejected)]
        for status in read.statuses:
            try:
                trace.statuses.append(msgspec.structs.replace(status, gateway=source.admitted(status.gateway)))
            except BadInput as error:
                trace.faults.append(str(error))
        trace.faults += map(_asked, read.asks)
        now_us = self._plant_of(parcel.received_us)
        arrived = [Waited(message, now_us) for message in read.messages]
        trace.steps += self._steps(source, read.before, latest_us)
        trace.steps += self._steps(source, arrived, latest_us, is_retained=parcel.delivery.is_retained)
        trace.steps += self._steps(source, read.waited, latest_us)

    def _steps(
        self, source: Source, waited: Iterable[Waited], latest_us: int, *, is_retained: bool = False
    ) -> Iterator[Step]:
        for message, at_us in waited:
            arrival, beside = self._intake.arrival(at_us, is_retained=is_retained), _beside(message)
            for one in _single(message):
                yield self._step(source, one, beside, arrival, latest_us)

    def _step(
        self, source: Source, one: GatewayMessage, beside: GatewayReading, arrival: Arrival, latest_us: int
    ) -> Step:
        decoded = _said(one.readings[0])
        if source.adjuster is None:
            return self._reading(one, decoded, "as decoded", latest_us)
        try:
            asked = msgspec.structs.replace(one, readings=[*one.readings, beside])
            ruled, refused = source.adjuster.adjust(asked, arrival)
        except BadInput as error:
            return Step(source.known_as(one.gateway), decoded, refused=str(error))
        if len(refused) > 1:  # the one beside it always is
            return Step(ruled.gateway, decoded, refused=refused[0])
        return self._reading(ruled, decoded, _said(ruled.readings[0]), latest_us)

    def _reading(self, message: GatewayMessage, decoded: str, ruled: str, latest_us: int) -> Step:
        rows = self._normaliser.normalise([message], latest_us)
        refused = rows.refused.get(0)
        if refused:
            return Step(message.gateway, decoded, ruled, refused=refused[0][2])
        point = self._points[int(rows.point[0])]
        value = float(rows.value[0])
        named = f"{point.collector} {point.point}"
        if not rows.good[0]:
            return Step(message.gateway, decoded, ruled, named, "no measurement", "unknown from here on")
        shown = from_canonical(point.unit, value)
        return Step(
            message.gateway,
            decoded,
            ruled,
            named,
            f"{value:.6g} {canonical_unit(point.quantity).name}",
            f"{shown:.6g} {point.unit_text}",
            _margin(point, shown),
        )


def plain(trace: Trace) -> dict[str, Any]:
    """The same for programs."""
    return {
        "topic": trace.topic,
        "bytes": trace.size,
        "source": trace.source,
        "form": trace.form,
        "parts": trace.parts,
        "has_waited": trace.has_waited,
        "statuses": trace.told,
        "faults": trace.faults,
        "readings": [{name: getattr(step, name) for name in Step.__dataclass_fields__} for step in trace.steps],
    }


def _asked(ask: Ask) -> str:
    return f"the form asks for more on {ask.topic}: the service would"


def _form_of(source: Source | None) -> str:
    return "" if source is None else type(source.form).__name__.removesuffix("Form").lower()


def _single(message: GatewayMessage) -> Iterator[GatewayMessage]:
    """Each reading as a message of its own, so that what is refused is known."""
    for reading in message.readings:
        yield GatewayMessage(message.gateway, [reading], message.boot, message.seq)


def _beside(message: GatewayMessage) -> GatewayReading:
    """A reading without a name, which every source refuses, of the message's newest time.

    A reading that is dated by its arrival is dated against the newest of its message, so it is not adjusted alone.
    """
    newest_at: str | float = ""
    newest_us = None
    for reading in message.readings:
        with suppress(BadInput):  # what is no time is refused where its turn comes
            if reading.at != "":
                at = reading.at
                at_us = parse_rfc3339(at) if isinstance(at, str) else parse_unix_s(at)
                if newest_us is None or at_us > newest_us:
                    newest_at, newest_us = at, at_us
    return GatewayReading("", newest_at, "", None)


def _said(reading: GatewayReading) -> str:
    value = "no value" if reading.value is None else f"{reading.value:.10g}"
    quality = "" if reading.quality == "good" else ", bad"
    unit = reading.unit or "(no unit)"
    return f"{reading.tag} {value} {unit} at {_time(reading.at)}{quality}"


def _time(at: str | float) -> str:
    """A time that people can hold against the clock on the wall; one that is none as it was sent."""
    if isinstance(at, str):
        return at or "arrival"
    with suppress(BadInput, OverflowError, ValueError):
        return iso(parse_unix_s(at))
    return repr(at)


def _margin(point: BoundPoint, shown: float) -> str:
    """The nearest limit and how far it is; "no limits" of a point without."""
    distances = [
        ((limit.at - shown) if tier.is_high else (shown - limit.at), tier.value, limit.at)
        for tier, limit in point.limits
    ]
    if not distances:
        return "no limits"
    distance, tier, at = min(distances)
    side = f"{distance:.4g} inside" if distance >= 0 else f"{-distance:.4g} beyond"
    return f"{side} {tier} {at:g} {point.unit_text}"


def tracer_of(
    intake: Intake,
    compiled: Compiled,
    saved: Sequence[tuple[str, str, bytes]] = (),
    plant_of: Callable[[int], int] = lambda wall_us: wall_us,
) -> Tracer:
    """A tracer whose forms know what the service's have remembered."""
    intake.load(saved)
    return Tracer(intake, compiled, plant_of)

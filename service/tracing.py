"""One message on its way to the record, stage by stage, for a person who looks where a value goes wrong.

Uses the same sources, rules, names and units as the service, on messages of its own: it writes nothing, acknowledges
nothing and judges nothing. What a form remembers (names of a Sparkplug node, counters) begins anew here, unless it is
loaded.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.decode.form import Read
from service.decode.intake import Intake, Source
from service.model import BadInput, GatewayMessage, GatewayReading, Parcel
from service.normalise.bind import Binder, Binding
from service.normalise.columns import Normaliser
from service.plant.compile import BoundPoint, Compiled
from service.units.convert import canonical_unit, from_canonical, lookup
from service.units.table import UNITS

FUTURE_US = 60_000_000


@dataclass(frozen=True, slots=True)
class Step:
    """One reading. `decoded` is as the sender says it, `ruled` after the source's rules; "" of a stage not reached.

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
    """One message. `source` is empty when no source takes its topic; `faults` are not those of single readings."""

    topic: str
    size: int
    source: str = ""
    form: str = ""
    parts: dict[str, str] = field(default_factory=dict)
    steps: list[Step] = field(default_factory=list)
    statuses: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


class Tracer:
    """Follows messages through `intake` to the points of `compiled`."""

    def __init__(self, intake: Intake, compiled: Compiled) -> None:
        self._intake = intake
        self._points = list(compiled.points)
        self._of = {(p.gateway, p.tag): p for p in compiled.points}
        bindings = [Binding(p.gateway, p.tag, at, p.quantity) for at, p in enumerate(self._points)]
        self._normaliser = Normaliser(Binder(bindings, lookup, {unit.name: n for n, unit in enumerate(UNITS)}))

    def trace(self, parcel: Parcel) -> Trace:
        """Every stage of one message; never raises for what is in it."""
        trace = Trace(parcel.topic, len(parcel.payload))
        found = self._intake.find(parcel.broker, parcel.topic)
        if found is None:
            trace.faults.append("no source takes this topic; add one to the sources file, or correct its topics")
            return trace
        source, parts = found
        trace.source, trace.form, trace.parts = source.name, type(source.form).__name__.removesuffix("Form"), parts
        try:
            read = self._intake.read(source, parts, parcel)
        except BadInput as error:
            trace.faults.append(str(error))
            return trace
        self._note(trace, read)
        for message in (*read.messages, *read.waited):
            trace.steps += self._message(source, message, parcel.received_us)
        return trace

    def _note(self, trace: Trace, read: Read) -> None:
        trace.faults += [*read.faults, *(item.reason for item in read.rejected)]
        trace.statuses += [f"gateway {status.gateway} is {status.state}" for status in read.statuses]
        trace.faults += [f"the form asks for more on {ask.topic}: the service would" for ask in read.asks]

    def _message(self, source: Source, message: GatewayMessage, received_us: int) -> Iterator[Step]:
        for reading in message.readings:
            one = GatewayMessage(message.gateway, [reading], message.boot, message.seq)
            decoded = _said(reading)
            if source.adjuster is None:
                yield self._reading(one, decoded, "as decoded", received_us)
                continue
            try:
                ruled, refused = source.adjuster.adjust(one, received_us)
            except BadInput as error:
                ruled, refused = one, [str(error)]
            if refused:
                yield Step(message.gateway, decoded, refused=refused[0])
            else:
                yield self._reading(ruled, decoded, _said(ruled.readings[0]), received_us)

    def _reading(self, message: GatewayMessage, decoded: str, ruled: str, received_us: int) -> Step:
        rows = self._normaliser.normalise([message], received_us + FUTURE_US)
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
        "statuses": trace.statuses,
        "faults": trace.faults,
        "readings": [{name: getattr(step, name) for name in Step.__dataclass_fields__} for step in trace.steps],
    }


def _said(reading: GatewayReading) -> str:
    value = "no value" if reading.value is None else f"{reading.value:.10g}"
    quality = "" if reading.quality == "good" else ", bad"
    unit = reading.unit or "(no unit)"
    return f"{reading.tag} {value} {unit} at {reading.at if reading.at != '' else 'arrival'}{quality}"


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


def tracer_of(intake: Intake, compiled: Compiled, saved: Sequence[tuple[str, str, bytes]] = ()) -> Tracer:
    """A tracer whose forms know what the service's have remembered."""
    intake.load(saved)
    return Tracer(intake, compiled)

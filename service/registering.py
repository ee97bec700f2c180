"""Takes up the plant file at start-up: from the ledger's states under its last revision to the one in force now.

A file that says something else than the last revision becomes a new one, with the differences, in one
ledger transaction together with the alarms that it closed and the states judged anew. Of a sources file that says
something else than the last one the audit gets the differences: what a value was read by is a part of the record.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from pydantic import ValidationError

from rules.silence import GatewaySpec
from rules.types import AlarmEvent
from service.announce import Announcer, Label
from service.evaluate.evaluator import Evaluator, Judged, Watched
from service.evaluate.remaking import orphans, remake
from service.model import SOURCES_CHANGED, Entry, Revision
from service.notify.routes import Contact
from service.plant.changes import differences
from service.plant.compile import BoundPoint, Compiled, Place, compile_plant
from service.plant.file import canonical_json, digest, from_canonical_json
from service.plant.form import Plant
from service.sources.file import as_table, left_behind
from service.sources.file import differences as source_differences
from service.sources.form import Sources
from service.store.ledger import Ledger
from service.units.convert import from_canonical
from service.units.table import UNITS


@dataclass(frozen=True, slots=True)
class Registered:
    """The plant in force, ready to be evaluated and told about."""

    compiled: Compiled
    evaluator: Evaluator
    announcer: Announcer
    labels: dict[tuple[str, str], Label]
    unit_numbers: dict[str, int]


def take_up(ledger: Ledger, plant: Plant, *, plant_us: int, wall_us: int, who: str, why: str) -> Registered:
    """Put the plant into force at `plant_us`, or go on with it where it is the one in force already."""
    units = ledger.number_units((unit.name, unit.shift, unit.numerator, unit.denominator) for unit in UNITS)
    last = ledger.last_revision()
    if last is not None and last.digest == digest(plant):
        compiled = compile_plant(plant, last.number)
        evaluator, remade = _loaded(ledger, compiled, plant_us)
        announcer, labels = _people(ledger, compiled)
        if damaged := ledger.damaged_collectors():
            changes, owed = announcer.announce(Judged(events=remade), plant_us)
            states = evaluator.saved_states(damaged & set(evaluator.board.specs))
            ledger.commit(Entry(plant_us, queued_us=wall_us, changes=changes, owed=owed, collector_states=states))
        return Registered(compiled, evaluator, announcer, labels, units)
    compiled = compile_plant(plant, 1 if last is None else last.number + 1)
    watched = _watched(ledger, compiled, plant_us)
    judged = Judged()
    if last is None:
        evaluator, lines = Evaluator(watched), ["first plant file"]
    else:
        before = from_canonical_json(last.plant)
        old, remade = _loaded(ledger, compile_plant(before, last.number), plant_us)
        evaluator, closed, judged.silences = old.succeed(watched, plant_us)
        judged.events = remade + closed
        lines = differences(before, plant)
    announcer, labels = _people(ledger, compiled)
    changes, owed = announcer.announce(judged, plant_us)
    revision = Revision(compiled.revision, who, why, digest(plant), tuple(lines), canonical_json(plant))
    ledger.commit(
        Entry(
            committed_us=plant_us,
            queued_us=wall_us,
            changes=changes,
            owed=owed,
            collector_states=evaluator.saved_states(set(evaluator.board.specs)),
            gateway_states=evaluator.saved_gateways(set(evaluator.gateways)),
            tips=evaluator.saved_tips(),
            new_revision=revision,
            numbering=evaluator.sequences.saved(),
        )
    )
    return Registered(compiled, evaluator, announcer, labels, units)


def note_sources(ledger: Ledger, sources: Sources, *, wall_us: int, who: str) -> list[str]:
    """Put down what the sources file says otherwise than when it was last put down; the differences."""
    last = ledger.last_act(SOURCES_CHANGED)
    if last is None and sources == Sources():
        return []  # nothing but the native form, as ever
    forgotten: list[str] = []
    try:
        before = Sources.model_validate((last or {})["file"])
        changes, forgotten = source_differences(before, sources), left_behind(before, sources)
    except (KeyError, ValidationError):  # none, a damaged one, or one of another release
        changes = ["first sources file on record"]
    if changes:
        ledger.change_sources(wall_us, who, forgotten, changes=changes, file=as_table(sources))
    return changes


def _loaded(ledger: Ledger, compiled: Compiled, at_us: int) -> tuple[Evaluator, list[AlarmEvent]]:
    """The evaluator as the ledger has it, and what was found out about alarms where a state had to be remade."""
    evaluator = Evaluator(_watched(ledger, compiled, at_us))
    saved = ledger.tips()
    later = (body for _, body in ledger.entries_after(saved[0] if saved else 0))
    evaluator.load(ledger.collector_states(), ledger.gateway_states(), saved[1] if saved else None, later)
    evaluator.sequences.load(*ledger.sequences())
    return evaluator, _remade(ledger, evaluator, at_us)


def _remade(ledger: Ledger, evaluator: Evaluator, at_us: int) -> list[AlarmEvent]:
    """Make the states that are damaged in the ledger again from the whole journal."""
    damaged = [spec for name, spec in evaluator.board.specs.items() if name in ledger.damaged_collectors()]
    if not damaged:
        return []
    numbers = {
        int(number): (spec.name, point.name)
        for number, (spec, point) in zip(evaluator.watched.point_numbers, evaluator.board.points, strict=True)
    }
    states, events = remake(damaged, numbers, (body for _, body in ledger.entries_after(0)))
    for spec in damaged:
        evaluator.board.load(spec.name, states[spec.name])
        events += orphans(spec, states[spec.name], ledger.active_alarms_of(spec.name), at_us)
    return events


def _watched(ledger: Ledger, compiled: Compiled, at_us: int) -> Watched:
    numbers = ledger.number_points([(p.collector, p.point, p.quantity) for p in compiled.points], at_us)
    own = [numbers[point.collector, point.point] for point in compiled.points]
    gateway_points: dict[str, list[tuple[str, str]]] = {}
    for point in compiled.points:
        gateway_points.setdefault(point.gateway, []).append((point.collector, point.point))
    return Watched(
        specs=compiled.specs,
        point_numbers=np.array([number for number, _ in own], np.int64),
        registered_us=np.array([since_us for _, since_us in own], np.int64),
        gateways=tuple(GatewaySpec(g.id, g.silent_after_us, g.will_after_us) for g in compiled.gateways),
        gateway_points=gateway_points,
        lateness_us={place.id: place.lateness_us for place in compiled.places},
    )


def _people(ledger: Ledger, compiled: Compiled) -> tuple[Announcer, dict[tuple[str, str], Label]]:
    places = {place.id: place for place in compiled.places}
    labels = {(p.collector, p.point): _label(p, places[p.collector]) for p in compiled.points}
    gateway_collectors: dict[str, list[str]] = {}
    for point in compiled.points:
        served = gateway_collectors.setdefault(point.gateway, [])
        if point.collector not in served:
            served.append(point.collector)
    contacts = [Contact(c.id, c.name, c.via, c.collectors, c.limits, c.priorities) for c in compiled.contacts]
    return Announcer(labels, gateway_collectors, contacts, ledger.active_alarms()), labels


def _label(point: BoundPoint, place: Place) -> Label:
    def shown(value: float) -> float:
        return float(f"{from_canonical(point.unit, value):.12g}")  # 6.0, not 6.000000000000001

    return Label(place.name, place.site_name, place.time_zone, point.quantity, point.unit_text, shown)

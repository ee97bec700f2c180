"""A collector's state made again from the journal's readings, for when the saved one is damaged.

The rules give the same alarms with the same ids for the same readings, so what is remade goes on with the alarms that
are on record. Must never be used for a state that is sound.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pyarrow as pa

from rules.collector import CollectorState, new_state, step
from rules.types import AlarmEvent, Change, CollectorSpec, Evidence, Reading, Tier, alarm_id
from service.evaluate.recovery import column

REASON = "state damaged on disk"


def remake(
    specs: Iterable[CollectorSpec], numbers: Mapping[int, tuple[str, str]], entries: Iterable[bytes]
) -> tuple[dict[str, CollectorState], list[AlarmEvent]]:
    """The states after all journal entries, and the raising of each alarm that is active in them.

    `numbers` gives (collector, point) of the ledger's point numbers; rows of other collectors are passed over.
    """
    by_name = {spec.name: spec for spec in specs}
    wanted = {number: place for number, place in numbers.items() if place[0] in by_name}
    states = {name: new_state(spec) for name, spec in by_name.items()}
    raised: dict[str, AlarmEvent] = {}
    for body in entries:
        for name, readings in _readings(body, wanted).items():
            for event in step(by_name[name], states[name], readings)[0]:
                raised.pop(event.alarm_id, None)
                if event.change is Change.RAISED:
                    raised[event.alarm_id] = event
    return states, list(raised.values())


def orphans(
    spec: CollectorSpec, state: CollectorState, active: Iterable[Mapping[str, Any]], at_us: int
) -> list[AlarmEvent]:
    """The closing of each active alarm on record (rows of `alarm`) that the remade state does not hold."""
    held = {
        alarm_id(spec.name, point.name, limit.tier.value, track.began_us)
        for point in spec.points
        for track, limit in state.points[point.name].judged(point)
        if track.is_active
    }
    return [
        AlarmEvent(
            alarm_id=row["id"],
            collector=spec.name,
            point=row["point"],
            tier=Tier(row["tier"]),
            change=Change.CLOSED,
            at_us=at_us,
            priority=row["priority"],
            evidence=Evidence(**row["evidence"]),
            reason=REASON,
        )
        for row in active
        if row["id"] not in held
    ]


def _readings(body: bytes, wanted: Mapping[int, tuple[str, str]]) -> dict[str, dict[str, list[Reading]]]:
    """The readings of one entry that were evaluated, by collector and point."""
    table = pa.ipc.open_stream(pa.py_buffer(body)).read_all()
    point = column(table, "point")
    rows = np.flatnonzero(np.isin(point, list(wanted)) & ~column(table, "late"))
    if not len(rows):
        return {}
    at_us = column(table, "at_utc").astype("datetime64[us]").astype(np.int64)
    value, good = column(table, "value"), column(table, "good")
    found: dict[str, dict[str, list[Reading]]] = {}
    for i in rows.tolist():
        name, point_name = wanted[int(point[i])]
        reading = Reading(int(at_us[i]), float(value[i]), bool(good[i]))
        found.setdefault(name, {}).setdefault(point_name, []).append(reading)
    return found

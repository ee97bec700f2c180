"""Collector state as plain data and back: small, versioned, and complete.

Only what cannot be derived is written: tracks that are not open are left out. A version that this
code does not know is refused, never guessed at.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from rules.collector import CollectorState, new_state
from rules.delays import Track
from rules.running import Timeline
from rules.types import CollectorSpec, RunState

VERSION = 1
_TRACK_FIELDS = tuple(item.name for item in fields(Track))


def to_plain(spec: CollectorSpec, state: CollectorState) -> dict[str, Any]:
    """The state as JSON-ready data; `from_plain` with the same spec gives an equal state."""
    points: dict[str, Any] = {}
    for point in spec.points:
        held = state.points[point.name]
        tracks = {
            limit.tier.value: [getattr(track, name) for name in _TRACK_FIELDS]
            for track, limit in held.judged(point)
            if track.is_open
        }
        points[point.name] = [held.last_us, held.value, held.good, held.evaluated_us, tracks]
    timeline = state.timeline
    return {
        "version": VERSION,
        "points": points,
        "spans": [[start_us, run.value] for start_us, run in timeline.spans],
        "is_on": timeline.is_on,
        "known_until_us": timeline.known_until_us,
    }


def from_plain(spec: CollectorSpec, plain: dict[str, Any]) -> CollectorState:
    """The state that `to_plain` wrote under the same limits.

    ValueError for another version, or for an open limit that the spec does not have.
    """
    if plain.get("version") != VERSION:
        raise ValueError(
            f"collector state of {spec.name}: version {plain.get('version')!r}, expected {VERSION}; "
            "start the release that wrote it, or restore its backup"
        )
    state = new_state(spec)
    for point in spec.points:
        if point.name not in plain["points"]:
            continue
        last_us, value, good, evaluated_us, tracks = plain["points"][point.name]
        held = state.points[point.name]
        held.last_us, held.value, held.good, held.evaluated_us = last_us, value, good, evaluated_us
        for index, limit in enumerate(point.limits):
            saved = tracks.pop(limit.tier.value, None)
            if saved is not None:
                held.tracks[index] = Track(**dict(zip(_TRACK_FIELDS, saved, strict=True)))
        if tracks:
            raise ValueError(
                f"collector state of {spec.name}: {point.name} has open limits {sorted(tracks)}, "
                "which these limits do not have; load it with the limits it was saved under"
            )
    spans = [(start_us, RunState(run)) for start_us, run in plain["spans"]]
    state.timeline = Timeline(spans, plain["is_on"], plain["known_until_us"])
    return state

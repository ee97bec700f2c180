"""Whether the fan runs, over arrays: evidence as spans of a whole history, then a walk over those that lasted."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from rules.columnar.spans import FAR_US, Bools, Floats, Ints
from rules.signals.columnar.figures import CODE, KNOWN, Codes
from rules.signals.run_phase import (
    AMPS_SHARE,
    CONFLICT_US,
    DP_ON_PA,
    FLOW_SHARE,
    OFF_US,
    ON_US,
    REACHED_SHARE,
    REACHED_US,
    STARTING_US,
    STOPPING_US,
    Kind,
    Phase,
    RunSpec,
)
from rules.signals.words import Why

PHASES = tuple(Phase)
ON, OFF, NOTHING, CONFLICT = range(4)
LASTS_US = np.array([ON_US, OFF_US, 0, 0])  # how long evidence of each sort must last


class RunReadings(NamedTuple):
    """Evidence as equally long arrays, as in `rules.signals.run_phase.RunReading`."""

    at_us: Ints
    kind: Ints
    value: Floats
    good: Bools


class Track(NamedTuple):
    """One kind of evidence at the instants at which anything changes."""

    known: Bools
    is_on: Bools
    reaches: Bools


class RunChanges(NamedTuple):
    """Changes in order of time; `phase` holds places in `PHASES`."""

    at_us: Ints
    phase: Ints
    why: Codes


def run_phase(spec: RunSpec, readings: RunReadings) -> RunChanges:
    """What `rules.signals.run_phase.step` gives for the same readings."""
    late = readings.at_us < np.maximum.accumulate(readings.at_us)
    kept = RunReadings(readings.at_us[~late], readings.kind[~late], readings.value[~late], readings.good[~late])
    if not len(kept.at_us):
        return RunChanges(kept.at_us, kept.at_us, np.empty(0, np.int8))
    instants = np.unique(np.concatenate((kept.at_us, kept.at_us + spec.hold_us)))
    tracks = [_track(spec, kept, kind, instants) for kind in Kind]
    end_us = int(kept.at_us[-1])
    start, code = _evidence(tracks, instants)
    ends = np.append(start[1:], end_us)
    due = start + LASTS_US[code]
    lasting = due < np.minimum(ends, end_us)
    reached = np.logical_or.reduce([track.reaches for track in tracks])
    return _walk(due[lasting], code[lasting], _reaches(instants, reached), end_us)


def _track(spec: RunSpec, kept: RunReadings, kind: Kind, instants: Ints) -> Track:
    mine = np.flatnonzero(kept.kind == kind)
    mine = mine[np.append(True, np.diff(kept.at_us[mine]) > 0)[: len(mine)]]
    if not len(mine):
        nothing = np.zeros(len(instants), np.bool_)
        return Track(nothing, nothing, nothing)
    place = np.searchsorted(kept.at_us[mine], instants, side="right") - 1
    last = mine[np.maximum(place, 0)]
    known = (place >= 0) & kept.good[last] & (instants < kept.at_us[last] + spec.hold_us)
    value = np.abs(kept.value[last]) if kind is Kind.DP else kept.value[last]
    above = (0.5, AMPS_SHARE * spec.full_load_a, FLOW_SHARE * spec.airflow, DP_ON_PA)[kind]
    least = (np.inf, np.inf, REACHED_SHARE * spec.airflow, REACHED_SHARE * spec.dp_pa)[kind]
    return Track(known, value > above, known & (value >= least))


def _evidence(tracks: list[Track], instants: Ints) -> tuple[Ints, Ints]:
    """Where evidence changes, and to what: spans one after the other."""
    sort = np.full(len(instants), NOTHING)
    for track in reversed(tracks):
        sort = np.where(track.known, np.where(track.is_on, ON, OFF), sort)
    contact, amps = tracks[Kind.CONTACT], tracks[Kind.AMPS]
    differs = contact.known & amps.known & (contact.is_on != amps.is_on)
    since = _began(instants, differs)
    at = np.unique(np.concatenate((instants, since[differs] + CONFLICT_US)))
    place = np.searchsorted(instants, at, side="right") - 1
    code = np.where(differs[place] & (at - since[place] >= CONFLICT_US), CONFLICT, sort[place])
    first = np.append(True, code[1:] != code[:-1])
    return at[first], code[first]


def _began(instants: Ints, holds: Bools) -> Ints:
    """For each instant the one since which `holds` is what it is."""
    changes = np.append(True, holds[1:] != holds[:-1])
    began: Ints = instants[np.maximum.accumulate(np.where(changes, np.arange(len(instants)), 0))]
    return began


def _reaches(instants: Ints, reached: Bools) -> tuple[Ints, Ints]:
    """The spans in which normal flow is seen, as starts and ends."""
    edge = np.diff(np.concatenate(([False], reached, [False])).astype(np.int8))
    return instants[np.flatnonzero(edge > 0)], np.append(instants, FAR_US)[np.flatnonzero(edge < 0)]


def _walk(due: Ints, code: Ints, reaches: tuple[Ints, Ints], end_us: int) -> RunChanges:
    """From one piece of evidence that lasted to the next, with what time does in between."""
    found: list[tuple[int, Phase, int]] = []
    before, began_us = NOTHING, 0
    until = np.append(due, end_us)[1:]
    for at_us, sort, until_us in zip(due.tolist(), code.tolist(), until.tolist(), strict=True):
        if sort == ON and before != ON:
            found.append((at_us, Phase.STARTING, KNOWN))
            began_us = at_us
        elif sort == OFF and before != OFF:
            found.append((at_us, Phase.STOPPING if before == ON else Phase.OFF, KNOWN))
            began_us = at_us
        elif sort not in (before, ON, OFF) or not found:
            found.append((at_us, Phase.UNKNOWN, CODE[Why.CONFLICT if sort == CONFLICT else Why.NO_DATA]))
        before = sort
        if found[-1][1] is Phase.STARTING:
            found += _runs(began_us, until_us, reaches)
        elif found[-1][1] is Phase.STOPPING and began_us + STOPPING_US < until_us:
            found.append((began_us + STOPPING_US, Phase.OFF, KNOWN))
    at, phases, why = zip(*found, strict=True) if found else ((), (), ())
    return RunChanges(
        np.array(at, np.int64), np.array([PHASES.index(one) for one in phases], np.int64), np.array(why, np.int8)
    )


def _runs(began_us: int, until_us: int, reaches: tuple[Ints, Ints]) -> list[tuple[int, Phase, int]]:
    """When a start ends: with flow seen for long enough, or without."""
    starts, ends = reaches
    near = slice(int(np.searchsorted(ends, began_us)), int(np.searchsorted(starts, until_us)))
    due = np.maximum(starts[near], began_us) + REACHED_US
    reached_us = int(np.min(due[due < ends[near]], initial=FAR_US))
    if min(reached_us, began_us + STARTING_US) >= until_us:
        return []
    if reached_us <= began_us + STARTING_US:
        return [(reached_us, Phase.RUNNING, KNOWN)]
    return [(began_us + STARTING_US, Phase.RUNNING, CODE[Why.NOT_REACHED])]

"""One limit's state moved through a window at once: the alarm events that the window decides.

The comparator cuts the window into phases. In each, the delay of its kind runs from zero: the on-delay
while the comparator is true, the off-delay while it is false. A phase whose delay is outlasted would raise
(or clear) an alarm; which of them do follows from which came last. A stop that makes the engine forget
a pending delay cuts a true phase in two.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rules.columnar.comparator import high, low, turns
from rules.columnar.spans import Bools, Ints, Readings
from rules.columnar.window import Window
from rules.delays import Owner, Track, event_of
from rules.types import AlarmEvent, Change, Limit


@dataclass(frozen=True, slots=True)
class _Phases:
    """Parts of the window in which one delay runs. `turn` counts the turns of the comparator before it."""

    start: Ints
    end: Ints
    beyond: Bools
    turn: Ints


def pass_over(limit: Limit, owner: Owner, track: Track, window: Window) -> list[AlarmEvent]:
    """Move the track to the window's end: what it decides, in order of time."""
    turned = _turned(limit, track.is_beyond, window)
    if not len(turned) and not track.is_open:
        return []
    phases = _phases(limit, track, window, turned)
    decided_at = _decided_at(limit, track, window, phases)
    decisive = np.flatnonzero(decided_at < phases.end)
    raises = phases.beyond[decisive]
    matters = raises != np.append(track.is_active, raises[:-1])[: len(raises)]
    decisive, raises = decisive[matters], raises[matters]
    # A clearing speaks of the excursion of the raising before it, or else of the one carried in: turn 0.
    opened = np.where(raises, phases.turn[decisive], np.append(0, phases.turn[decisive][:-1])[: len(raises)])
    is_active = bool(raises[-1]) if len(raises) else track.is_active
    still = (opened[-1] if len(raises) else 0) if is_active else phases.turn[-1]
    at = np.append(decided_at[decisive], window.to_us)
    seen = _seen(limit, track, window, turned=turned, opened=np.append(opened, still), at=at)
    _note_alarms(seen, raises.tolist(), at.tolist(), track.raised_us)
    _leave(track, window, phases, seen[-1])
    return [
        event_of(case, limit, owner, Change.RAISED if is_raise else Change.CLEARED, at_us)
        for case, is_raise, at_us in zip(seen, raises.tolist(), at.tolist(), strict=False)  # the last is no event
    ]


def _turned(limit: Limit, is_beyond: bool, window: Window) -> Ints:
    """The readings at which the comparator changes. Where the extremes show that none does, no value is read."""
    none = np.empty(0, np.int64)
    nearest, furthest = window.extremes
    if not limit.is_high:
        nearest, furthest = -furthest, -nearest
    sign = 1.0 if limit.is_high else -1.0
    if (is_beyond and nearest > sign * limit.back) or (not is_beyond and furthest <= sign * limit.threshold):
        return none
    value, good = window.readings.value, window.readings.good
    beyond, back = (high if limit.is_high else low)(value, limit.threshold, limit.back)
    if good is not None:
        beyond, back = beyond & good, back & good
    return turns(beyond, back, is_beyond)


def _phases(limit: Limit, track: Track, window: Window, turned: Ints) -> _Phases:
    """The phases that may decide something: the first, the last, and those that are longer than their delay.

    The off-delay matters only where an alarm is active, or may be raised.
    """
    turned_at = window.readings.at[turned]
    first_end_us = int(turned_at[0]) if len(turned) else window.to_us
    first_us = first_end_us - window.from_us + track.counted_us
    true, false = int(not track.is_beyond), int(track.is_beyond)  # the parity of the phases
    raising = _longer(turned_at, true, limit.on_delay_us)
    kept = np.append(raising, (0, len(turned)))
    if track.is_active or len(raising) or (track.is_beyond and first_us > limit.on_delay_us):
        kept = np.append(kept, _longer(turned_at, false, limit.off_delay_us))
    turn = np.unique(kept)
    start = np.append(window.from_us, turned_at[turn[1:] - 1])
    end = np.append(turned_at[turn[:-1]], window.to_us)
    phases = _Phases(start, end, turn % 2 == true, turn)
    return _cut(phases, window.forgets) if len(window.forgets) else phases


def _longer(turned_at: Ints, parity: int, delay_us: int) -> Ints:
    """The phases between two turns, of one parity, that last longer than a delay."""
    first = 2 - parity
    end = turned_at[first::2]
    return np.flatnonzero(end - turned_at[first - 1 :: 2][: len(end)] > delay_us) * 2 + first


def _cut(phases: _Phases, forgets: Ints) -> _Phases:
    """The phases, the true ones cut where a pending delay is forgotten."""
    phase = np.searchsorted(phases.start, forgets, side="right") - 1
    cuts = phases.beyond[phase] & (phases.start[phase] < forgets) & (forgets <= phases.end[phase])
    forgets, phase = forgets[cuts], phase[cuts]
    start = np.insert(phases.start, phase + 1, forgets)
    end = np.insert(phases.end, phase, forgets)
    return _Phases(
        start, end, np.insert(phases.beyond, phase + 1, True), np.insert(phases.turn, phase + 1, phases.turn[phase])
    )


def _decided_at(limit: Limit, track: Track, window: Window, phases: _Phases) -> Ints:
    """Per phase, the instant at which its delay is used up, as if evaluated time followed and nothing else came."""
    due = window.counted.until(phases.start) + np.where(phases.beyond, limit.on_delay_us, limit.off_delay_us)
    due[0] -= track.counted_us
    return window.counted.instant(due)


def _seen(limit: Limit, track: Track, window: Window, *, turned: Ints, opened: Ints, at: Ints) -> list[Track]:
    """Per excursion (the turn that began it; 0 is the one carried in) and instant, the evidence by then."""
    first, start, here = np.zeros_like(opened), np.full_like(opened, window.from_us), opened > 0
    first[here] = turned[opened[here] - 1]
    start[here] = window.readings.at[first[here]]
    upto = np.searchsorted(window.readings.at, at, side="right")
    evaluated = window.counted.until(at) - window.counted.until(start)
    idle = window.idle.until(at) - window.idle.until(start)
    columns = (opened, start, first, upto, evaluated, idle, at - start - evaluated - idle)
    seen: list[Track] = []
    for turn, began_us, a, b, evaluated_us, stopped_us, unknown_us in zip(*(c.tolist() for c in columns), strict=True):
        before = Track(began_us=began_us) if turn else track
        after = Track(
            began_us=before.began_us,
            extreme=before.extreme,
            extreme_at_us=before.extreme_at_us,
            evaluated_us=before.evaluated_us + evaluated_us,
            stopped_us=before.stopped_us + stopped_us,
            unknown_us=before.unknown_us + unknown_us,
            readings=before.readings,
        )
        _note_readings(after, limit, window.readings, slice(a, b))
        seen.append(after)
    return seen


def _note_readings(track: Track, limit: Limit, readings: Readings, part: slice) -> None:
    """Keep the evidence of the good readings of a part: the first of the furthest, and how many."""
    at, value = readings.at[part], readings.value[part]
    if readings.good is not None:
        good = readings.good[part]
        at, value = at[good], value[good]
    if not len(value):
        return
    index = int(value.argmax() if limit.is_high else value.argmin())
    extreme = float(value[index])
    if track.readings == 0 or (extreme > track.extreme if limit.is_high else extreme < track.extreme):
        track.extreme, track.extreme_at_us = extreme, int(at[index])
    track.readings += len(value)


def _note_alarms(seen: list[Track], raises: list[bool], at: list[int], raised_us: int | None) -> None:
    """Write down, event by event, since when the alarm is active; last, as the window leaves it."""
    for case, is_raise, at_us in zip(seen, raises, at, strict=False):
        case.raised_us = at_us if is_raise else raised_us
        raised_us = case.raised_us if is_raise else None
    seen[-1].raised_us = raised_us


def _leave(track: Track, window: Window, phases: _Phases, last: Track) -> None:
    """Make the track what it is at the window's end."""
    last.is_beyond = bool(phases.beyond[-1])
    if last.is_beyond and last.is_active:
        last.counted_us = 0  # no delay runs
    else:
        before, after = window.counted.until(np.array([phases.start[-1], window.to_us])).tolist()
        last.counted_us = after - before + (track.counted_us if len(phases.start) == 1 else 0)
    left = last if last.is_open else Track()
    for name in Track.__slots__:
        setattr(track, name, getattr(left, name))

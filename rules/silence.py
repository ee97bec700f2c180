"""No data: one alarm per gateway when any of its points has had no good reading for too long.

Owns the silence state of one gateway. It is judged by the watermark, not by readings, so that a
gateway which says nothing at all is noticed. A last will says so sooner, after its own delay.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from rules.types import alarm_id

LIMIT = "no-data"


class SilenceChange(StrEnum):
    RAISED = "raised"
    CLEARED = "cleared"
    CLOSED = "closed"  # the gateway is no longer registered


@dataclass(frozen=True, slots=True)
class GatewaySpec:
    """How long a gateway may say nothing, and how long after its last will it counts as silent."""

    name: str
    silent_after_us: int
    will_after_us: int


@dataclass(frozen=True, slots=True)
class Silence:
    """The state of one gateway. `offline_us` is when its will was received, None while it is online."""

    offline_us: int | None = None
    began_us: int | None = None  # of the active alarm
    raised_us: int | None = None
    ended_us: int = 0  # of the last alarm: the next one cannot begin before it

    @property
    def is_active(self) -> bool:
        return self.raised_us is not None


@dataclass(frozen=True, slots=True)
class SilenceEvent:
    """One change of a gateway's no-data alarm."""

    alarm_id: str
    gateway: str
    change: SilenceChange
    at_us: int
    began_us: int
    raised_us: int
    points: tuple[str, ...]  # without good data when the alarm was raised
    reason: str


def judge(
    spec: GatewaySpec, state: Silence, last_good_us: Mapping[str, int], watermark_us: int, listening_us: int
) -> tuple[Silence, SilenceEvent | None]:
    """The state at the watermark, and the event if it changed.

    `last_good_us` has the last good instant of each of the gateway's points; for a point never heard, the
    instant from which it was expected. Nobody is called silent for the time before `listening_us`, when
    the service began to listen. Without points nothing is expected and nothing raised.
    """
    if not last_good_us:
        return state, None
    oldest_us = min(last_good_us.values())
    if state.is_active:
        return _judge_active(spec, state, oldest_us, watermark_us)
    due_us, reason = max(oldest_us, listening_us) + spec.silent_after_us, "no good reading"
    if state.offline_us is not None and max(last_good_us.values()) <= state.offline_us:
        will_due_us = state.offline_us + spec.will_after_us
        if will_due_us < due_us:
            due_us, reason = will_due_us, "the gateway's connection to the broker was lost"
    if watermark_us <= due_us:
        return state, None
    silent = [name for name, at_us in last_good_us.items() if at_us + spec.silent_after_us <= due_us]
    raised = Silence(state.offline_us, max(oldest_us, state.ended_us), due_us, state.ended_us)
    points = tuple(sorted(silent or last_good_us))
    return raised, _event(spec, raised, SilenceChange.RAISED, due_us, points=points, reason=reason)


def closed(spec: GatewaySpec, state: Silence, at_us: int) -> SilenceEvent:
    """The event that closes the active alarm of a gateway that is no longer registered."""
    return _event(spec, state, SilenceChange.CLOSED, at_us, points=(), reason="gateway no longer registered")


def _judge_active(
    spec: GatewaySpec, state: Silence, oldest_us: int, watermark_us: int
) -> tuple[Silence, SilenceEvent | None]:
    assert state.raised_us is not None
    assert state.began_us is not None
    lost = state.offline_us is not None and oldest_us <= state.offline_us
    if lost or oldest_us <= state.raised_us or watermark_us > oldest_us + spec.silent_after_us:
        return state, None
    event = _event(spec, state, SilenceChange.CLEARED, oldest_us, points=(), reason="data are back")
    return Silence(state.offline_us, ended_us=oldest_us), event


def _event(
    spec: GatewaySpec,
    state: Silence,
    change: SilenceChange,
    at_us: int,
    *,
    points: tuple[str, ...],
    reason: str,
) -> SilenceEvent:
    assert state.raised_us is not None
    assert state.began_us is not None
    identity = alarm_id(spec.name, "", LIMIT, state.began_us)
    return SilenceEvent(
        identity, spec.name, change, at_us, state.began_us, state.raised_us, points=points, reason=reason
    )

"""How numbers, times and states are said on the page. Pure.

Reads no clock, and never lets what is unknown sound healthy.
"""

from __future__ import annotations

import math
from datetime import UTC, datetime, tzinfo
from zoneinfo import ZoneInfo

from service.model import CollectorView, LimitView, PointView

LIMIT_STATES = ("normal", "pending", "active", "held", "unknown")
NEEDS = ("alarm", "pending", "no data", "quiet")  # in the order in which people should look
RUNNING = {
    "running": "running",
    "stopped": "stopped",
    "unknown": "not known whether it runs",
    "always": "no running rule, judged always",
}
LINKS = {
    "online": "gateway online",
    "offline": "gateway offline",
    "silent": "gateway silent",
    "never": "gateway never heard",
}
DELIVERY = {"accepted": "accepted", "owed": "not yet accepted, tried again", "given up": "NOT DELIVERED, given up"}
SAFETY = (
    "Condition monitoring, advisory only. It is not a safety function: it trips, isolates and suppresses nothing, "
    "and it must not be the only means to detect fire, explosion or toxic release.",
    "Do not open a collector on the strength of a reading: lock out the electrical supply, bleed the compressed air "
    "and test for zero energy.",
    "A lost signal is not a healthy signal. Differential pressure says nothing about ignition hazards.",
    "Wiring belongs to a licensed electrician under the local code. Reports to an authority need the terms of the "
    "site's own permit.",
)


def duration(seconds: float | None) -> str:
    """Seconds in at most two units, such as "2 h 10 min"; "an unknown time" for None or NaN."""
    if seconds is None or not math.isfinite(seconds):
        return "an unknown time"
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min"
    if whole < 86_400:
        return _two(whole // 3600, "h", whole % 3600 // 60, "min")
    return _two(whole // 86_400, "d", whole % 86_400 // 3600, "h")


def _two(large: int, large_unit: str, small: int, small_unit: str) -> str:
    return f"{large} {large_unit} {small} {small_unit}" if small else f"{large} {large_unit}"


def number(value: float) -> str:
    """A measured value with the decimals that its size deserves."""
    size = abs(value)
    if size >= 1000:
        return f"{value:.0f}"
    if size >= 10:
        return f"{value:.1f}"
    return f"{value:.2f}" if size >= 0.1 or size == 0 else f"{value:.3g}"


def with_unit(value: float | None, unit: str) -> str:
    """The value and its unit; "no value" for None and for what is not finite."""
    if value is None or not math.isfinite(value):
        return "no value"
    return f"{value:.0f}" if unit == "count" else f"{number(value)} {unit}".rstrip()


def threshold(value: float, unit: str) -> str:
    """A limit as a person wrote it: conversion noise after the sixth digit is dropped."""
    return f"{value:.6g} {unit}".rstrip()


def zone(name: str) -> tzinfo:
    """The IANA zone; UTC when the name is unknown on this computer, so that a time is always named truly."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return UTC


def instant(at: datetime | None, where: tzinfo) -> str:
    """Such as "25 Nov 2026 08:00:10 GMT", in the given zone."""
    return "unknown" if at is None else f"{at.astimezone(where):%d %b %Y %H:%M:%S %Z}"


def moment(at: datetime | None, where: tzinfo, now: datetime) -> str:
    """The same, short: without the year, and without the date when it is today in that zone."""
    if at is None:
        return "an unknown time"
    local = at.astimezone(where)
    today = local.date() == now.astimezone(where).date()
    return f"{local:%H:%M:%S %Z}" if today else f"{local:%d %b %H:%M %Z}"


def limit_head(view: LimitView, unit: str) -> str:
    """Such as "high 6 inH2O for 4 h"."""
    head = f"{view.limit} {threshold(view.threshold, unit)}"
    return f"{head} for {duration(view.on_delay_s)}" if view.on_delay_s > 0 else head


def limit_state(view: LimitView, where: tzinfo, now: datetime) -> str:
    """What the limit says at this moment, as a phrase."""
    if view.state == "normal":
        return "not beyond"
    if view.state == "pending":
        return f"beyond, counted {duration(view.counted_s)} of {duration(view.on_delay_s)}"
    if view.state == "active":
        return f"ALARM, beyond since {moment(view.began_at, where, now)}"
    if view.state == "held":
        return "ALARM held, not judged at present"
    return "not judged, no value"


def within(view: PointView) -> str:
    """The limits that ask for nothing, in one phrase: not beyond, or not judged; empty when there are none."""
    phrases = []
    for state, lead in (("normal", "within"), ("unknown", "not judged:")):
        names = [f"{one.limit} {threshold(one.threshold, '')}" for one in view.limits if limit_state_of(one) == state]
        if names:
            phrases.append(f"{lead} {', '.join(names)} {view.unit}".rstrip())
    return "; ".join(phrases)


def limit_state_of(view: LimitView) -> str:
    """The limit's state; one that this page does not know is shown as unknown, never as normal."""
    return view.state if view.state in LIMIT_STATES else "unknown"


def point_value(view: PointView) -> str:
    """The value if it is known, else the plain statement that there is none."""
    if is_known(view):
        return with_unit(view.value, view.unit)
    if view.health == "never":
        return "never measured"
    if view.health == "bad":
        return "no valid value"
    return "no value"


def point_note(view: PointView) -> str:
    """How old the value is; for an unknown one, for how long and what was last measured."""
    if view.last_at is None:
        return "nothing has arrived yet"
    if is_known(view):
        return f"{duration(view.age_s)} ago"
    if view.health == "bad":
        return f"the gateway says bad quality, {duration(view.age_s)} ago"
    lead = f"no value for {duration(view.age_s)}"
    return lead if view.last_value is None else f"{lead}; last was {with_unit(view.last_value, view.unit)}"


def is_known(view: PointView) -> bool:
    """Whether there is a value to show; anything doubtful counts as unknown."""
    return view.health == "good" and view.value is not None and math.isfinite(view.value)


def numbering(view: CollectorView) -> str:
    """What is known of messages that got lost on the way, after the gateway's name; empty when all have come."""
    if view.gateway_missing:
        return f", {view.gateway_missing} messages missing"
    return "" if view.is_numbered else ", messages not numbered"


def need(view: CollectorView) -> str:
    """The collector's need; not judged for want of a value is never quiet, nor is a need unknown to the page."""
    is_blind = any(point.limits and not is_known(point) for point in view.points)
    if view.need not in NEEDS or (view.need == "quiet" and is_blind):
        return "no data"
    return view.need

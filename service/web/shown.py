"""The overview as the page and the API give it: the numbers for programs, the words for people. Pure.

One document serves both, so the first render, the live page and other programs cannot disagree.
"""

from __future__ import annotations

import math
from datetime import datetime, tzinfo
from typing import Any

from pydantic import BaseModel

from service.model import AlarmView, CollectorView, Health, LimitView, Overview, PointView
from service.web import words


class LimitShown(BaseModel):
    limit: str
    threshold: float
    on_delay_s: float
    state: str
    counted_s: float
    began_at: datetime | None
    head: str
    says: str
    share: float  # of the on-delay that is counted, 0 to 1
    tick: float | None  # where it lies on the point's scale, 0 to 100


class PointShown(BaseModel):
    name: str
    quantity: str
    unit: str
    value: float | None
    last_value: float | None
    last_at: datetime | None
    age_s: float | None
    health: str
    known: bool
    says: str
    note: str
    within: str
    needle: float | None  # where the value lies on the scale, 0 to 100
    limits: list[LimitShown]


class CollectorShown(BaseModel):
    id: str
    name: str
    site: str
    area: str
    kind: str
    time_zone: str
    running: str
    gateway: str
    gateway_link: str
    need: str
    running_says: str
    link_says: str
    gateway_missing: int
    anchor: str  # of the first collector of its need, else empty
    points: list[PointShown]


class ToldShown(BaseModel):
    step: str
    contact: str
    channel: str
    state: str
    says: str
    done: bool


class AlarmShown(BaseModel):
    id: str
    collector: str
    point: str
    quantity: str
    limit: str
    priority: str
    unit: str
    state: str
    began_at: datetime
    raised_at: datetime
    cleared_at: datetime | None
    threshold: float | None
    extreme: float | None
    where: str
    what: str
    since: str
    why: str
    told: list[ToldShown]


OUTER = {"low": "low-low", "high": "high-high"}
NOBODY = ToldShown(step="", contact="", channel="", state="", says="nobody has been told yet", done=False)


class CountShown(BaseModel):
    name: str
    count: int


class NeedShown(BaseModel):
    need: str
    count: int
    anchor: str


class OverviewShown(BaseModel):
    version: int
    now: datetime
    now_says: str
    zones: list[str]
    clock: str
    service: str
    enterprise: str
    not_ready: list[str]
    needs: list[NeedShown]
    collectors: list[CollectorShown]
    alarms: list[AlarmShown]
    counts: list[CountShown]
    quarantine: list[CountShown]  # messages kept, by code, most first


def shown(overview: Overview, health: Health) -> OverviewShown:
    """The overview with its words, collectors ranked by need: alarm, pending (the nearest first), no data, quiet."""
    collectors = sorted((_collector(view, overview.now) for view in overview.collectors), key=_rank)
    needs = [_need(need, collectors) for need in words.NEEDS]
    zones = list(dict.fromkeys(view.time_zone for view in overview.collectors)) or ["UTC"]
    places = {view.id: view for view in overview.collectors}
    return OverviewShown(
        version=overview.version,
        now=overview.now,
        now_says=words.instant(overview.now, words.zone(zones[0])),
        zones=zones,
        clock=overview.clock,
        service=overview.service,
        enterprise=overview.enterprise,
        not_ready=[f"{name}: {said}" for name, said in health.checks.items() if said != "ok"],
        needs=needs,
        collectors=collectors,
        alarms=[_alarm(view, places.get(view.collector), overview, zones[0]) for view in overview.alarms],
        counts=[CountShown(name=key.replace("_", " "), count=n) for key, n in overview.counts.items()],
        quarantine=[
            CountShown(name=code, count=n)
            for code, n in sorted(overview.quarantine.items(), key=lambda item: (-item[1], item[0]))
        ],
    )


def _need(need: str, collectors: list[CollectorShown]) -> NeedShown:
    anchor = f"need-{need.replace(' ', '-')}"
    in_need = [collector for collector in collectors if collector.need == need]
    if in_need:
        in_need[0].anchor = anchor
    return NeedShown(need=need, count=len(in_need), anchor=anchor)


def _rank(collector: CollectorShown) -> tuple[int, float, str]:
    shares = (limit.share for point in collector.points for limit in point.limits)
    return words.NEEDS.index(collector.need), -max(shares, default=0.0), collector.id


def _collector(view: CollectorView, now: datetime) -> CollectorShown:
    return CollectorShown(
        id=view.id,
        name=view.name,
        site=view.site,
        area=view.area,
        kind=view.kind,
        time_zone=view.time_zone,
        running=view.running,
        gateway=view.gateway,
        gateway_link=view.gateway_link,
        need=words.need(view),
        running_says=words.RUNNING.get(view.running, words.RUNNING["unknown"]),
        link_says=f"{words.LINKS.get(view.gateway_link, 'gateway state unknown')}: {view.gateway}"
        f"{words.numbering(view)}",
        gateway_missing=view.gateway_missing,
        anchor="",
        points=[_point(point, words.zone(view.time_zone), now) for point in view.points],
    )


def _point(view: PointView, where: tzinfo, now: datetime) -> PointShown:
    known = words.is_known(view)
    low, span = _scale(view)
    place = _place(view.value, low, span) if known and view.value is not None else None
    return PointShown(
        name=view.name,
        quantity=view.quantity,
        unit=view.unit,
        value=view.value if known else None,
        last_value=view.last_value,
        last_at=view.last_at,
        age_s=view.age_s,
        health=view.health,
        known=known,
        says=words.point_value(view),
        note=words.point_note(view),
        within=words.within(view),
        needle=place,
        limits=[
            _limit(limit, view.unit, words.limit_state(limit, where, now), _place(limit.threshold, low, span))
            for limit in view.limits
        ],
    )


def _limit(view: LimitView, unit: str, says: str, tick: float | None) -> LimitShown:
    pending = view.state == "pending" and view.on_delay_s > 0
    return LimitShown(
        limit=view.limit,
        threshold=view.threshold,
        on_delay_s=view.on_delay_s,
        state=words.limit_state_of(view),
        counted_s=view.counted_s,
        began_at=view.began_at,
        head=words.limit_head(view, unit),
        says=says,
        share=round(min(1.0, view.counted_s / view.on_delay_s), 3) if pending else 0.0,
        tick=tick,
    )


def _scale(view: PointView) -> tuple[float, float]:
    """The low end and the span of the point's bar: from zero, or lower, to some way past the furthest limit."""
    limits = [limit.threshold for limit in view.limits]
    if not limits:
        return 0.0, 0.0
    low = min(0.0, *limits)
    return low, (max(0.0, *limits) - low) * 1.25


def _place(value: float, low: float, span: float) -> float | None:
    if span <= 0 or not math.isfinite(value):
        return None
    return round(min(100.0, max(0.0, (value - low) / span * 100)), 1)


def _alarm(view: AlarmView, place: CollectorView | None, overview: Overview, first_zone: str) -> AlarmShown:
    now = overview.now
    where = words.zone(place.time_zone if place else first_zone)
    name = f"{place.name} ({place.id})" if place else view.collector
    subject = "no data" if view.limit == "no-data" else f"{view.quantity or view.point} {view.limit}".strip()
    held = ", held (not judged at present)" if view.state == "held" else ""
    return AlarmShown(
        id=view.id,
        collector=view.collector,
        point=view.point,
        quantity=view.quantity,
        limit=view.limit,
        priority=view.priority,
        unit=view.unit,
        state=view.state,
        began_at=view.began_at,
        raised_at=view.raised_at,
        cleared_at=view.cleared_at,
        threshold=view.threshold,
        extreme=view.extreme,
        where=name,
        what=f"{subject[:1].upper()}{subject[1:]}{held}",
        since=f"raised {words.moment(view.raised_at, where, now)}, "
        f"{words.duration((now - view.raised_at).total_seconds())} ago",
        why=_why(view),
        told=[_told(entry, where, overview) for entry in view.told] or [_untold(view, overview)],
    )


def _untold(view: AlarmView, overview: Overview) -> ToldShown:
    """Why an alarm has no notification: the outer limit of its side speaks for both, or nobody hears of it yet."""
    outer = OUTER.get(view.limit)
    place = (view.collector, view.point)
    if any((other.collector, other.point, other.limit) == (*place, outer) for other in overview.alarms):
        says = f"no message of its own: {outer} speaks for both"
        return NOBODY.model_copy(update={"says": says, "done": True})
    return NOBODY


def _why(view: AlarmView) -> str:
    parts = []
    if view.threshold is not None:
        delay = f" for {words.duration(view.on_delay_s)}" if view.on_delay_s else ""
        parts.append(f"limit {words.threshold(view.threshold, view.unit)}{delay}")
    if view.extreme is not None:
        parts.append(f"extreme {words.with_unit(view.extreme, view.unit)}")
    for seconds, reason in ((view.stopped_s, "stopped"), (view.unknown_s, "unknown")):
        if seconds > 0:
            parts.append(f"{words.duration(seconds)} {reason} not counted")
    if view.reason:
        parts.append(view.reason)
    return "; ".join(parts)


def _told(entry: dict[str, Any], where: tzinfo, overview: Overview) -> ToldShown:
    """One line about one notification; `at` may be an instant, its text, or absent.

    With a demo clock the time is left out: people are told in real time, which is not that of the page.
    """
    at = entry.get("at")
    instant = datetime.fromisoformat(at) if isinstance(at, str) else at
    is_timed = isinstance(instant, datetime) and not overview.clock
    when = f" {words.moment(instant, where, overview.now)}" if is_timed else ""
    step, contact, channel, state = (str(entry.get(key, "")) for key in ("step", "contact", "channel", "state"))
    return ToldShown(
        step=step,
        contact=contact,
        channel=channel,
        state=state,
        says=f"{step}: {contact} by {channel}, {words.DELIVERY.get(state, state)}{when}",
        done=state == "accepted",
    )

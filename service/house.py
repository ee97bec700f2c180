"""The service as people see it: implements `service.model.House` over the evaluator, the ledger and the rest.

Owns the version that tells watchers when to look again. Takes the evaluator's lock only to copy what a
page needs; questions to the ledger are asked outside of it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, cast

from rules import silence
from rules.collector import CollectorState, held_reason
from rules.delays import Track
from rules.silence import Silence
from rules.types import CollectorSpec, Limit, PointSpec
from service.announce import Announcer, Label
from service.batch import Order, Request
from service.clock import Clock
from service.evaluate.evaluator import Evaluator
from service.model import (
    AlarmView,
    Chosen,
    CollectorView,
    Health,
    LimitView,
    Liveness,
    Overview,
    PointView,
    Purge,
    Purged,
    Reloaded,
    SendAgain,
    SentAgain,
)
from service.receive.inbox import Inbox
from service.store.quarantine import QUARANTINE_BYTES_AT_MOST
from service.store.reader import LedgerReader
from service.units.times import as_datetime

NEEDS = ("alarm", "no data", "pending", "quiet")  # the order in which collectors are shown
ACTIVE_SHOWN = 500
REQUEST_WAIT_S = 5.0  # the longest that a person's request waits at a full inbox
ANSWER_S = 4.0  # the longest that it then waits for its answer; together less than what the command line allows


@dataclass(frozen=True, slots=True)
class Place:
    """Where a collector stands and what people call it."""

    name: str
    site: str
    area: str
    kind: str
    time_zone: str
    gateway: str


class HouseView:
    """Answers from any thread."""

    def __init__(
        self,
        *,
        service: str,
        enterprise: str,
        clock: Clock,
        evaluator: Evaluator,
        reader: LedgerReader,
        places: Mapping[str, Place],
        labels: Mapping[tuple[str, str], Label],
        announcer: Announcer,
        inbox: Inbox[Any],
        checks: Callable[[], dict[str, str]],
        liveness: Callable[[], Liveness],
        gauges: Callable[[], dict[str, int]],
        kept: Callable[[], Mapping[str, int]],
        rebuild: Callable[[], None],
        reload: Callable[[str], Reloaded],
        history_counts: Callable[[], dict[str, Any]],
        explain_alarm: Callable[[str], dict[str, Any]],
        explain_instant: Callable[[str, str, str, int], dict[str, Any]],
    ) -> None:
        self._service, self._enterprise, self._clock = service, enterprise, clock
        self._evaluator, self._reader = evaluator, reader
        self._places, self._labels, self._announcer, self._inbox = places, labels, announcer, inbox
        self._liveness = liveness
        self._checks, self._gauges, self._kept, self._rebuild = checks, gauges, kept, rebuild
        self._reload, self._history_counts = reload, history_counts
        self._explain_alarm, self._explain_instant = explain_alarm, explain_instant
        self._gateways_of: dict[str, set[str]] = {}  # that bring a collector's points
        for gateway, served in evaluator.watched.gateway_points.items():
            for collector, _ in served:
                self._gateways_of.setdefault(collector, set()).add(gateway)
        self._changed = threading.Condition()
        self._version = 1

    def note_change(self) -> None:
        """Something that is shown may have changed."""
        with self._changed:
            self._version += 1
            self._changed.notify_all()

    def wait_for_change(self, seen: int, timeout_s: float) -> int:
        with self._changed:
            self._changed.wait_for(lambda: self._version > seen, timeout_s)
            return self._version

    def overview(self) -> Overview:
        version, now_us = self._version, self._clock.plant_us()
        alarms = self.alarms(active_only=True, limit=ACTIVE_SHOWN)
        loud = {alarm.collector for alarm in alarms if alarm.limit != silence.LIMIT}
        with self._evaluator.lock:
            silent = {name for name, held in self._evaluator.gateways.items() if held.is_active}
            served = self._evaluator.watched.gateway_points
            mute = {collector for name in silent for collector, _ in served.get(name, ())}
            collectors = [self._collector(name, now_us, loud, mute) for name in self._places]
        collectors.sort(key=lambda view: (NEEDS.index(view.need), view.id))
        return Overview(
            version=version,
            now=as_datetime(now_us),
            clock=self._clock.describe(),
            service=self._service,
            enterprise=self._enterprise,
            collectors=collectors,
            alarms=alarms,
            counts=self._reader.tallies() | self._gauges(),
            quarantine=dict(self._kept()),
        )

    def alarms(self, *, active_only: bool, limit: int) -> list[AlarmView]:
        rows = self._reader.alarms(active_only=active_only, limit=limit)
        views = [self._alarm(row) for row in rows]
        if active_only:
            views.sort(key=lambda view: (view.limit not in ("low-low", "high-high"), view.raised_at))
        return views

    def quarantine(self, chosen: Chosen, *, state: str, before: int | None, limit: int) -> list[dict[str, Any]]:
        return self._reader.quarantine.listed(chosen, state=state, before=before, limit=limit)

    def quarantine_one(self, number: int) -> dict[str, Any]:
        found = self._reader.quarantine.one(number)
        if found is None:
            raise KeyError(f"there is no message {number} in quarantine; list them for their ids")
        return found

    def quarantine_counts(self) -> dict[str, Any]:
        codes = self._reader.quarantine.counts()
        return {
            "codes": codes,
            "bytes": sum(code["bytes"] for code in codes),
            "bytes_at_most": QUARANTINE_BYTES_AT_MOST,
        }

    def send_again(self, order: SendAgain) -> SentAgain:
        return cast(SentAgain, self.order(order))

    def purge_quarantine(self, older_than_us: int, who: str, why: str) -> Purged:
        return cast(Purged, self.order(Purge(self._clock.wall_us() - older_than_us, who, why)))

    def order(self, order: Order) -> SentAgain | Purged | None:
        """What the pipeline's thread answers to an order. RuntimeError when it cannot be carried out now."""
        request = Request(order=order)
        if not self._inbox.put(request, REQUEST_WAIT_S):
            raise RuntimeError("the inbox is full, or the service is stopping; nothing was done, ask again later")
        with suppress(TimeoutError):
            return request.answer.result(ANSWER_S)
        if request.answer.cancel():
            raise RuntimeError(f"the service is busy for more than {ANSWER_S:g} s; nothing was done, ask again later")
        try:  # it is being carried out
            return request.answer.result(ANSWER_S)
        except TimeoutError:
            raise RuntimeError(
                "the order has been begun and is not done yet: the record may not be writable; see dustcake status"
            ) from None

    def gaps(self, *, missing_only: bool, limit: int) -> list[dict[str, Any]]:
        return self._reader.gaps(missing_only=missing_only, limit=limit)

    def numbering(self) -> list[dict[str, Any]]:
        found = {name: self._evaluator.sequences.numbering(name) for name in sorted(self._evaluator.gateways)}
        return [{"gateway": name, "numbering": said, "missing": missing} for name, (said, missing) in found.items()]

    def health(self) -> Health:
        checks = self._checks()
        return Health(all(text == "ok" for text in checks.values()), checks)

    def liveness(self) -> Liveness:
        return self._liveness()

    def send_test(self, contact: str) -> list[str]:
        owed = self._announcer.test(contact, self._clock.wall_us())
        if not self._inbox.put(Request(owed), REQUEST_WAIT_S):
            raise RuntimeError("the inbox is full, or the service is stopping; send the test again later")
        return [item.key for item in owed]

    def rebuild_history(self) -> str:
        self._rebuild()
        return "the history is being made anew from the journal; evaluation goes on"

    def reload_sources(self, who: str) -> Reloaded:
        return self._reload(who)

    def history_counts(self) -> dict[str, Any]:
        return self._history_counts()

    def explain_alarm(self, alarm_id: str) -> dict[str, Any]:
        return self._explain_alarm(alarm_id)

    def explain_instant(self, collector: str, point: str, limit: str, at_us: int) -> dict[str, Any]:
        return self._explain_instant(collector, point, limit, at_us)

    # ------------------------------------------------------------ one thing at a time

    def _collector(self, name: str, now_us: int, loud: set[str], mute: set[str]) -> CollectorView:
        spec, place = self._evaluator.board.specs[name], self._places[name]
        state = self._evaluator.board.state(name)
        points = [self._point(spec, point, state, now_us) for point in spec.points]
        is_pending = any(limit.state == "pending" for point in points for limit in point.limits)
        quiet = "pending" if is_pending else "quiet"
        numbering = [self._evaluator.sequences.numbering(gateway) for gateway in self._gateways_of.get(name, ())]
        need = "alarm" if name in loud else "no data" if name in mute else quiet
        return CollectorView(
            id=name,
            name=place.name,
            site=place.site,
            area=place.area,
            kind=place.kind,
            time_zone=place.time_zone,
            running=state.timeline.state_at(now_us).value if spec.running else "always",
            gateway=place.gateway,
            gateway_link=self._link(place.gateway, points),
            need=need,
            points=points,
            is_numbered=all(said != "not numbered" for said, _ in numbering),
            gateway_missing=sum(missing for _, missing in numbering),
        )

    def _link(self, gateway: str, points: list[PointView]) -> str:
        held = self._evaluator.gateways.get(gateway, Silence())  # it may bring no point
        if held.is_active:
            return "silent"
        if held.offline_us is not None:
            return "offline"
        return "online" if any(point.last_at for point in points) else "never"

    def _point(self, spec: CollectorSpec, point: PointSpec, state: CollectorState, now_us: int) -> PointView:
        label, held = self._labels[spec.name, point.name], state.points[point.name]
        is_known = held.last_us is not None and held.good and now_us < held.known_until_us(point.hold_us)
        why_not = held_reason(spec, state, point, now_us)
        shown = label.shown(held.value) if held.last_us is not None and held.good else None
        return PointView(
            name=point.name,
            quantity=label.quantity,
            unit=label.unit,
            value=shown if is_known else None,
            last_value=shown,
            last_at=None if held.last_us is None else as_datetime(held.last_us),
            age_s=None if held.last_us is None else (now_us - held.last_us) / 1e6,
            health="never" if held.last_us is None else "bad" if not held.good else "good" if is_known else "stale",
            limits=[_limit(limit, track, label, why_not) for track, limit in held.judged(point)],
        )

    def _alarm(self, row: dict[str, Any]) -> AlarmView:
        evidence, label = row["evidence"], self._labels.get((row["collector"], row["point"]))
        shown = label.shown if label is not None and "threshold" in evidence else None
        return AlarmView(
            id=row["id"],
            collector=row["collector"],
            point=row["point"],
            quantity=label.quantity if label else "",
            limit=row["tier"],
            priority=row["priority"],
            unit=label.unit if label else "",
            state=self._alarm_state(row),
            began_at=as_datetime(row["began_us"]),
            raised_at=as_datetime(row["raised_us"]),
            cleared_at=None if row["cleared_us"] is None else as_datetime(row["cleared_us"]),
            recorded_at=as_datetime(row["recorded_us"]),
            threshold=shown(evidence["threshold"]) if shown else None,
            extreme=shown(evidence["extreme"]) if shown else None,
            on_delay_s=evidence["on_delay_us"] / 1e6 if shown else None,
            counted_s=evidence["evaluated_us"] / 1e6 if shown else None,
            stopped_s=evidence.get("stopped_us", 0) / 1e6,
            unknown_s=evidence.get("unknown_us", 0) / 1e6,
            readings=evidence.get("readings", 0),
            reason=row["reason"],
            told=[told | {"at": as_datetime(told["at_us"]).isoformat()} for told in row["told"]],
        )

    def _alarm_state(self, row: dict[str, Any]) -> str:
        """An active alarm is held (suppressed by design) while its point is not armed or its value unknown."""
        spec = self._evaluator.board.specs.get(row["collector"])
        point = next((item for item in spec.points if item.name == row["point"]), None) if spec else None
        if row["state"] != "active" or spec is None or point is None:
            return str(row["state"])
        with self._evaluator.lock:
            state = self._evaluator.board.state(spec.name)
            return "held" if held_reason(spec, state, point, self._clock.plant_us()) else "active"


def _limit(limit: Limit, track: Track, label: Label, why_not: str) -> LimitView:
    if track.is_active:
        state = "held" if why_not else "active"
    elif track.is_pending:
        state = "pending"
    else:
        state = "unknown" if why_not == "value unknown" else "normal"
    return LimitView(
        limit=limit.tier.value,
        threshold=label.shown(limit.threshold),
        on_delay_s=limit.on_delay_us / 1e6,
        state=state,
        counted_s=track.counted_us / 1e6 if track.is_pending else 0.0,
        began_at=as_datetime(track.began_us) if track.is_open else None,
    )

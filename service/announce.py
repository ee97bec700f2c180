"""From what was decided to what is recorded and told: alarm changes, and the notifications they owe.

Owns which alarms are active (so that people hear of the outer limit of a side, once); it is made again
from the ledger's active alarms. Values leave here in the unit that people use for the point.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass

from rules import silence
from rules.silence import SilenceChange, SilenceEvent
from rules.types import MINUTE_US, AlarmEvent, Change
from service.evaluate.evaluator import Judged
from service.model import AlarmChange, Owed, Told
from service.notify import grouping, routes
from service.notify.routes import Contact, Recipient

STORED_AFTER_US = 10 * MINUTE_US  # decided so long after it happened: it was found in stored data
SILENCE_PRIORITY = "medium"


@dataclass(frozen=True, slots=True)
class Label:
    """How people speak of a point. `shown` turns a canonical value into the unit named."""

    collector_name: str
    site_name: str
    time_zone: str
    quantity: str
    unit: str
    shown: Callable[[float], float]


class Announcer:
    """Implements `service.pipeline.Announcer`."""

    def __init__(
        self,
        labels: Mapping[tuple[str, str], Label],
        gateway_collectors: Mapping[str, Sequence[str]],
        contacts: Sequence[Contact],
        active: Iterable[tuple[str, str, str, str]],
    ) -> None:
        self._labels, self._gateway_collectors, self._contacts = labels, gateway_collectors, contacts
        self._active: dict[tuple[str, str], dict[str, str]] = {}
        for collector, point, tier, priority in active:
            self._active.setdefault((collector, point), {})[tier] = priority

    def announce(self, judged: Judged, plant_us: int) -> tuple[tuple[AlarmChange, ...], tuple[Owed, ...]]:
        """The changes in speaking order, and a notification per step and address."""
        changes: list[AlarmChange] = []
        owed: list[Owed] = []
        for event in routes.in_speaking_order(judged.events):
            changes.append(_change(event))
            owed += self._owed(event, plant_us)
            self._note(event)
        for silent in judged.silences:
            changes.append(self._silence_change(silent))
            owed += self._silence_owed(silent, plant_us)
        return tuple(changes), tuple(owed)

    def test(self, contact: str, wall_us: int) -> tuple[Owed, ...]:
        """A test notification on every channel of a contact; KeyError when there is no such contact."""
        found = next((item for item in self._contacts if item.id == contact), None)
        if found is None:
            raise KeyError(contact)
        told = Told(
            alarm_id=f"test-{wall_us}",
            step="test",
            collector="",
            collector_name="",
            site_name="",
            time_zone="UTC",
            point="",
            quantity="",
            limit="",
            priority="low",
            unit="",
            at_us=wall_us,
            recorded_us=wall_us,
            note="Test of the notification path. Nothing is wrong.",
        )
        return tuple(_owed(Recipient(contact, channel, address), told) for channel, address in found.via)

    def _owed(self, event: AlarmEvent, plant_us: int) -> list[Owed]:
        active = self._active.get((event.collector, event.point), {})
        label = self._labels.get((event.collector, event.point))
        if label is None:  # the collector was taken out of the plant file: on record, nobody to tell
            return []
        notices = routes.notices(self._contacts, event, active)
        return [_owed(to, _told(event, step, label, plant_us)) for to, step in notices]

    def _note(self, event: AlarmEvent) -> None:
        active = self._active.setdefault((event.collector, event.point), {})
        if event.change is Change.RAISED:
            active[event.tier.value] = event.priority
        else:
            active.pop(event.tier.value, None)
        if not active:
            del self._active[event.collector, event.point]

    def _silence_change(self, event: SilenceEvent) -> AlarmChange:
        return AlarmChange(
            alarm_id=event.alarm_id,
            collector=next(iter(self._gateway_collectors.get(event.gateway, ())), ""),
            point="",
            tier=silence.LIMIT,
            priority=SILENCE_PRIORITY,
            change=event.change.value,
            at_us=event.at_us,
            began_us=event.began_us,
            raised_us=event.raised_us,
            evidence={"gateway": event.gateway, "points": list(event.points)},
            reason=event.reason,
        )

    def _silence_owed(self, event: SilenceEvent, plant_us: int) -> list[Owed]:
        collectors = self._gateway_collectors.get(event.gateway, ())
        if not collectors:
            return []
        collector = collectors[0]
        label = next(label for (name, _), label in self._labels.items() if name == collector)
        raised = event.change is SilenceChange.RAISED
        told = Told(
            alarm_id=event.alarm_id,
            step="no-data" if raised else "data-back",
            collector=collector,
            collector_name=label.collector_name,
            site_name=label.site_name,
            time_zone=label.time_zone,
            point="",
            quantity="",
            limit=silence.LIMIT,
            priority=SILENCE_PRIORITY,
            unit="",
            at_us=event.at_us,
            recorded_us=plant_us,
            began_us=event.began_us,
            from_stored_data=not raised and plant_us - event.at_us > STORED_AFTER_US,
            note=f"Gateway {event.gateway}: {event.reason}"
            + (f"; points: {', '.join(event.points)}" if event.points else ""),
        )
        hearing = [
            to for name in collectors for to in routes.recipients(self._contacts, name, silence.LIMIT, SILENCE_PRIORITY)
        ]
        return [_owed(to, told) for to in dict.fromkeys(hearing)]


def _change(event: AlarmEvent) -> AlarmChange:
    evidence = event.evidence
    assert evidence.raised_us is not None
    return AlarmChange(
        alarm_id=event.alarm_id,
        collector=event.collector,
        point=event.point,
        tier=event.tier.value,
        priority=event.priority,
        change=event.change.value,
        at_us=event.at_us,
        began_us=evidence.began_us,
        raised_us=evidence.raised_us,
        evidence=asdict(evidence),
        reason=event.reason,
    )


def _told(event: AlarmEvent, step: str, label: Label, plant_us: int) -> Told:
    evidence = event.evidence
    return Told(
        alarm_id=event.alarm_id,
        step=step,
        collector=event.collector,
        collector_name=label.collector_name,
        site_name=label.site_name,
        time_zone=label.time_zone,
        point=event.point,
        quantity=label.quantity,
        limit=event.tier.value,
        priority=event.priority,
        unit=label.unit,
        at_us=event.at_us,
        recorded_us=plant_us,
        began_us=evidence.began_us,
        threshold=label.shown(evidence.threshold),
        on_delay_us=evidence.on_delay_us,
        extreme=label.shown(evidence.extreme),
        extreme_at_us=evidence.extreme_at_us,
        stopped_us=evidence.stopped_us,
        unknown_us=evidence.unknown_us,
        readings=evidence.readings,
        from_stored_data=plant_us - event.at_us > STORED_AFTER_US,
        note=event.reason,
    )


def _owed(to: Recipient, told: Told) -> Owed:
    return Owed(
        routes.key_for(told.alarm_id, told.step, to),
        to.channel,
        to.contact,
        to.address,
        told,
        held_in=grouping.lane(told.collector, to) if grouping.is_held(told) else "",
    )

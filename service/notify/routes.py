"""Who is told of an alarm event, and which step they are told. Pure: tables and their readers.

Owns the rule that people hear of the outer limit of a side: what the inner one does meanwhile is on
record but is not annunciated. It must never hide an alarm from someone who hears only the inner limit,
which is why `notices` judges the step from what each contact can hear.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from typing import NamedTuple

from rules.types import AlarmEvent, Change, Tier


@dataclass(frozen=True, slots=True)
class Contact:
    """One contact of the plant file. An empty `limits` or `priorities` means all of them."""

    id: str
    name: str
    via: tuple[tuple[str, str], ...]  # (channel, address); the address is "" where the channel has its own
    collectors: tuple[str, ...] = ("*",)  # shell patterns on the collector's id
    limits: tuple[str, ...] = ()
    priorities: tuple[str, ...] = ()

    def hears(self, collector: str, limit: str, priority: str) -> bool:
        """Whether this contact is told of that limit of that collector."""
        return (
            any(fnmatchcase(collector, pattern) for pattern in self.collectors)
            and (not self.limits or limit in self.limits)
            and (not self.priorities or priority in self.priorities)
        )


class Recipient(NamedTuple):
    """One address on one channel, and the id of the contact that it belongs to."""

    contact: str
    channel: str
    address: str


def recipients(contacts: Iterable[Contact], collector: str, limit: str, priority: str) -> list[Recipient]:
    """Every address to tell, in the order of the contacts; an address that two contacts share comes once."""
    hearing = [contact for contact in contacts if contact.hears(collector, limit, priority)]
    return [recipient for recipient, _ in _addresses(hearing)]


@dataclass(frozen=True, slots=True)
class Case:
    """One row of the table below: what happened to which limit, and whether the other of its side is active."""

    change: Change
    outer: bool  # the event's limit is the outer one of its side
    other_active: bool  # the other limit of the same side is active


# The least noise that hides nothing.
STEPS: Mapping[Case, str | None] = {
    Case(Change.RAISED, outer=False, other_active=False): "raised",
    Case(Change.RAISED, outer=False, other_active=True): None,  # people already know of worse
    Case(Change.RAISED, outer=True, other_active=False): "raised",
    Case(Change.RAISED, outer=True, other_active=True): "escalated",
    Case(Change.CLEARED, outer=False, other_active=False): "cleared",
    Case(Change.CLEARED, outer=False, other_active=True): None,  # "cleared" would read as if all were well
    Case(Change.CLEARED, outer=True, other_active=False): "cleared",
    # One message that ends the outer alarm and says that the inner one stays: without it those who were
    # told of the outer limit would never hear that it ended, and with "cleared" they would think all is well.
    Case(Change.CLEARED, outer=True, other_active=True): "eased",
    Case(Change.CLOSED, outer=False, other_active=False): "closed",
    Case(Change.CLOSED, outer=False, other_active=True): None,  # the outer alarm still speaks for this side
    Case(Change.CLOSED, outer=True, other_active=False): "closed",
    Case(Change.CLOSED, outer=True, other_active=True): "closed",  # not "eased": the value did not come back
}

OTHER_OF_SIDE: Mapping[Tier, Tier] = {
    Tier.LOW_LOW: Tier.LOW,
    Tier.LOW: Tier.LOW_LOW,
    Tier.HIGH: Tier.HIGH_HIGH,
    Tier.HIGH_HIGH: Tier.HIGH,
}


def step_for(event: AlarmEvent, active_limits: Collection[str]) -> str | None:
    """The step that is told of this event, or None when nothing is said.

    `active_limits` are the limits of the same point that are active at the event; its own is not looked at.
    """
    other = OTHER_OF_SIDE[event.tier]
    return STEPS[Case(event.change, event.tier.is_outer, other in active_limits)]


def notices(contacts: Iterable[Contact], event: AlarmEvent, active: Mapping[str, str]) -> list[tuple[Recipient, str]]:
    """Every address to tell with its step; `active` is limit -> priority of the point's active alarms.

    The step is judged for each contact from the limits that this contact hears, so an active outer limit
    does not silence the inner one for somebody who is never told of the outer.
    """
    speaking = []
    steps: dict[str, str] = {}
    for contact in contacts:
        if not contact.hears(event.collector, event.tier, event.priority):
            continue
        audible = [limit for limit, priority in active.items() if contact.hears(event.collector, limit, priority)]
        step = step_for(event, audible)
        if step is not None:
            speaking.append(contact)
            steps[contact.id] = step
    return [(recipient, steps[contact.id]) for recipient, contact in _addresses(speaking)]


def in_speaking_order(events: Iterable[AlarmEvent]) -> list[AlarmEvent]:
    """By time; at one instant outer limits are raised first and inner ones end first, so that one is told."""

    def order(event: AlarmEvent) -> tuple[int, bool, bool]:
        raised = event.change is Change.RAISED
        return event.at_us, raised, event.tier.is_outer is not raised

    return sorted(events, key=order)


def key_for(alarm_id: str, step: str, recipient: Recipient) -> str:
    """The outbox key: the same alarm, step and address always give the same text."""
    return "|".join((alarm_id, step, *recipient))


def _addresses(contacts: Sequence[Contact]) -> list[tuple[Recipient, Contact]]:
    """Each (channel, address) once, with the first contact that has it."""
    first: dict[tuple[str, str], tuple[Recipient, Contact]] = {}
    for contact in contacts:
        for channel, address in contact.via:
            first.setdefault((channel, address), (Recipient(contact.id, channel, address), contact))
    return list(first.values())

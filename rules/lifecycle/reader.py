"""The reader of the tables: what an event makes of a record, and whether people are told.

It owns every change of a record, and decides nothing that the tables do not say. It reads no clock.
"""

from __future__ import annotations

from dataclasses import replace

from rules.lifecycle.record import AlarmRecord, Audit, Event, Outcome, Policy, Shelf, Signed
from rules.lifecycle.tables import (
    COLUMNS,
    COMMANDS,
    OWN,
    PRECEDENCE,
    REVEALED,
    SHELF,
    SHELF_COLUMNS,
    SWITCHES,
    Kind,
    No,
    Shelving,
    State,
)


def apply(record: AlarmRecord, event: Event, policy: Policy) -> Outcome:
    """The defined result of any event in any state: a new record, or the same one and a refusal.

    Event instants are not compared with one another, because readings may come long after a command;
    only the expiry of a shelf is. A clear is worth telling when `annunciated` was true before it.
    """
    after = _unsigned(event) or _next(record, event, policy)
    if isinstance(after, No):
        refusal = _because(after, event, policy)
        return Outcome(record, _audit(record, event, record, refusal), refused=after)
    was_hidden = suppressed_or_shelved(record)
    is_hidden = suppressed_or_shelved(after)
    if was_hidden and not is_hidden:
        after = replace(after, own=REVEALED[after.own])
    is_new = was_hidden or event.kind in (Kind.RAISE, Kind.RE_ALARM)
    tells = is_new and not is_hidden and after.own in (State.UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED)
    if tells:
        after = replace(after, told_us=event.at_us)
    return Outcome(after, _audit(record, event, after, ""), tells=tells)


def expire(record: AlarmRecord, now_us: int, policy: Policy) -> tuple[Event, ...]:
    """The event that the passing of time owes at `now_us`: the shelf's expiry, a re-alarm, or none.

    A shelf that begins in the future was set by a clock that has been put back since. It counts as
    expired, because it could last without bound otherwise; so does the time to the next re-alarm.
    """
    if record.shelf is not None and _is_over(record.shelf, now_us):
        return (Event(Kind.SHELF_EXPIRED, now_us),)
    return (Event(Kind.RE_ALARM, now_us),) if _is_to_re_alarm(record, now_us, policy) else ()


def shown(record: AlarmRecord) -> State:
    """The one state to display: the first switch of PRECEDENCE that is set, or the alarm's own state."""
    return next((state for state in PRECEDENCE if _is_set(record, state)), record.own)


def suppressed_or_shelved(record: AlarmRecord) -> bool:
    """Whether any switch hides the alarm (the flag SuppressedOrShelved of OPC 10000-9 5.8.2)."""
    return shown(record) in PRECEDENCE


def annunciated(record: AlarmRecord) -> bool:
    """Whether people are told of the alarm: it is not normal, and nothing hides it."""
    return shown(record) not in (*PRECEDENCE, State.NORMAL)


def _unsigned(event: Event) -> No | None:
    if event.kind not in COMMANDS:
        return None
    if not event.who.strip():
        return No.NOBODY
    return No.NO_REASON if COMMANDS[event.kind] and not event.why.strip() else None


def _next(record: AlarmRecord, event: Event, policy: Policy) -> AlarmRecord | No:
    if event.kind in SWITCHES:
        return _switch(record, event)
    if event.kind in SHELF_COLUMNS and event.kind is not Kind.CLEAR:
        return _shelve(record, event, policy)
    return _move(record, event.kind, policy)


def _move(record: AlarmRecord, kind: Kind, policy: Policy) -> AlarmRecord | No:
    column = str(kind)
    if kind in (Kind.RAISE, Kind.RE_ALARM) and suppressed_or_shelved(record):
        column += ", hidden"
    if kind is Kind.CLEAR and policy.latching:
        column += ", latching"
    own = OWN[record.own][COLUMNS.index(column)]
    if isinstance(own, No):
        return own
    after = replace(record, own=own)
    if kind is Kind.RE_ALARM:
        return replace(after, re_alarms=record.re_alarms + 1)
    if kind is Kind.CLEAR and _shelf_cell(record, kind) is Shelving.UNSHELVED:
        after = replace(after, shelf=None)
    return replace(after, re_alarms=0) if kind in (Kind.RAISE, Kind.CLEAR) else after


def _shelve(record: AlarmRecord, event: Event, policy: Policy) -> AlarmRecord | No:
    target = _shelf_cell(record, event.kind)
    if isinstance(target, No):
        return target
    if target is Shelving.UNSHELVED:
        if event.kind is Kind.SHELF_EXPIRED and record.shelf and not _is_over(record.shelf, event.at_us):
            return No.NOT_OVER
        return replace(record, shelf=None)
    for_us = event.for_us
    if for_us is None:
        if target is Shelving.TIMED:
            return No.NO_TIME
        for_us = policy.max_shelve_us
    if not 0 < for_us <= policy.max_shelve_us:
        return No.TIME_OUT_OF_RANGE
    is_one_shot = target is Shelving.ONE_SHOT
    until_us = event.at_us + for_us
    return replace(record, shelf=Shelf(is_one_shot, event.at_us, until_us, event.who, event.why))


def _switch(record: AlarmRecord, event: Event) -> AlarmRecord | No:
    switch, is_to_be_set, refusal = SWITCHES[event.kind]
    if _is_set(record, switch) is is_to_be_set:
        return refusal
    signed = Signed(event.at_us, event.who, event.why) if is_to_be_set else None
    if switch is State.SUPPRESSED:
        return replace(record, suppressed=signed)
    return replace(record, out_of_service=signed)


def _shelf_cell(record: AlarmRecord, kind: Kind) -> Shelving | No:
    return SHELF[record.shelving][SHELF_COLUMNS.index(kind)]


def _is_set(record: AlarmRecord, switch: State) -> bool:
    switches = {
        State.OUT_OF_SERVICE: record.out_of_service,
        State.SUPPRESSED: record.suppressed,
        State.SHELVED: record.shelf,
    }
    return switches[switch] is not None


def _is_over(shelf: Shelf, at_us: int) -> bool:
    return _is_outside(at_us, shelf.from_us, shelf.until_us)


def _is_outside(at_us: int, from_us: int, until_us: int) -> bool:
    """Before the beginning counts as well as after the end: the clock was put back."""
    return not from_us <= at_us < until_us


def _is_to_re_alarm(record: AlarmRecord, now_us: int, policy: Policy) -> bool:
    if policy.re_alarm_us is None or record.told_us is None or not record.is_active or suppressed_or_shelved(record):
        return False
    if policy.re_alarms_at_most is not None and record.re_alarms >= policy.re_alarms_at_most:
        return False
    return _is_outside(now_us, record.told_us, record.told_us + policy.re_alarm_us)


def _because(refusal: No, event: Event, policy: Policy) -> str:
    if refusal is No.TIME_OUT_OF_RANGE:
        longest_us = policy.max_shelve_us
        return f"{refusal}: asked for {event.for_us} us, expected more than 0 and at most {longest_us} us"
    return str(refusal)


def _audit(before: AlarmRecord, event: Event, after: AlarmRecord, refused: str) -> Audit:
    until_us = after.shelf.until_us if after.shelf else None
    states = shown(before), shown(after)
    return Audit(event.kind, event.at_us, event.who, event.why, *states, until_us, refused)

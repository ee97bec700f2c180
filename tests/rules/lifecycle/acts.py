"""Short ways to say what happens to an alarm, shared by the lifecycle's tests."""

from __future__ import annotations

from rules.lifecycle import AlarmRecord, Event, Kind, Outcome, Policy, Shelf, Signed, State, apply
from rules.types import HOUR_US

AT_US = 1_000_000_000_000
PLAIN = Policy(max_shelve_us=8 * HOUR_US)
LATCHING = Policy(latching=True, max_shelve_us=8 * HOUR_US)
OWN_STATES = [state for state in State if state not in (State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE)]

TIMED = Shelf(is_one_shot=False, from_us=AT_US - HOUR_US, until_us=AT_US, who="ada", why="chatters")
ONE_SHOT = Shelf(is_one_shot=True, from_us=AT_US - HOUR_US, until_us=AT_US, who="ada", why="line is down")
SIGNED = Signed(at_us=AT_US - HOUR_US, who="fan off", why="")


def event(kind: Kind, at_us: int = AT_US, *, for_us: int | None = None) -> Event:
    """A complete event: signed, with a reason, and with an hour where a shelf needs a time."""
    if for_us is None and kind is Kind.SHELVE:
        for_us = HOUR_US
    return Event(kind, at_us, who="ada", why="filter change", for_us=for_us)


def act(record: AlarmRecord, kind: Kind, policy: Policy = PLAIN, *, at_us: int = AT_US) -> Outcome:
    return apply(record, event(kind, at_us), policy)


def after(*kinds: Kind, policy: Policy = PLAIN, start: AlarmRecord | None = None) -> AlarmRecord:
    """The record after these events, each of which must be accepted."""
    record = start or AlarmRecord()
    for kind in kinds:
        outcome = act(record, kind, policy)
        assert outcome.refused is None, (kind, outcome.refused)
        record = outcome.record
    return record

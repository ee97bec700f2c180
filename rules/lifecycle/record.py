"""What is kept of an alarm's operator side, what happens to it, what goes on record, and its plain form.

It changes nothing: `reader` owns every change of a record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from rules.lifecycle.tables import OWN, Kind, No, Shelving, State
from rules.types import HOUR_US

VERSION = 1


@dataclass(frozen=True, slots=True)
class Signed:
    """Who set a switch, when and why."""

    at_us: int
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class Shelf:
    """A shelf always has an end: shelving is for a time, also when it is until the alarm next clears."""

    is_one_shot: bool
    from_us: int
    until_us: int
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class AlarmRecord:
    """The operator's side of one limit's alarm.

    `re_alarms` counts since it was last raised, `told_us` is when people had to be told last (OPC B.1.5).
    """

    own: State = State.NORMAL
    shelf: Shelf | None = None
    suppressed: Signed | None = None
    out_of_service: Signed | None = None
    re_alarms: int = 0
    told_us: int | None = None

    @property
    def is_active(self) -> bool:
        """The process condition, also while hidden."""
        return self.own in (State.UNACKNOWLEDGED, State.ACKNOWLEDGED)

    @property
    def is_owed(self) -> bool:
        """People were told, and nobody has acknowledged."""
        owed = State.UNACKNOWLEDGED, State.RETURNED_UNACKNOWLEDGED, State.LATCHED_UNACKNOWLEDGED
        return self.own in owed

    @property
    def is_latched(self) -> bool:
        """No longer active, and kept until it is reset."""
        return self.own in (State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED)

    @property
    def shelving(self) -> Shelving:
        if self.shelf is None:
            return Shelving.UNSHELVED
        return Shelving.ONE_SHOT if self.shelf.is_one_shot else Shelving.TIMED


@dataclass(frozen=True, slots=True)
class Policy:
    """What the site decides for a limit. Eight hours, one shift, is common practice, no source.

    `re_alarm_us` is how long after people were told an alarm that is still active alarms again, as if it
    had just begun; None, or after `re_alarms_at_most` times, never.
    """

    latching: bool = False
    max_shelve_us: int = 8 * HOUR_US
    re_alarm_us: int | None = None
    re_alarms_at_most: int | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened, at the time of the clock on the wall at which it came to be known.

    `for_us` is the shelving time; None shelves once for the longest time.
    """

    kind: Kind
    at_us: int
    who: str = ""
    why: str = ""
    for_us: int | None = None


@dataclass(frozen=True, slots=True)
class Audit:
    """What goes on record about an event, taken or refused: who, when, why, and what it did."""

    kind: Kind
    at_us: int
    who: str
    why: str
    before: State
    after: State
    until_us: int | None  # of the shelf, when there is one afterwards
    refused: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """The record after an event. `tells` means that people have to be told of the alarm anew."""

    record: AlarmRecord
    audit: Audit
    tells: bool = False
    refused: No | None = None


def to_plain(record: AlarmRecord) -> dict[str, Any]:
    """The record as JSON-ready data, with a version; `from_plain` gives an equal record."""
    return {"version": VERSION, **asdict(record), "own": record.own.value}


def from_plain(plain: Mapping[str, Any]) -> AlarmRecord:
    """The record that `to_plain` wrote. ValueError for another version, or for what is no record.

    Who gets that error starts from `AlarmRecord()` and raises what is active: unshelved, as OPC
    10000-9 5.8.17.1 asks where the state of the shelf cannot be determined after a restart.
    """
    if plain.get("version") != VERSION:
        raise ValueError(
            f"alarm record: version {plain.get('version')!r}, expected {VERSION}; start the release that "
            "wrote it, or begin with a new record and raise what is active"
        )
    try:
        return _record(plain)
    except (KeyError, TypeError, ValueError) as error:
        raise ValueError(
            f"alarm record: {plain!r} is not what version {VERSION} writes ({error!r}); restore it from a "
            "backup, or begin with a new record and raise what is active"
        ) from error


def _record(plain: Mapping[str, Any]) -> AlarmRecord:
    own = State(plain["own"])
    if own not in OWN:
        raise ValueError(f"own: {own.value!r}, expected one of {[state.value for state in OWN]}")
    shelf, suppressed, out_of_service = plain["shelf"], plain["suppressed"], plain["out_of_service"]
    return AlarmRecord(
        own=own,
        shelf=None if shelf is None else _shelf(**shelf),
        suppressed=None if suppressed is None else Signed(**suppressed),
        out_of_service=None if out_of_service is None else Signed(**out_of_service),
        re_alarms=int(plain["re_alarms"]),
        told_us=None if plain["told_us"] is None else int(plain["told_us"]),
    )


def _shelf(*, from_us: object, until_us: object, **rest: Any) -> Shelf:
    if not (isinstance(from_us, int) and isinstance(until_us, int)):
        raise ValueError(f"shelf: from {from_us!r} until {until_us!r}, expected two instants")
    return Shelf(from_us=from_us, until_us=until_us, **rest)

"""The words and the tables of the lifecycle: data only. `reader` reads them, `printed` prints them."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum


class State(StrEnum):
    """What an alarm is shown as. The first six are also the alarm's own states."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class Shelving(StrEnum):
    """The three states of the shelf (OPC 10000-9 5.8.17)."""

    UNSHELVED = "unshelved"
    TIMED = "timed"
    ONE_SHOT = "one-shot"


class Kind(StrEnum):
    """What can happen to an alarm."""

    RAISE = "raise"
    CLEAR = "clear"  # also when its limit is closed: the condition is no longer watched
    RE_ALARM = "re-alarm"  # still active a given time after people were told
    SHELF_EXPIRED = "shelf expired"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve for a time"
    SHELVE_ONCE = "shelve until it next clears"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    REMOVE_FROM_SERVICE = "remove from service"
    RETURN_TO_SERVICE = "return to service"


class No(StrEnum):
    """Why an event is refused. The state is then left as it was."""

    IS_ACTIVE = "it is active"
    NOT_ACTIVE = "it is not active"
    NOTHING_OWED = "no acknowledgement is owed"
    OWED = "it is not acknowledged yet"
    NOT_LATCHED = "no latch holds it"
    HIDDEN = "it is hidden, nobody would be told"
    SHELVED = "it is shelved in this way already; unshelve it first"
    NOT_SHELVED = "it is not shelved"
    NOT_OVER = "its shelf has not expired"
    NO_TIME = "it must say for how long"
    TIME_OUT_OF_RANGE = "the shelving time is out of range"
    SUPPRESSED = "it is suppressed already"
    NOT_SUPPRESSED = "it is not suppressed"
    OUT_OF_SERVICE = "it is out of service already"
    IN_SERVICE = "it is in service"
    NOBODY = "it must say who"
    NO_REASON = "it must say why"


_N, _U, _A = State.NORMAL, State.UNACKNOWLEDGED, State.ACKNOWLEDGED
_R = State.RETURNED_UNACKNOWLEDGED
_LU, _LA = State.LATCHED_UNACKNOWLEDGED, State.LATCHED_ACKNOWLEDGED
_ON, _OFF, _HIDDEN, _LOOSE = No.IS_ACTIVE, No.NOT_ACTIVE, No.HIDDEN, No.NOT_LATCHED
_NONE, _OWED = No.NOTHING_OWED, No.OWED

# The columns of OWN. "hidden" is the column of an alarm that any switch hides; "latching" that of a
# limit whose alarms latch.
COLUMNS = (
    "raise", "raise, hidden", "clear", "clear, latching",
    "acknowledge", "re-alarm", "re-alarm, hidden", "reset",
)  # fmt: skip
OWN: Mapping[State, tuple[State | No, ...]] = {
    #     raise  hidden clear  latch  ackn.  re-al. hidden   reset
    _N:  (_U,    _A,    _OFF,  _OFF,  _NONE, _OFF,  _OFF,    _LOOSE),
    _U:  (_ON,   _ON,   _R,    _LU,   _A,    _U,    _HIDDEN, _ON),
    _A:  (_ON,   _ON,   _N,    _LA,   _NONE, _U,    _HIDDEN, _ON),
    _R:  (_U,    _U,    _OFF,  _OFF,  _N,    _OFF,  _OFF,    _LOOSE),
    _LU: (_U,    _U,    _OFF,  _OFF,  _LA,   _OFF,  _OFF,    _OWED),
    _LA: (_U,    _A,    _OFF,  _OFF,  _NONE, _OFF,  _OFF,    _N),
}  # fmt: skip
REVEALED: Mapping[State, State] = {_N: _N, _U: _U, _A: _U, _R: _R, _LU: _LU, _LA: _LU}

_FREE, _TIMED, _ONCE = Shelving.UNSHELVED, Shelving.TIMED, Shelving.ONE_SHOT
SHELF_COLUMNS = (Kind.SHELVE, Kind.SHELVE_ONCE, Kind.UNSHELVE, Kind.SHELF_EXPIRED, Kind.CLEAR)
SHELF: Mapping[Shelving, tuple[Shelving | No, ...]] = {
    #        shelve      shelve once unshelve         expired          clear
    _FREE:  (_TIMED,     _ONCE,      No.NOT_SHELVED,  No.NOT_SHELVED,  _FREE),
    _TIMED: (No.SHELVED, _ONCE,      _FREE,           _FREE,           _TIMED),
    _ONCE:  (_TIMED,     No.SHELVED, _FREE,           _FREE,           _FREE),
}  # fmt: skip

# event: the switch, whether it is set or lifted, and the refusal when it is that already
SWITCHES: Mapping[Kind, tuple[State, bool, No]] = {
    Kind.SUPPRESS: (State.SUPPRESSED, True, No.SUPPRESSED),
    Kind.UNSUPPRESS: (State.SUPPRESSED, False, No.NOT_SUPPRESSED),
    Kind.REMOVE_FROM_SERVICE: (State.OUT_OF_SERVICE, True, No.OUT_OF_SERVICE),
    Kind.RETURN_TO_SERVICE: (State.OUT_OF_SERVICE, False, No.IN_SERVICE),
}
PRECEDENCE = (State.OUT_OF_SERVICE, State.SUPPRESSED, State.SHELVED)

# Commands carry who; true where why is mandatory as well. Suppression is the plant's logic: who is the
# name of the rule. The other kinds come from evaluation or the passing of time.
COMMANDS: Mapping[Kind, bool] = {
    Kind.ACKNOWLEDGE: False,
    Kind.RESET: False,
    Kind.SHELVE: True,
    Kind.SHELVE_ONCE: True,
    Kind.UNSHELVE: False,
    Kind.SUPPRESS: False,
    Kind.UNSUPPRESS: False,
    Kind.REMOVE_FROM_SERVICE: True,
    Kind.RETURN_TO_SERVICE: False,
}

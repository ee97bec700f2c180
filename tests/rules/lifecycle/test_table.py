"""Every event has a defined result in every state: the whole table, written out a second time.

Nine states as in ISA-18.2 / IEC 62682 (from memory; the diagram was not at hand), by the kind of shelf.
"""

from __future__ import annotations

from itertools import product

import pytest

from rules.lifecycle import (
    AlarmRecord,
    Event,
    Kind,
    No,
    Policy,
    State,
    annunciated,
    apply,
    shown,
    suppressed_or_shelved,
)
from rules.types import HOUR_US
from tests.rules.lifecycle.acts import (
    AT_US,
    LATCHING,
    ONE_SHOT,
    OWN_STATES,
    PLAIN,
    SIGNED,
    TIMED,
    act,
    event,
)

SHORT = {
    "N": State.NORMAL,
    "U": State.UNACKNOWLEDGED,
    "A": State.ACKNOWLEDGED,
    "R": State.RETURNED_UNACKNOWLEDGED,
    "LU": State.LATCHED_UNACKNOWLEDGED,
    "LA": State.LATCHED_ACKNOWLEDGED,
    "S": State.SHELVED,
    "D": State.SUPPRESSED,
    "O": State.OUT_OF_SERVICE,
}
REFUSALS = {
    "on": No.IS_ACTIVE,
    "off": No.NOT_ACTIVE,
    "none": No.NOTHING_OWED,
    "owed": No.OWED,
    "loose": No.NOT_LATCHED,
    "hid": No.HIDDEN,
    "shel": No.SHELVED,
    "unsh": No.NOT_SHELVED,
    "supp": No.SUPPRESSED,
    "unsu": No.NOT_SUPPRESSED,
    "out": No.OUT_OF_SERVICE,
    "in": No.IN_SERVICE,
}
EVENTS = {
    "raise": Kind.RAISE,
    "clear": Kind.CLEAR,
    "realarm": Kind.RE_ALARM,
    "expired": Kind.SHELF_EXPIRED,
    "ack": Kind.ACKNOWLEDGE,
    "reset": Kind.RESET,
    "shelve": Kind.SHELVE,
    "once": Kind.SHELVE_ONCE,
    "unshelve": Kind.UNSHELVE,
    "suppress": Kind.SUPPRESS,
    "unsupp": Kind.UNSUPPRESS,
    "remove": Kind.REMOVE_FROM_SERVICE,
    "return": Kind.RETURN_TO_SERVICE,
}
HIDES = {
    "S1": {"shelf": TIMED},
    "S2": {"shelf": ONE_SHOT},
    "D": {"suppressed": SIGNED},
    "O": {"out_of_service": SIGNED},
}

# What is shown afterwards; ! when people are told anew; a refusal in lower case.
# U/S1 is unacknowledged beneath a timed shelf, S2 a one-shot shelf, D suppression, O out of service.
NOT_LATCHING = """
state  raise clear realarm expired ack  reset shelve once unshelve suppress unsupp remove return
N      U!    off   off     unsh    none loose S      S    unsh     D        unsu   O      in
U      on    R     U!      unsh    A    on    S      S    unsh     D        unsu   O      in
A      on    N     U!      unsh    none on    S      S    unsh     D        unsu   O      in
R      U!    off   off     unsh    N    loose S      S    unsh     D        unsu   O      in
LU     U!    off   off     unsh    LA   owed  S      S    unsh     D        unsu   O      in
LA     U!    off   off     unsh    none N     S      S    unsh     D        unsu   O      in
N/S1   S     off   off     N       none loose shel   S    N        D        unsu   O      in
U/S1   on    S     hid     U!      S    on    shel   S    U!       D        unsu   O      in
A/S1   on    S     hid     U!      none on    shel   S    U!       D        unsu   O      in
R/S1   S     off   off     R       S    loose shel   S    R        D        unsu   O      in
LU/S1  S     off   off     LU!     S    owed  shel   S    LU!      D        unsu   O      in
LA/S1  S     off   off     LU!     none S     shel   S    LU!      D        unsu   O      in
N/S2   S     off   off     N       none loose S      shel N        D        unsu   O      in
U/S2   on    R     hid     U!      S    on    S      shel U!       D        unsu   O      in
A/S2   on    N     hid     U!      none on    S      shel U!       D        unsu   O      in
R/S2   S     off   off     R       S    loose S      shel R        D        unsu   O      in
LU/S2  S     off   off     LU!     S    owed  S      shel LU!      D        unsu   O      in
LA/S2  S     off   off     LU!     none S     S      shel LU!      D        unsu   O      in
N/D    D     off   off     unsh    none loose D      D    unsh     supp     N      O      in
U/D    on    D     hid     unsh    D    on    D      D    unsh     supp     U!     O      in
A/D    on    D     hid     unsh    none on    D      D    unsh     supp     U!     O      in
R/D    D     off   off     unsh    D    loose D      D    unsh     supp     R      O      in
LU/D   D     off   off     unsh    D    owed  D      D    unsh     supp     LU!    O      in
LA/D   D     off   off     unsh    none D     D      D    unsh     supp     LU!    O      in
N/O    O     off   off     unsh    none loose O      O    unsh     O        unsu   out    N
U/O    on    O     hid     unsh    O    on    O      O    unsh     O        unsu   out    U!
A/O    on    O     hid     unsh    none on    O      O    unsh     O        unsu   out    U!
R/O    O     off   off     unsh    O    loose O      O    unsh     O        unsu   out    R
LU/O   O     off   off     unsh    O    owed  O      O    unsh     O        unsu   out    LU!
LA/O   O     off   off     unsh    none O     O      O    unsh     O        unsu   out    LU!
"""

# Latching changes the clear of an active alarm and nothing else.
LATCHING_CLEARS = {"U": "LU", "A": "LA", "U/S2": "LU!", "A/S2": "LU!"}


def start(name: str) -> AlarmRecord:
    own, _, hide = name.partition("/")
    return AlarmRecord(own=SHORT[own], **HIDES.get(hide, {}))  # type: ignore[arg-type]


def cases(*, latching: bool) -> list[tuple[str, str, str]]:
    head, *lines = (line.split() for line in NOT_LATCHING.strip().splitlines())
    table = {(row[0], name): cell for row in lines for name, cell in zip(head[1:], row[1:], strict=True)}
    if latching:
        table |= {(state, "clear"): cell for state, cell in LATCHING_CLEARS.items()}
    return [(state, name, cell) for (state, name), cell in table.items()]


def check(state: str, name: str, expected: str, policy: Policy) -> None:
    before = start(state)
    outcome = act(before, EVENTS[name], policy)
    if expected in REFUSALS:
        assert outcome.refused is REFUSALS[expected]
        assert (outcome.record, outcome.tells) == (before, False)
        assert outcome.audit.refused.startswith(REFUSALS[expected])
    else:
        assert outcome.refused is None
        assert (shown(outcome.record), outcome.tells) == (SHORT[expected.rstrip("!")], "!" in expected)
        assert (outcome.audit.before, outcome.audit.after) == (shown(before), shown(outcome.record))
        assert outcome.audit.refused == ""


@pytest.mark.parametrize(("state", "name", "expected"), cases(latching=False))
def test_every_event_in_every_state(state: str, name: str, expected: str) -> None:
    check(state, name, expected, PLAIN)


@pytest.mark.parametrize(("state", "name", "expected"), cases(latching=True))
def test_every_event_in_every_state_of_a_latching_alarm(state: str, name: str, expected: str) -> None:
    check(state, name, expected, LATCHING)


def test_the_written_table_has_all_states_and_all_events() -> None:
    states = {state for state, _, _ in cases(latching=False)}
    assert len(states) == 6 * 5
    assert {shown(start(state)) for state in states} == set(State)
    assert {EVENTS[name] for _, name, _ in cases(latching=False)} == set(Kind)


# What moves beneath a hidden alarm: the own state after the event, whichever switch hides it.
BENEATH = """
own  raise clear latching ack  reset
N    A     off   off      none loose
U    on    R     LU       A    on
A    on    N     LA       none on
R    U     off   off      N    loose
LU   U     off   off      LA   owed
LA   A     off   off      none N
"""


def beneath_cases() -> list[tuple[str, Kind, Policy, str]]:
    head, *lines = (line.split() for line in BENEATH.strip().splitlines())
    kinds = {"latching": (Kind.CLEAR, LATCHING)} | {name: (kind, PLAIN) for name, kind in EVENTS.items()}
    return [(row[0], *kinds[name], cell) for row in lines for name, cell in zip(head[1:], row[1:], strict=True)]


@pytest.mark.parametrize(("own", "kind", "policy", "expected"), beneath_cases())
@pytest.mark.parametrize("hide", ["S1", "D", "O"])
def test_a_hidden_alarm_goes_on_being_evaluated(hide: str, own: str, kind: Kind, policy: Policy, expected: str) -> None:
    """OPC 10000-9 4.8: suppressed, shelved and out-of-service alarms stay fully functional."""
    outcome = act(start(f"{own}/{hide}"), kind, policy)
    assert (outcome.record.own, outcome.tells) == (SHORT[own if expected in REFUSALS else expected], False)
    assert outcome.refused is REFUSALS.get(expected)


ALL_RECORDS = [
    AlarmRecord(own, shelf, suppressed, out_of_service)
    for own, shelf, suppressed, out_of_service in product(
        OWN_STATES, (None, TIMED, ONE_SHOT), (None, SIGNED), (None, SIGNED)
    )
]


def shown_by_precedence(record: AlarmRecord) -> State:
    """Out of service before suppressed before shelved before the alarm's own state."""
    if record.out_of_service:
        return State.OUT_OF_SERVICE
    if record.suppressed:
        return State.SUPPRESSED
    return State.SHELVED if record.shelf else record.own


@pytest.mark.parametrize("policy", [PLAIN, LATCHING])
@pytest.mark.parametrize("kind", list(Kind))
def test_switches_overlap_and_each_moves_alone(kind: Kind, policy: Policy) -> None:
    """In all 72 records an event is refused and changes nothing, or it changes at most one switch."""
    for before in ALL_RECORDS:
        outcome = act(before, kind, policy)
        record = outcome.record
        changed = [
            name for name in ("shelf", "suppressed", "out_of_service") if getattr(before, name) != getattr(record, name)
        ]
        assert len(changed) <= 1
        assert (outcome.refused is None) or (record == before)
        assert shown(record) is shown_by_precedence(record)
        assert suppressed_or_shelved(record) is bool(record.shelf or record.suppressed or record.out_of_service)
        assert not (outcome.tells and suppressed_or_shelved(record))


@pytest.mark.parametrize("own", OWN_STATES)
def test_people_are_told_of_all_but_normal_and_hidden_alarms(own: State) -> None:
    assert annunciated(AlarmRecord(own)) is (own is not State.NORMAL)
    for hide in HIDES.values():
        assert not annunciated(AlarmRecord(own, **hide))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("own", "is_active", "is_owed", "is_latched"),
    [
        ("N", False, False, False),
        ("U", True, True, False),
        ("A", True, False, False),
        ("R", False, True, False),
        ("LU", False, True, True),
        ("LA", False, False, True),
    ],
)
def test_an_own_state_says_active_owed_and_latched(own: str, is_active: bool, is_owed: bool, is_latched: bool) -> None:
    record = AlarmRecord(SHORT[own])
    assert (record.is_active, record.is_owed, record.is_latched) == (is_active, is_owed, is_latched)


def test_lifting_one_of_two_switches_reveals_nothing() -> None:
    record = AlarmRecord(State.ACKNOWLEDGED, suppressed=SIGNED, out_of_service=SIGNED)
    outcome = act(record, Kind.RETURN_TO_SERVICE)
    assert (shown(outcome.record), outcome.tells) == (State.SUPPRESSED, False)
    outcome = act(outcome.record, Kind.UNSUPPRESS)
    assert (shown(outcome.record), outcome.tells) == (State.UNACKNOWLEDGED, True)


COMMANDS = [
    Kind.ACKNOWLEDGE,
    Kind.RESET,
    Kind.SHELVE,
    Kind.SHELVE_ONCE,
    Kind.UNSHELVE,
    Kind.SUPPRESS,
    Kind.UNSUPPRESS,
    Kind.REMOVE_FROM_SERVICE,
    Kind.RETURN_TO_SERVICE,
]
NEEDS_A_REASON = [Kind.SHELVE, Kind.SHELVE_ONCE, Kind.REMOVE_FROM_SERVICE]


@pytest.mark.parametrize("kind", COMMANDS)
def test_a_command_that_nobody_signs_is_refused(kind: Kind) -> None:
    for record in ALL_RECORDS:
        outcome = apply(record, Event(kind, AT_US, who=" ", why="because", for_us=HOUR_US), PLAIN)
        assert (outcome.refused, outcome.record) == (No.NOBODY, record)


@pytest.mark.parametrize("kind", COMMANDS)
def test_a_reason_is_mandatory_where_a_person_hides_an_alarm(kind: Kind) -> None:
    for record in ALL_RECORDS:
        refused = apply(record, Event(kind, AT_US, who="ada", why=" ", for_us=HOUR_US), PLAIN).refused
        assert (refused is No.NO_REASON) is (kind in NEEDS_A_REASON)


@pytest.mark.parametrize("kind", [kind for kind in Kind if kind not in COMMANDS])
def test_evaluation_and_time_need_no_signature(kind: Kind) -> None:
    for record in ALL_RECORDS:
        assert apply(record, Event(kind, AT_US), PLAIN).record == act(record, kind).record


def test_what_goes_on_record_says_who_when_why_and_what_it_did() -> None:
    audit = apply(AlarmRecord(), event(Kind.SHELVE, for_us=5), PLAIN).audit
    assert (audit.kind, audit.who, audit.at_us, audit.why) == (Kind.SHELVE, "ada", AT_US, "filter change")
    assert (audit.before, audit.after, audit.until_us) == (State.NORMAL, State.SHELVED, AT_US + 5)


def test_a_switch_keeps_who_set_it_when_and_why() -> None:
    record = act(AlarmRecord(), Kind.REMOVE_FROM_SERVICE).record
    assert record.out_of_service is not None
    assert (record.out_of_service.who, record.out_of_service.why) == ("ada", "filter change")
    assert record.out_of_service.at_us == AT_US

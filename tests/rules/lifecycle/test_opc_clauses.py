"""The clauses of OPC 10000-9 (v1.05) that speak of shelving, latching, re-alarm and restart, one by one."""

from __future__ import annotations

import json
import re
from dataclasses import fields, replace

import pytest

from rules.lifecycle import (
    AlarmRecord,
    Kind,
    No,
    Policy,
    Shelving,
    State,
    annunciated,
    apply,
    expire,
    from_plain,
    shown,
    suppressed_or_shelved,
    to_plain,
)
from rules.types import HOUR_US, MINUTE_US
from tests.rules.lifecycle.acts import AT_US, LATCHING, ONE_SHOT, PLAIN, SIGNED, TIMED, act, after, event

ACTIVE = AlarmRecord(State.UNACKNOWLEDGED)

# ---------------------------------------------------------------- shelving, 5.8.17


@pytest.mark.parametrize(
    ("start", "kind", "end"),
    [
        (None, Kind.SHELVE, Shelving.TIMED),  # UnshelvedToTimedShelved
        (None, Kind.SHELVE_ONCE, Shelving.ONE_SHOT),  # UnshelvedToOneShotShelved
        (TIMED, Kind.UNSHELVE, Shelving.UNSHELVED),  # TimedShelvedToUnshelved
        (TIMED, Kind.SHELVE_ONCE, Shelving.ONE_SHOT),  # TimedShelvedToOneShotShelved
        (ONE_SHOT, Kind.UNSHELVE, Shelving.UNSHELVED),  # OneShotShelvedToUnshelved
        (ONE_SHOT, Kind.SHELVE, Shelving.TIMED),  # OneShotShelvedToTimedShelved
    ],
)
def test_six_transitions_join_the_three_states_of_the_shelf(start: object, kind: Kind, end: Shelving) -> None:
    """OPC 10000-9 5.8.17.1."""
    assert act(AlarmRecord(shelf=start), kind).record.shelving is end  # type: ignore[arg-type]


@pytest.mark.parametrize(("shelf", "kind"), [(TIMED, Kind.SHELVE), (ONE_SHOT, Kind.SHELVE_ONCE)])
def test_a_running_shelf_is_not_prolonged(shelf: object, kind: Kind) -> None:
    """OPC 10000-9 5.8.17.4: already shelved, where the system does not allow a reset of the timer."""
    outcome = act(AlarmRecord(shelf=shelf), kind)  # type: ignore[arg-type]
    assert (outcome.refused, outcome.record.shelf) == (No.SHELVED, shelf)


@pytest.mark.parametrize("kind", [Kind.SHELVE, Kind.SHELVE_ONCE])
def test_an_alarm_that_is_not_active_can_be_shelved(kind: Kind) -> None:
    """OPC 10000-9 5.8.17.4, 5.8.17.6."""
    assert shown(act(AlarmRecord(), kind).record) is State.SHELVED


def test_a_one_shot_shelf_ends_when_the_alarm_goes_inactive() -> None:
    """OPC 10000-9 5.8.17.1."""
    record = after(Kind.RAISE, Kind.ACKNOWLEDGE, Kind.SHELVE_ONCE, Kind.CLEAR)
    assert (shown(record), record.shelf) == (State.NORMAL, None)


def test_a_one_shot_shelf_of_a_normal_alarm_covers_its_next_activation() -> None:
    """OPC 10000-9 5.8.17.1: for the current active state or, if not active, the next one."""
    shelved = after(Kind.SHELVE_ONCE)
    raised = act(shelved, Kind.RAISE)
    assert (shown(raised.record), raised.record.is_active, raised.tells) == (State.SHELVED, True, False)
    assert shown(act(raised.record, Kind.CLEAR).record) is State.NORMAL


def test_a_timed_shelf_outlasts_any_number_of_activations() -> None:
    """OPC 10000-9 5.8.17.1, 5.8.17.4."""
    record = after(Kind.SHELVE)
    for _ in range(3):
        record = after(Kind.RAISE, Kind.CLEAR, start=record)
        assert record.shelving is Shelving.TIMED


@pytest.mark.parametrize("kind", [Kind.SHELVE, Kind.SHELVE_ONCE])
def test_a_shelf_expires_at_its_instant_whatever_the_condition(kind: Kind) -> None:
    """OPC 10000-9 5.8.17.1 for the timed shelf; 5.8.2 for the one-shot, which MaxTimeShelved bounds too."""
    record = apply(ACTIVE, event(kind, for_us=HOUR_US), PLAIN).record
    assert expire(record, AT_US + HOUR_US - 1, PLAIN) == ()
    (expired,) = expire(record, AT_US + 2 * HOUR_US, PLAIN)
    assert expired.at_us == AT_US + 2 * HOUR_US  # when it is acted on; the shelf on record says until when it was
    outcome = apply(record, expired, PLAIN)
    assert (shown(outcome.record), outcome.tells) == (State.UNACKNOWLEDGED, True)


def test_shelving_once_without_a_time_takes_the_longest() -> None:
    """OPC 10000-9 5.8.17.1: UnshelveTime starts from MaxTimeShelved."""
    shelf = act(AlarmRecord(), Kind.SHELVE_ONCE).record.shelf
    assert shelf is not None
    assert (shelf.from_us, shelf.until_us) == (AT_US, AT_US + PLAIN.max_shelve_us)
    assert (shelf.who, shelf.why) == ("ada", "filter change")


def test_shelving_for_a_time_must_say_the_time() -> None:
    outcome = apply(AlarmRecord(), replace(event(Kind.SHELVE), for_us=None), PLAIN)
    assert outcome.refused is No.NO_TIME


@pytest.mark.parametrize("kind", [Kind.SHELVE, Kind.SHELVE_ONCE])
@pytest.mark.parametrize(
    ("for_us", "refused"),
    [
        (PLAIN.max_shelve_us, None),
        (PLAIN.max_shelve_us + 1, No.TIME_OUT_OF_RANGE),
        (1, None),
        (0, No.TIME_OUT_OF_RANGE),
        (-1, No.TIME_OUT_OF_RANGE),
    ],
)
def test_a_shelving_time_out_of_range_is_refused_with_the_range(kind: Kind, for_us: int, refused: No | None) -> None:
    """OPC 10000-9 5.8.17.4, Bad_ShelvingTimeOutOfRange; 5.8.2 for the one-shot."""
    outcome = apply(AlarmRecord(), event(kind, for_us=for_us), PLAIN)
    assert outcome.refused is refused
    assert (outcome.record.shelf is None) is (refused is not None)
    if refused:
        assert f"asked for {for_us} us" in outcome.audit.refused
        assert f"at most {PLAIN.max_shelve_us} us" in outcome.audit.refused


def test_an_expiry_that_comes_too_early_is_refused() -> None:
    """So an expiry computed for an earlier shelf cannot end a later one."""
    record = act(AlarmRecord(), Kind.SHELVE).record
    early = act(record, Kind.SHELF_EXPIRED, at_us=AT_US + HOUR_US - 1)
    assert (early.refused, early.record) == (No.NOT_OVER, record)


def test_a_shelf_is_not_over_when_it_begins() -> None:
    assert expire(act(AlarmRecord(), Kind.SHELVE).record, AT_US, PLAIN) == ()


def test_a_shelf_from_the_future_counts_as_expired() -> None:
    """The clock was put back: the shelf would last for longer than anyone allowed."""
    record = act(ACTIVE, Kind.SHELVE).record
    (expired,) = expire(record, AT_US - 1, PLAIN)
    assert shown(apply(record, expired, PLAIN).record) is State.UNACKNOWLEDGED


def test_nothing_expires_without_a_shelf() -> None:
    assert expire(AlarmRecord(State.UNACKNOWLEDGED, suppressed=SIGNED), AT_US, PLAIN) == ()


def test_an_owed_acknowledgement_outlives_the_shelf() -> None:
    """An alarm that people were told of and nobody acknowledged does not vanish by being shelved."""
    record = after(Kind.RAISE, Kind.SHELVE, Kind.CLEAR, Kind.UNSHELVE)
    assert shown(record) is State.RETURNED_UNACKNOWLEDGED
    assert shown(after(Kind.ACKNOWLEDGE, start=record)) is State.NORMAL


def test_an_activation_that_was_wholly_hidden_owes_nothing() -> None:
    """ISA-18.2 (from memory): leaving the shelf goes by the present condition."""
    assert shown(after(Kind.SHELVE, Kind.RAISE, Kind.CLEAR, Kind.UNSHELVE)) is State.NORMAL


@pytest.mark.parametrize(
    ("hide", "lift"),
    [
        (Kind.SHELVE, Kind.UNSHELVE),
        (Kind.SUPPRESS, Kind.UNSUPPRESS),
        (Kind.REMOVE_FROM_SERVICE, Kind.RETURN_TO_SERVICE),
    ],
)
def test_the_flag_suppressed_or_shelved_is_set_by_each_switch(hide: Kind, lift: Kind) -> None:
    """OPC 10000-9 4.8, 5.8.2: suppressed, shelved or out of service."""
    hidden = after(Kind.RAISE, hide)
    assert (suppressed_or_shelved(hidden), annunciated(hidden)) == (True, False)
    assert (suppressed_or_shelved(after(lift, start=hidden)), hidden.is_active) == (False, True)


# ---------------------------------------------------------------- latching, 4.8 and 5.8.5


def test_a_latched_alarm_does_not_clear_when_the_value_returns() -> None:
    """OPC 10000-9 4.8: it stays until it is reset."""
    record = after(Kind.RAISE, Kind.CLEAR, policy=LATCHING)
    assert (shown(record), record.is_latched, annunciated(record)) == (
        State.LATCHED_UNACKNOWLEDGED,
        True,
        True,
    )
    record = after(Kind.ACKNOWLEDGE, start=record, policy=LATCHING)
    assert (shown(record), annunciated(record)) == (State.LATCHED_ACKNOWLEDGED, True)


def test_a_reset_needs_an_alarm_that_is_inactive_and_acknowledged() -> None:
    """OPC 10000-9 5.8.5: returned to normal and acknowledged before the reset."""
    latched = after(Kind.RAISE, Kind.CLEAR, policy=LATCHING)
    assert act(latched, Kind.RESET, LATCHING).refused is No.OWED
    assert shown(after(Kind.ACKNOWLEDGE, Kind.RESET, start=latched, policy=LATCHING)) is State.NORMAL
    acknowledged_first = after(Kind.RAISE, Kind.ACKNOWLEDGE, Kind.CLEAR, Kind.RESET, policy=LATCHING)
    assert shown(acknowledged_first) is State.NORMAL
    assert act(AlarmRecord(), Kind.RESET, LATCHING).refused is No.NOT_LATCHED


def test_a_reset_while_active_has_no_effect() -> None:
    """OPC 10000-9 5.8.2."""
    active = after(Kind.RAISE, Kind.ACKNOWLEDGE, policy=LATCHING)
    outcome = act(active, Kind.RESET, LATCHING)
    assert (outcome.refused, outcome.record) == (No.IS_ACTIVE, active)


# ---------------------------------------------------------------- re-alarm, B.1.5


def test_an_alarm_that_stays_active_alarms_again_as_if_it_had_just_occurred() -> None:
    """OPC 10000-9 B.1.5, 5.8.2: unacknowledged again, one more notification, ReAlarmRepeatCount 1."""
    acknowledged = after(Kind.RAISE, Kind.ACKNOWLEDGE)
    outcome = act(acknowledged, Kind.RE_ALARM, at_us=AT_US + 30 * MINUTE_US)
    assert (shown(outcome.record), outcome.tells) == (State.UNACKNOWLEDGED, True)
    assert outcome.record.re_alarms == 1
    assert act(outcome.record, Kind.RE_ALARM).record.re_alarms == 2


@pytest.mark.parametrize("ending", [(Kind.CLEAR,), (Kind.CLEAR, Kind.RAISE)])
def test_the_count_of_re_alarms_begins_anew_with_the_condition(ending: tuple[Kind, ...]) -> None:
    """OPC 10000-9 5.8.2 (from memory): the count is reset when the alarm returns to normal."""
    assert after(Kind.RAISE, Kind.RE_ALARM, *ending).re_alarms == 0


def test_acknowledging_keeps_the_count_of_re_alarms() -> None:
    assert after(Kind.RAISE, Kind.RE_ALARM, Kind.ACKNOWLEDGE).re_alarms == 1


RE_ALARMING = Policy(re_alarm_us=HOUR_US, re_alarms_at_most=2)


def test_a_re_alarm_falls_due_a_time_after_people_were_told_last_and_so_often() -> None:
    """OPC 10000-9 5.8.2: ReAlarmTime runs from when it last alarmed; ReAlarmRepeatCount counts (a bound is ours)."""
    record, told = after(Kind.RAISE, Kind.ACKNOWLEDGE, policy=RE_ALARMING), []
    for minute in range(301):
        now_us = AT_US + minute * MINUTE_US
        for due in expire(record, now_us, RE_ALARMING):
            outcome = apply(record, due, RE_ALARMING)
            assert (outcome.tells, shown(outcome.record), outcome.record.told_us) == (
                True,
                State.UNACKNOWLEDGED,
                now_us,
            )
            record = act(outcome.record, Kind.ACKNOWLEDGE, RE_ALARMING, at_us=now_us).record
            told.append(minute)
    assert told == [60, 120]
    assert record.re_alarms == 2


@pytest.mark.parametrize(
    "record",
    [
        AlarmRecord(State.RETURNED_UNACKNOWLEDGED, told_us=AT_US),
        AlarmRecord(State.LATCHED_UNACKNOWLEDGED, told_us=AT_US),
        AlarmRecord(State.ACKNOWLEDGED, suppressed=SIGNED, told_us=AT_US),
        AlarmRecord(State.ACKNOWLEDGED, told_us=None),
    ],
    ids=["returned", "latched", "hidden", "never told"],
)
def test_no_re_alarm_falls_due_where_nobody_is_to_be_told(record: AlarmRecord) -> None:
    assert expire(record, AT_US + 9 * HOUR_US, RE_ALARMING) == ()


@pytest.mark.parametrize(("after_us", "is_due"), [(HOUR_US - 1, False), (HOUR_US, True), (0, False), (-1, True)])
def test_a_re_alarm_is_due_at_its_instant_and_when_the_clock_was_put_back(after_us: int, is_due: bool) -> None:
    record = AlarmRecord(State.ACKNOWLEDGED, told_us=AT_US)
    assert bool(expire(record, AT_US + after_us, RE_ALARMING)) is is_due
    assert expire(record, AT_US + after_us, PLAIN) == ()


def test_what_comes_off_the_shelf_is_told_once_and_not_re_alarmed_as_well() -> None:
    record = apply(after(Kind.RAISE), event(Kind.SHELVE, for_us=2 * HOUR_US), RE_ALARMING).record
    now_us = AT_US + 5 * HOUR_US
    (expired,) = expire(record, now_us, RE_ALARMING)
    outcome = apply(record, expired, RE_ALARMING)
    assert (outcome.tells, expire(outcome.record, now_us, RE_ALARMING)) == (True, ())
    (again,) = expire(outcome.record, now_us + HOUR_US, RE_ALARMING)
    assert again.kind is Kind.RE_ALARM


# ---------------------------------------------------------------- restart, 4.12 and 5.8.17.1

RECORDS = [
    AlarmRecord(),
    AlarmRecord(State.UNACKNOWLEDGED, re_alarms=2, told_us=AT_US),
    AlarmRecord(State.ACKNOWLEDGED, shelf=TIMED),
    AlarmRecord(State.RETURNED_UNACKNOWLEDGED, shelf=ONE_SHOT, suppressed=SIGNED, out_of_service=SIGNED),
    AlarmRecord(State.LATCHED_ACKNOWLEDGED, suppressed=SIGNED),
]


@pytest.mark.parametrize("record", RECORDS)
def test_a_restart_changes_nothing(record: AlarmRecord) -> None:
    """OPC 10000-9 4.12: what is in alarm is still reported; 5.8.17.1: the shelf is recovered."""
    assert from_plain(json.loads(json.dumps(to_plain(record)))) == record


def test_a_shelf_that_ended_during_the_restart_expires_at_once() -> None:
    """OPC 10000-9 5.8.17.1: restored, or unshelved, and never shelved for ever."""
    record = from_plain(json.loads(json.dumps(to_plain(AlarmRecord(shelf=TIMED)))))
    (expired,) = expire(record, AT_US + 100 * HOUR_US, PLAIN)
    assert apply(record, expired, PLAIN).record.shelf is None


@pytest.mark.parametrize("version", [None, 0, 2, "1"])
def test_another_version_is_refused(version: object) -> None:
    with pytest.raises(ValueError, match=rf"version {version!r}, expected 1; start the release that wrote it"):
        from_plain({**to_plain(AlarmRecord()), "version": version})


GOOD = to_plain(AlarmRecord(shelf=TIMED, suppressed=SIGNED))


@pytest.mark.parametrize(
    ("damage", "because"),
    [
        ({"own": "asleep"}, "'asleep' is not a valid State"),
        ({"own": "shelved"}, "own: 'shelved', expected one of ['normal', 'unacknowledged'"),
        ({"shelf": "yes"}, "must be a mapping"),
        ({"shelf": {**GOOD["shelf"], "until_us": None}}, "until None, expected two instants"),
        ({"shelf": {**GOOD["shelf"], "from_us": "noon"}}, "shelf: from 'noon' until"),
        ({"shelf": {"from_us": 1, "until_us": 2}}, "is_one_shot"),
        ({"shelf": {**GOOD["shelf"], "colour": "red"}}, "colour"),
        ({"suppressed": {"who": "ada"}}, "why"),
        ({"out_of_service": 3}, "must be a mapping"),
        ({"re_alarms": None}, "NoneType"),
        ({"told_us": "noon"}, "noon"),
    ],
)
def test_damaged_data_is_refused_with_a_reason_and_a_remedy(damage: dict[str, object], because: str) -> None:
    """OPC 10000-9 5.8.17.1: unshelved where the shelf is not known, which a new record is."""
    with pytest.raises(ValueError, match=re.escape(because)) as error:
        from_plain({**GOOD, **damage})
    assert str(error.value).endswith("restore it from a backup, or begin with a new record and raise what is active")


def test_a_record_is_written_as_plain_data() -> None:
    """An enum would do for JSON here, and for no other writer."""
    plain = to_plain(AlarmRecord())
    assert type(plain["own"]) is str
    assert set(plain) == {"version", *(item.name for item in fields(AlarmRecord))}


@pytest.mark.parametrize("name", ["own", "shelf", "suppressed", "out_of_service", "re_alarms", "told_us"])
def test_missing_data_is_refused_with_a_remedy(name: str) -> None:
    with pytest.raises(ValueError, match=name):
        from_plain({key: value for key, value in GOOD.items() if key != name})


def test_a_policy_without_words_is_one_shift_and_no_latch() -> None:
    """Common practice, no source."""
    assert Policy() == Policy(latching=False, max_shelve_us=8 * HOUR_US)

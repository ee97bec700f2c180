"""OPC 10000-9 (v1.05.03) on what operators do to an alarm while the engine goes on judging it.

Each clause of shelving, latching and re-alarm is checked by itself in `tests/rules/lifecycle/test_opc_clauses.py`.
Here the engine's own alarms drive the operator's side, so that the two halves are seen to fit.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field

import pytest

from rules import codec, lifecycle
from rules.collector import CollectorState, new_state
from rules.lifecycle import (
    AlarmRecord,
    Event,
    Kind,
    No,
    Policy,
    State,
    annunciated,
    apply,
    expire,
    shown,
    suppressed_or_shelved,
)
from rules.types import HOUR_US, MINUTE_US, Change
from tests.rules.published.engines import collector, limit, steady, stream

HIGH = collector(limit(on_us=0, off_us=0))  # 6.0, deadband 0.2
CONDITION = {Change.RAISED: Kind.RAISE, Change.CLEARED: Kind.CLEAR}
BEYOND, INSIDE, NORMAL = 6.1, 5.9, 5.0


@dataclass
class Watch:
    """One high limit with its operator's side. `told` counts how often people were told of its alarm."""

    policy: Policy = field(default_factory=Policy)
    record: AlarmRecord = field(default_factory=AlarmRecord)
    state: CollectorState = field(default_factory=lambda: new_state(HIGH))
    now_us: int = 0
    told: int = 0

    @property
    def in_alarm(self) -> bool:
        return self.state.points["dp"].tracks[0].is_active

    def measure(self, *values: float) -> None:
        """Each value for a minute."""
        for value in values:
            end_us = self.now_us + MINUTE_US
            events = stream(HIGH, self.state, steady(self.now_us, end_us, value))
            self._happen(Event(CONDITION[event.change], event.at_us) for event in events)
            self.now_us = end_us
            self._happen(expire(self.record, self.now_us, self.policy))

    def do(self, kind: Kind, *, for_us: int | None = None) -> No | None:
        event = Event(kind, self.now_us, who="ada", why="filter change", for_us=for_us)
        outcome = apply(self.record, event, self.policy)
        self.record = outcome.record
        self.told += outcome.tells
        return outcome.refused

    def restart(self) -> None:
        """Both halves written as JSON text and read again."""
        self.state = codec.from_plain(HIGH, json.loads(json.dumps(codec.to_plain(HIGH, self.state))))
        self.record = lifecycle.from_plain(json.loads(json.dumps(lifecycle.to_plain(self.record))))

    def _happen(self, events: Iterable[Event]) -> None:
        for event in events:
            outcome = apply(self.record, event, self.policy)
            assert outcome.refused is None, (event, outcome.refused)
            self.record = outcome.record
            self.told += outcome.tells


def test_an_alarm_that_stays_active_is_told_once_more_by_each_re_alarm_and_no_more_when_it_is_over() -> None:
    """OPC 10000-9 B.1.5, 5.8.2: acknowledged goes back to unacknowledged; ReAlarmRepeatCount counts, and ends."""
    watch = Watch()
    watch.measure(BEYOND)
    for count in (1, 2, 3):
        watch.do(Kind.ACKNOWLEDGE)
        watch.measure(*[INSIDE] * 30)  # active, though not beyond
        told = watch.told
        assert (watch.do(Kind.RE_ALARM), shown(watch.record)) == (None, State.UNACKNOWLEDGED)
        assert (watch.told - told, watch.record.re_alarms) == (1, count)
    watch.measure(NORMAL, NORMAL)
    assert (watch.do(Kind.RE_ALARM), watch.record.re_alarms, watch.told) == (No.NOT_ACTIVE, 0, 4)


HIDES = [
    (Kind.SHELVE, Kind.UNSHELVE),
    (Kind.SUPPRESS, Kind.UNSUPPRESS),
    (Kind.REMOVE_FROM_SERVICE, Kind.RETURN_TO_SERVICE),
]


@pytest.mark.parametrize(("hide", "lift"), HIDES)
def test_a_hidden_alarm_goes_on_being_evaluated_and_tells_nobody(hide: Kind, lift: Kind) -> None:
    """OPC 10000-9 4.8, 5.8.2: SuppressedOrShelved is true, and the active state follows the value all the while."""
    watch = Watch()
    assert watch.do(hide, for_us=HOUR_US) is None  # while normal: 5.8.17.4, 5.8.17.6
    for value, is_active in [(BEYOND, True), (INSIDE, True), (NORMAL, False), (BEYOND, True), (NORMAL, False)]:
        watch.measure(value, value)
        assert (watch.in_alarm, watch.record.is_active) == (is_active, is_active)
        assert (suppressed_or_shelved(watch.record), annunciated(watch.record)) == (True, False)
    assert watch.told == 0
    watch.measure(BEYOND)
    watch.do(lift)
    assert (suppressed_or_shelved(watch.record), shown(watch.record)) == (False, State.UNACKNOWLEDGED)
    assert watch.told == 1


@pytest.mark.parametrize(
    ("value", "state", "told"), [(BEYOND, State.UNACKNOWLEDGED, 2), (NORMAL, State.RETURNED_UNACKNOWLEDGED, 1)]
)
def test_a_timed_shelf_ends_at_its_time_whatever_the_value(value: float, state: State, told: int) -> None:
    """OPC 10000-9 5.8.17.1: in alarm, where people are told anew, or normal, where an acknowledgement is still owed."""
    watch = Watch()
    watch.measure(BEYOND)
    watch.do(Kind.SHELVE, for_us=10 * MINUTE_US)
    watch.measure(*[value] * 9)
    assert shown(watch.record) is State.SHELVED
    watch.measure(value)
    assert (shown(watch.record), watch.record.shelf, watch.told) == (state, None, told)


def test_a_one_shot_shelf_ends_when_the_alarm_clears_and_not_inside_the_deadband() -> None:
    """OPC 10000-9 5.8.17.1, B.1.5: inactive means back by the deadband. The next activation is told."""
    watch = Watch()
    watch.measure(BEYOND)
    watch.do(Kind.SHELVE_ONCE)
    watch.measure(INSIDE, BEYOND, INSIDE)
    assert shown(watch.record) is State.SHELVED
    watch.measure(NORMAL)
    assert not suppressed_or_shelved(watch.record)
    watch.measure(BEYOND, NORMAL)
    assert watch.told == 2


@pytest.mark.parametrize("kind", [Kind.SHELVE, Kind.SHELVE_ONCE])
def test_a_time_longer_than_the_longest_shelves_nothing_and_the_alarm_goes_on_as_it_was(kind: Kind) -> None:
    """OPC 10000-9 5.8.17.4, Bad_ShelvingTimeOutOfRange; 5.8.2: MaxTimeShelved bounds the one-shot shelf too."""
    watch = Watch(policy=Policy(max_shelve_us=HOUR_US))
    assert watch.do(kind, for_us=HOUR_US + 1) is No.TIME_OUT_OF_RANGE
    watch.measure(BEYOND)
    assert (suppressed_or_shelved(watch.record), watch.told) == (False, 1)


def test_a_latched_alarm_outlasts_its_condition_until_it_is_acknowledged_and_reset() -> None:
    """OPC 10000-9 4.8, 5.8.2, 5.8.5: a reset is refused while owed; one while active has no effect."""
    watch = Watch(policy=Policy(latching=True))
    watch.measure(BEYOND, NORMAL, NORMAL)
    assert (watch.in_alarm, shown(watch.record)) == (False, State.LATCHED_UNACKNOWLEDGED)
    assert watch.do(Kind.RESET) is No.OWED
    watch.do(Kind.ACKNOWLEDGE)
    watch.measure(BEYOND)
    assert (watch.do(Kind.RESET), shown(watch.record), watch.told) == (No.IS_ACTIVE, State.UNACKNOWLEDGED, 2)
    watch.do(Kind.ACKNOWLEDGE)
    watch.measure(NORMAL, NORMAL)
    assert (watch.do(Kind.RESET), shown(watch.record)) == (None, State.NORMAL)


@pytest.mark.parametrize("value", [BEYOND, INSIDE])
@pytest.mark.parametrize("kind", [None, Kind.ACKNOWLEDGE, Kind.SHELVE, Kind.REMOVE_FROM_SERVICE])
def test_a_restart_tells_nobody_twice_and_loses_neither_alarm_nor_shelf(kind: Kind | None, value: float) -> None:
    """OPC 10000-9 4.12, 5.8.17.1, 5.8.18: a restart between any two minutes, the value beyond or in the deadband."""
    watch, untouched = Watch(), Watch()
    for item in (watch, untouched):
        item.measure(BEYOND)
        assert kind is None or item.do(kind, for_us=5 * MINUTE_US) is None
        for _ in range(10):
            item.measure(value)
            if item is watch:
                item.restart()
                assert item.in_alarm
                assert item.record.is_active
    assert (watch.told, watch.record, watch.state) == (untouched.told, untouched.record, untouched.state)
    assert watch.told == (2 if kind is Kind.SHELVE else 1)  # a shelf of five minutes ends within the ten

"""Whatever happens in whatever order: what an alarm never does. A model of four facts runs beside it."""

from __future__ import annotations

import json

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from rules.lifecycle import (
    AlarmRecord,
    Event,
    Kind,
    Outcome,
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
from rules.types import HOUR_US

MAX_SHELVE_US = 4 * HOUR_US
SETS = {Kind.SHELVE, Kind.SHELVE_ONCE, Kind.SUPPRESS, Kind.REMOVE_FROM_SERVICE}
COMMANDS = [kind for kind in Kind if kind not in (Kind.RAISE, Kind.CLEAR, Kind.RE_ALARM, Kind.SHELF_EXPIRED)]


class Life(RuleBasedStateMachine):
    """One alarm with its evaluator, its operators, its clock and restarts at any moment."""

    def __init__(self) -> None:
        super().__init__()
        self.record = AlarmRecord()
        self.now_us = 1_000_000_000_000
        self.is_active = False
        self.is_owed = False

    @initialize(latching=st.booleans(), re_alarm_us=st.none() | st.just(HOUR_US), at_most=st.none() | st.just(2))
    def choose(self, latching: bool, re_alarm_us: int | None, at_most: int | None) -> None:
        self.policy = Policy(latching, MAX_SHELVE_US, re_alarm_us, at_most)

    def happen(self, event: Event) -> Outcome:
        before, outcome = self.record, apply(self.record, event, self.policy)
        self.record = outcome.record
        if outcome.tells:
            self.is_owed = True
        if event.kind is Kind.ACKNOWLEDGE and outcome.refused is None:
            self.is_owed = False
        if suppressed_or_shelved(before) and not suppressed_or_shelved(self.record):
            self.check_present_condition(before, outcome)
        if event.kind in SETS and outcome.refused is None:
            assert suppressed_or_shelved(self.record)
        return outcome

    def check_present_condition(self, before: AlarmRecord, outcome: Outcome) -> None:
        """What leaves hiding is unacknowledged and told when active, else normal unless something is owed."""
        is_latched = self.record.is_latched
        assert outcome.tells is (self.record.is_active or is_latched)
        if self.record.is_active:
            assert shown(self.record) is State.UNACKNOWLEDGED
        elif not is_latched:
            expected = State.RETURNED_UNACKNOWLEDGED if before.is_owed else State.NORMAL
            assert shown(self.record) is expected

    @rule(is_active=st.booleans())
    def evaluate(self, is_active: bool) -> None:
        """The evaluator says what the condition is; saying it twice changes nothing."""
        before = self.record
        outcome = self.happen(Event(Kind.RAISE if is_active else Kind.CLEAR, self.now_us))
        assert (outcome.refused is not None) is (is_active == self.is_active)
        assert (outcome.refused is None) or (self.record == before)
        self.is_active = is_active

    @rule()
    def re_alarm(self) -> None:
        self.happen(Event(Kind.RE_ALARM, self.now_us))

    @rule(
        kind=st.sampled_from(COMMANDS),
        who=st.sampled_from(["ada", "ben", ""]),
        why=st.sampled_from(["chatters", ""]),
        for_us=st.none() | st.integers(-1, 2 * MAX_SHELVE_US),
    )
    def command(self, kind: Kind, who: str, why: str, for_us: int | None) -> None:
        outcome = self.happen(Event(kind, self.now_us, who, why, for_us))
        assert (outcome.audit.who, outcome.audit.why, outcome.audit.at_us) == (who, why, self.now_us)
        assert (outcome.refused is not None) or who

    @rule(by_us=st.integers(-HOUR_US, 3 * HOUR_US))
    def tick(self, by_us: int) -> None:
        """Time passes, or the clock is put back; expiries are applied as a service does."""
        self.now_us += by_us
        for expired in expire(self.record, self.now_us, self.policy):
            assert self.happen(expired).refused is None
        assert expire(self.record, self.now_us, self.policy) == ()

    @rule()
    def restart(self) -> None:
        self.record = from_plain(json.loads(json.dumps(to_plain(self.record))))

    @invariant()
    def the_active_flag_follows_the_evaluator(self) -> None:
        """Also while shelved, suppressed or out of service (OPC 10000-9 4.8)."""
        assert self.record.is_active is self.is_active

    @invariant()
    def what_people_were_told_of_waits_for_an_acknowledgement(self) -> None:
        """An unacknowledged alarm that returned to normal never disappears on its own."""
        assert self.record.is_owed is self.is_owed

    @invariant()
    def hidden_alarms_are_not_annunciated(self) -> None:
        if suppressed_or_shelved(self.record):
            assert not annunciated(self.record)
        elif self.is_active or self.is_owed:
            assert annunciated(self.record)

    @invariant()
    def no_shelf_lasts_for_ever(self) -> None:
        latest_us = self.now_us + MAX_SHELVE_US
        record = self.record
        for expired in expire(record, latest_us, self.policy):
            record = apply(record, expired, self.policy).record
        assert record.shelving is Shelving.UNSHELVED


TestLife = Life.TestCase
TestLife.settings = settings(max_examples=150, stateful_step_count=40, deadline=None)

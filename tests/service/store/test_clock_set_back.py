"""A clock that is set back by hours: what is owed goes out now, and does not wait until the clock catches up."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from service.model import Entry, Owed
from service.notify.grouping import StoredData, lane
from service.notify.routes import Recipient, key_for
from service.store.ledger import Ledger
from service.store.outbox import SET_BACK_US, LedgerOutbox
from tests.service.notify.made import TOLD

S = 1_000_000
HOUR_US = 3600 * S
BEFORE_US = 10**15  # what the clock showed when it was queued
LEAD = Recipient("lead", "mail", "lead@alder-pike.example")
STORED = StoredData(quiet_us=20 * S, longest_us=600 * S)


@pytest.fixture
def outbox(ledger: Ledger) -> Iterator[LedgerOutbox]:
    made = LedgerOutbox(ledger.path, STORED)
    yield made
    made.close()


def queue(ledger: Ledger, alarm: str, step: str, *, at_us: int = BEFORE_US, is_held: bool = False) -> None:
    told = replace(TOLD, alarm_id=alarm, step=step)
    where = lane(told.collector, LEAD) if is_held else ""
    owed = Owed(key_for(alarm, step, LEAD), LEAD.channel, LEAD.contact, LEAD.address, told, where)
    ledger.commit(Entry(1, queued_us=at_us, owed=(owed,)))


@pytest.mark.parametrize("back_us", [2 * SET_BACK_US, HOUR_US, 24 * HOUR_US])
def test_what_was_queued_before_the_step_is_due(ledger: Ledger, outbox: LedgerOutbox, back_us: int) -> None:
    queue(ledger, "a", "raised")
    assert [row.told.alarm_id for row in outbox.due(BEFORE_US - back_us, 10)] == ["a"]


def test_what_was_tried_before_the_step_is_tried_again_once_and_then_waits_as_usual(
    ledger: Ledger, outbox: LedgerOutbox
) -> None:
    queue(ledger, "a", "raised")
    (row,) = outbox.due(BEFORE_US, 10)
    outbox.failed(row.id, BEFORE_US, "busy", BEFORE_US + 60 * S)
    assert outbox.due(BEFORE_US, 10) == [], "no step: its next try is not due"
    now_us = BEFORE_US - HOUR_US
    assert [one.id for one in outbox.due(now_us, 10)] == [row.id]
    outbox.failed(row.id, now_us, "busy", now_us + 60 * S)
    assert outbox.due(now_us + S, 10) == [], "tried at the new time, it waits"
    assert [one.id for one in outbox.due(now_us + 61 * S, 10)] == [row.id]


def test_a_step_of_less_than_a_second_is_no_step(ledger: Ledger, outbox: LedgerOutbox) -> None:
    queue(ledger, "a", "raised")
    (row,) = outbox.due(BEFORE_US, 10)
    outbox.failed(row.id, BEFORE_US, "busy", BEFORE_US + 60 * S)
    assert outbox.due(BEFORE_US - SET_BACK_US, 10) == []


@pytest.mark.parametrize("back_us", [2 * S, HOUR_US, 24 * HOUR_US])
def test_what_was_held_before_the_step_is_let_go(ledger: Ledger, outbox: LedgerOutbox, back_us: int) -> None:
    for alarm, step in (("b", "raised"), ("b", "cleared"), ("a", "raised")):
        queue(ledger, alarm, step, is_held=True)
    assert outbox.due(BEFORE_US, 10) == [], "it has only just come: it waits for others"
    rows = outbox.due(BEFORE_US - back_us, 10)
    assert sorted(row.told.step for row in rows) == ["found-late", "raised"]


def test_a_summary_of_before_the_step_holds_nothing_back_after_it(ledger: Ledger, outbox: LedgerOutbox) -> None:
    for step in ("raised", "cleared"):
        queue(ledger, "a", step, is_held=True)
    (told,) = outbox.due(BEFORE_US + 30 * S, 10)
    outbox.accepted(told.id, BEFORE_US + 30 * S, "ok")
    now_us = BEFORE_US - HOUR_US
    for step in ("raised", "cleared"):
        queue(ledger, "b", step, at_us=now_us, is_held=True)
    assert [row.told.step for row in outbox.due(now_us + 30 * S, 10)] == ["found-late"]

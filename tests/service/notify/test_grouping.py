"""Stored data: news one by one, what came and went together, every row once; none is left out."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rules.types import Change, Tier
from service.model import OutboxRow, Released
from service.notify.grouping import LISTED, StoredData, is_held, lane
from service.notify.message import body_json, subject, text
from service.notify.routes import OTHER_OF_SIDE, STEPS, Case, Recipient, key_for
from tests.service.notify.made import MINUTE_US, told

S = 1_000_000
QUIET_US, LONGEST_US = 20 * S, 600 * S
STORED = StoredData(QUIET_US, LONGEST_US)
LATE_US = 10**15
LEAD = Recipient("lead", "mail", "lead@alder-pike.example")


def rows(*notices: tuple[str, str, str], point: str = "dp", first: int = 1, held_us: int = 0) -> list[OutboxRow]:
    """Held rows of (alarm, step, limit), a minute of event time apart, in the order of their ids."""
    made = []
    for number, (alarm, step, limit) in enumerate(notices, first):
        priority = "high" if limit in ("high-high", "low-low") else "medium"
        what = told(
            alarm_id=alarm,
            step=step,
            limit=limit,
            point=point,
            priority=priority,
            at_us=number * MINUTE_US,
            recorded_us=LATE_US,
            from_stored_data=True,
        )
        made.append(OutboxRow(number, key_for(alarm, step, LEAD), *LEAD[1:2], "lead", LEAD[2], what, held_us))
    return made


def released(found: list[OutboxRow], now_us: int = QUIET_US, last_us: int | None = None) -> Released:
    answer = STORED.release(found, now_us, last_us)
    assert answer is not None
    return answer


@pytest.mark.parametrize(
    ("notices", "alone"),
    [
        ([("a", "raised", "high"), ("a", "cleared", "high")], []),
        ([("a", "raised", "high")], ["a raised"]),
        ([("a", "cleared", "high")], ["a cleared"]),  # its start was told before
        ([("a", "raised", "high"), ("a", "cleared", "high"), ("b", "raised", "high")], ["b raised"]),
        ([("a", "raised", "high"), ("b", "escalated", "high-high")], ["a raised", "b escalated"]),
        ([("a", "raised", "high"), ("b", "escalated", "high-high"), ("b", "eased", "high-high")], ["a raised"]),
        # Both limits passed at once: the inner one has no start of its own.
        ([("b", "raised", "high-high"), ("b", "eased", "high-high")], ["b eased"]),
        ([("b", "raised", "high-high"), ("b", "eased", "high-high"), ("a", "cleared", "high")], []),
        # It was in alarm before, and people know it.
        ([("b", "escalated", "high-high"), ("b", "eased", "high-high")], ["b eased"]),
        ([("b", "escalated", "high-high"), ("b", "eased", "high-high"), ("a", "cleared", "high")], ["a cleared"]),
        ([("a", "cleared", "high"), ("c", "raised", "high"), ("c", "cleared", "high")], ["a cleared"]),
        # The other side of the same point is a story of its own.
        ([("a", "raised", "high"), ("l", "raised", "low"), ("l", "cleared", "low")], ["a raised"]),
    ],
)
def test_what_is_news_goes_out_by_itself_and_the_rest_in_one_summary(
    notices: list[tuple[str, str, str]], alone: list[str]
) -> None:
    found = rows(*notices)
    answer = released(found)
    assert [f"{row.told.alarm_id} {row.told.step}" for row in found if row.id in answer.alone] == alone
    assert {*answer.alone, *answer.together} == {row.id for row in found}
    assert (answer.summary is None) == (not answer.together)


def test_a_lane_waits_until_it_is_quiet_or_has_waited_long_enough() -> None:
    pair = rows(("a", "raised", "high"), ("a", "cleared", "high"))
    busy = [*pair, *rows(("b", "raised", "high"), ("b", "cleared", "high"), first=3, held_us=LONGEST_US - 1)]
    assert STORED.release(pair, QUIET_US - 1, None) is None
    assert STORED.release(pair, QUIET_US, None) is not None
    assert STORED.release(busy, LONGEST_US - 1, None) is None
    assert STORED.release(busy, LONGEST_US, None) is not None


def test_a_summary_does_not_follow_the_last_one_at_once_but_news_does_not_wait_for_that() -> None:
    over, active = rows(("a", "raised", "high"), ("a", "cleared", "high")), rows(("b", "raised", "high"), first=3)
    assert STORED.release(over, QUIET_US, 0) is None
    assert released(over, LONGEST_US, 0).together == (1, 2)
    assert released([*over, *active], QUIET_US, 0) == released([*over, *active])
    assert released([*over, *active], QUIET_US, 0).alone == (3,)


def test_the_summary_counts_names_the_worst_and_the_first_few_and_says_that_it_is_over() -> None:
    notices = [(f"a{n}", step, "high-high" if n == 7 else "low") for n in range(30) for step in ("raised", "cleared")]
    summary = released(rows(*notices)).summary
    assert summary is not None
    found = summary.told.found
    assert found is not None
    assert (found.count, found.first_us, found.last_us) == (30, MINUTE_US, 59 * MINUTE_US)
    assert [alarm.alarm_id for alarm in found.alarms] == [f"a{n}" for n in range(LISTED)]
    assert (summary.told.limit, summary.told.priority) == ("high-high", "high")
    assert subject(summary.told).startswith("FOUND 30 alarms in stored data, worst high-high")
    said = text(summary.told)
    for words in ("they are over", "[a9]", "20 more", "not a safety function", summary.told.alarm_id):
        assert words in said
    data = body_json(summary.told)["data"]["found"]
    assert data["count"] == 30
    assert [alarm["alarm"] for alarm in data["alarms"]] == [alarm.alarm_id for alarm in found.alarms]
    assert data["alarms"][0]["ended_at"] == "1970-01-01T00:02:00.000000Z"


def test_the_same_rows_give_the_same_key_and_other_rows_another() -> None:
    pair = rows(("a", "raised", "high"), ("a", "cleared", "high"))
    more = [*pair, *rows(("b", "raised", "high"), ("b", "cleared", "high"), first=3)]
    keys = [released(some, now_us).summary for some, now_us in ((pair, QUIET_US), (pair, LATE_US), (more, QUIET_US))]
    assert keys[0] == keys[1]
    assert keys[0] is not None
    assert keys[2] is not None
    assert keys[0].key != keys[2].key


@pytest.mark.parametrize("step", ["raised", "escalated", "eased", "cleared", "closed", "no-data", "data-back", "test"])
def test_only_notices_of_limits_that_come_from_stored_data_are_held(step: str) -> None:
    assert not is_held(told(step=step))
    assert is_held(told(step=step, from_stored_data=True)) == (step not in ("no-data", "data-back", "test"))


def test_lanes_part_collectors_contacts_channels_and_addresses() -> None:
    parts = [
        ("c", "k", "m", "a"),
        ("d", "k", "m", "a"),
        ("c", "l", "m", "a"),
        ("c", "k", "n", "a"),
        ("c", "k", "m", "b"),
    ]
    assert len({lane(collector, Recipient(*to)) for collector, *to in parts}) == len(parts)


SIDE = {True: (Tier.HIGH, Tier.HIGH_HIGH), False: (Tier.LOW, Tier.LOW_LOW)}


@st.composite
def stories(draw: st.DrawFn) -> tuple[list[OutboxRow], set[str], dict[bool, bool]]:
    """What the steps' table says of random limits: held rows, ids told before, and whether a side is active at the end.

    The first few events come before the stored data: their notices are not among the rows.
    """
    active: dict[Tier, str] = {}
    notices: list[tuple[str, str, str]] = []
    before: set[str] = set()
    known = draw(st.integers(0, 3))
    for number in range(draw(st.integers(1, 25))):
        tier = draw(st.sampled_from(list(Tier)))
        change = Change.CLEARED if tier in active else Change.RAISED
        step = STEPS[Case(change, tier.is_outer, OTHER_OF_SIDE[tier] in active)]
        alarm = active.pop(tier, "") or f"a{number}"
        if change is Change.RAISED:
            active[tier] = alarm
        if step is not None and number < known:
            before.add(alarm)
        elif step is not None:
            notices.append((alarm, step, tier.value))
    ends = {is_high: any(tier in active for tier in tiers) for is_high, tiers in SIDE.items()}
    return rows(*notices), before, ends


@given(stories())
def test_whatever_happens_every_row_is_told_once_and_who_hears_only_the_news_knows_how_it_is(
    story: tuple[list[OutboxRow], set[str], dict[bool, bool]],
) -> None:
    found, before, ends = story
    if not found:
        return
    answer = released(found)
    assert sorted([*answer.alone, *answer.together]) == [row.id for row in found]
    for is_high, is_active in ends.items():
        side = [row for row in found if Tier(row.told.limit).is_high is is_high]
        news = [row.told for row in side if row.id in answer.alone]
        if not side:
            continue
        open_before = side[0].told.step != "raised"
        if news:
            assert (news[-1].step not in ("cleared", "closed")) == is_active
        else:
            assert not open_before
            assert not is_active
        started = {row.told.alarm_id for row in side if row.told.step in ("raised", "escalated")}
        for row in side:  # the end of what was told before is told
            if row.told.alarm_id in before and row.told.alarm_id not in started:
                assert row.id in answer.alone
    assert len(answer.alone) <= 6 + len(before)  # bounded, however many alarms came and went

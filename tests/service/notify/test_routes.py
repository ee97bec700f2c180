"""Who is told, and what: the outer limit speaks for its side, and nobody who hears one limit only is left out."""

from __future__ import annotations

from itertools import product

import pytest

from rules.types import AlarmEvent, Change, Evidence, Tier
from service.notify.routes import (
    OTHER_OF_SIDE,
    STEPS,
    Case,
    Contact,
    Recipient,
    in_speaking_order,
    key_for,
    notices,
    recipients,
    step_for,
)

EVIDENCE = Evidence(0, 1, None, 6.4, 1, 6.0, 5.8, 0, 0, 1, 0, 0, 3, 0)
LEAD = Contact("lead", "Shift lead", (("mail", "lead@alder-pike.example"), ("hook", "")))
CUTTING = Contact("cutting", "Cutting", (("mail", "cutting@alder-pike.example"),), collectors=("quay/cutting/*",))
MANAGER = Contact("manager", "Manager", (("mail", "manager@alder-pike.example"),), limits=("high-high", "low-low"))
URGENT = Contact("urgent", "On call", (("hook", ""),), priorities=("high",))
ALL = (LEAD, CUTTING, MANAGER, URGENT)


def event(tier: Tier, change: Change = Change.RAISED, at_us: int = 5, priority: str = "medium") -> AlarmEvent:
    return AlarmEvent(f"a-{tier}", "quay/cutting/dc-1", "dp", tier, change, at_us, priority, EVIDENCE)


@pytest.mark.parametrize(
    ("collector", "limit", "priority", "told"),
    [
        ("quay/cutting/dc-1", "high", "low", ["lead mail", "lead hook", "cutting mail"]),
        ("quay/cutting/dc-1", "high-high", "low", ["lead mail", "lead hook", "cutting mail", "manager mail"]),
        ("quay/sanding/dc-9", "high", "low", ["lead mail", "lead hook"]),
        ("quay/sanding/dc-9", "no-data", "high", ["lead mail", "lead hook"]),  # the hook is shared: told once
        ("QUAY/cutting/dc-1", "high", "low", ["lead mail", "lead hook"]),  # ids are matched as they are written
    ],
)
def test_contacts_are_chosen_by_collector_limit_and_priority(
    collector: str, limit: str, priority: str, told: list[str]
) -> None:
    found = recipients(ALL, collector, limit, priority)
    assert [f"{one.contact} {one.channel}" for one in found] == told


def test_a_contact_of_one_priority_hears_only_that_one() -> None:
    assert recipients([URGENT], "quay/x/y", "low", "high") == [Recipient("urgent", "hook", "")]
    assert recipients([URGENT], "quay/x/y", "low", "medium") == []


# Written out once more, apart from the table, as a reader of the messages would expect them.
EXPECTED = {
    # (what happened, limit, other limit of the side active): told
    ("raised", "inner", False): "raised",
    ("raised", "inner", True): None,
    ("raised", "outer", False): "raised",
    ("raised", "outer", True): "escalated",
    ("cleared", "inner", False): "cleared",
    ("cleared", "inner", True): None,
    ("cleared", "outer", False): "cleared",
    ("cleared", "outer", True): "eased",
    ("closed", "inner", False): "closed",
    ("closed", "inner", True): None,
    ("closed", "outer", False): "closed",
    ("closed", "outer", True): "closed",
}


@pytest.mark.parametrize(("change", "tier", "other_active"), list(product(Change, Tier, (False, True))))
def test_every_pair_of_event_and_other_limit_has_its_step(change: Change, tier: Tier, other_active: bool) -> None:
    active = {tier} | ({OTHER_OF_SIDE[tier]} if other_active else set())
    place = "outer" if tier.is_outer else "inner"
    assert step_for(event(tier, change), active) == EXPECTED[(change.value, place, other_active)]


def test_the_table_holds_every_case() -> None:
    assert set(STEPS) == {Case(change, *flags) for change, *flags in product(Change, (False, True), (False, True))}


@pytest.mark.parametrize(("change", "tier"), list(product(Change, Tier)))
def test_limits_of_the_other_side_change_nothing(change: Change, tier: Tier) -> None:
    other_side = {one for one in Tier if one.is_high is not tier.is_high}
    assert step_for(event(tier, change), other_side) == step_for(event(tier, change), set())


@pytest.mark.parametrize("inner", [Tier.LOW, Tier.HIGH])
def test_nothing_that_is_active_goes_unsaid(inner: Tier) -> None:
    """Whatever the order of raising and clearing, the first event speaks and so does the last."""
    outer = OTHER_OF_SIDE[inner]
    raises = [[inner, outer], [outer, inner]]
    for first, second in product(raises, raises):
        active: set[Tier] = set()
        said: list[str | None] = []
        for tier, change in [(one, Change.RAISED) for one in first] + [(one, Change.CLEARED) for one in second]:
            (active.add if change is Change.RAISED else active.discard)(tier)
            said.append(step_for(event(tier, change), active))
        assert said[0] == "raised"
        assert said[-1] == "cleared"
        assert ("escalated" in said) == (first == [inner, outer])
        assert ("eased" in said) == (second == [outer, inner])


def test_who_hears_only_the_inner_limit_is_told_of_it_although_the_outer_one_is_active() -> None:
    only_high = Contact("trainee", "Trainee", (("mail", "trainee@alder-pike.example"),), limits=("high",))
    only_medium = Contact("medium", "Medium", (("mail", "medium@alder-pike.example"),), priorities=("medium",))
    active = {"high": "medium", "high-high": "high"}
    found = notices([LEAD, only_high, only_medium], event(Tier.HIGH), active)
    assert [(one.contact, step) for one, step in found] == [("trainee", "raised"), ("medium", "raised")]


def test_who_hears_only_the_outer_limit_is_not_told_of_an_escalation_from_what_they_never_heard() -> None:
    active = {"high": "medium", "high-high": "high"}
    found = notices([LEAD, MANAGER], event(Tier.HIGH_HIGH, priority="high"), active)
    assert [(one.contact, one.channel, step) for one, step in found] == [
        ("lead", "mail", "escalated"),
        ("lead", "hook", "escalated"),
        ("manager", "mail", "raised"),
    ]


def test_who_does_not_hear_the_event_gets_no_notice_and_a_silent_step_gives_none() -> None:
    elsewhere = Contact("sanding", "Sanding", (("mail", "s@alder-pike.example"),), collectors=("quay/sanding/*",))
    assert notices([elsewhere], event(Tier.HIGH), {"high": "medium"}) == []
    assert notices([LEAD], event(Tier.HIGH), {"high": "medium", "high-high": "high"}) == []


def test_at_one_instant_one_message_is_enough() -> None:
    raised = in_speaking_order([event(Tier.HIGH), event(Tier.HIGH_HIGH)])
    assert [one.tier for one in raised] == [Tier.HIGH_HIGH, Tier.HIGH]
    ended = in_speaking_order([event(Tier.HIGH_HIGH, Change.CLEARED), event(Tier.HIGH, Change.CLEARED)])
    assert [one.tier for one in ended] == [Tier.HIGH, Tier.HIGH_HIGH]
    late = in_speaking_order([event(Tier.HIGH, at_us=9), event(Tier.LOW, at_us=7)])
    assert [one.at_us for one in late] == [7, 9]


def test_two_addresses_of_one_contact_on_one_channel_have_two_keys() -> None:
    one, two = Recipient("lead", "mail", "a@x.example"), Recipient("lead", "mail", "b@x.example")
    assert key_for("a", "raised", one) != key_for("a", "raised", two)
    assert key_for("a", "raised", one) == key_for("a", "raised", Recipient("lead", "mail", "a@x.example"))

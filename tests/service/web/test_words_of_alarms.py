"""What an alarm says of who was told."""

from __future__ import annotations

from dataclasses import replace

from service.model import Health
from service.web.shown import shown
from tests.service.web.house import alarm, house


def _told(*names: str) -> dict[str, list[str]]:
    active = [replace(alarm(name=name, alarm_id=name), told=[]) for name in names]
    page = shown(house(alarms=active).overview(), Health(True, {}))
    return {entry.limit: [told.says for told in entry.told] for entry in page.alarms}


def test_an_inner_alarm_without_a_message_says_that_the_outer_one_speaks() -> None:
    assert _told("high", "high-high")["high"] == ["no message of its own: high-high speaks for both"]


def test_an_alarm_that_nobody_was_told_of_says_so() -> None:
    assert _told("high") == {"high": ["nobody has been told yet"]}
    assert _told("low", "high-high")["low"] == ["nobody has been told yet"]

"""A restart finds what was there: saved states, saved last readings and the journal after them are the state before."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.codec import to_plain
from rules.microbatch import NEVER_US, Tips
from rules.types import CollectorSpec, PointSpec, Reading
from service.evaluate.evaluator import Evaluator
from service.evaluate.recovery import read_tips, replay, write_tips
from service.store import journal
from tests.property.histories import HOLD_US, Item, S, histories, specs
from tests.property.test_batches import cut
from tests.service.evaluate.made import Saved, heard, take, watched

PLACES = st.lists(st.integers(0, 200), max_size=8)


def known(evaluator: Evaluator) -> dict[str, Any]:
    """All that decides what happens next; the value under a bad reading does not."""
    name = evaluator.watched.specs[0].name
    plain = to_plain(evaluator.watched.specs[0], evaluator.board.state(name))
    for point in plain["points"].values():
        point[1] = point[1] if point[2] else None
    return {
        "state": plain,
        "last": evaluator.board.tips.last_us.tolist(),
        "good": evaluator.board.tips.good.tolist(),
        "last good": evaluator.last_good_us.tolist(),
        "gateways": evaluator.gateways,
    }


@settings(max_examples=150, deadline=None)
@given(specs(), histories(), PLACES, st.lists(st.booleans(), min_size=9, max_size=9), st.booleans())
def test_after_a_restart_the_state_is_what_it_was_and_the_rest_of_the_story_gives_the_same(
    spec: CollectorSpec, items: list[Item], places: list[int], tips: list[bool], passing: bool
) -> None:
    of, saved = watched(spec), Saved()
    running = Evaluator(of)
    for number, part in enumerate(cut(items, places)):
        restarted = saved.restart(of)
        assert known(restarted) == known(running)
        now_us = part[-1].reading.at_us if part else 0
        judged, again = take(running, part, now_us), take(restarted, part, now_us)
        assert again.events == judged.events
        assert (again.duplicates, again.late) == (judged.duplicates, judged.late)
        saved.keep(running, judged, tips=tips[number])
        if passing:
            passed = running.pass_time(now_us, heard(0))
            saved.keep(running, passed, tips=False)
    assert known(saved.restart(of)) == known(running)


@settings(max_examples=100, deadline=None)
@given(specs(), histories(), PLACES)
def test_everything_sent_again_after_a_restart_is_a_duplicate_or_late_and_decides_nothing(
    spec: CollectorSpec, items: list[Item], places: list[int]
) -> None:
    of, saved = watched(spec), Saved()
    running = Evaluator(of)
    for part in cut(items, places):
        saved.keep(running, take(running, part, 0), tips=False)
    restarted = saved.restart(of)
    again = take(restarted, items, 0)
    assert (again.events, again.duplicates + again.late) == ([], len(items))
    assert known(restarted) == known(running)


SPEC = CollectorSpec("c", (PointSpec("dp", HOLD_US), PointSpec("fan", HOLD_US), PointSpec("amps", HOLD_US)))


def test_points_that_are_no_longer_registered_are_passed_over_and_new_ones_are_unheard() -> None:
    old = Evaluator(watched(SPEC))
    saved = Saved()
    story = [Item("dp", Reading(S, 1.0)), Item("fan", Reading(2 * S, 2.0)), Item("amps", Reading(3 * S, 3.0))]
    saved.keep(old, take(old, story, 0), tips=True)
    saved.keep(old, take(old, [Item("dp", Reading(4 * S, 4.0)), Item("fan", Reading(5 * S, 5.0))], 0), tips=False)
    # dp keeps its number 103, fan (102) and amps (101) are gone, 7 is new
    numbers = np.array([7, 103], np.int64)
    tips, last_good_us = Tips.empty(2), np.full(2, NEVER_US, np.int64)
    assert saved.tips is not None
    read_tips(saved.tips, numbers, tips, last_good_us)
    assert (tips.last_us.tolist(), tips.value[1]) == ([NEVER_US, S], 1.0)
    for body in saved.later:
        replay(body, numbers, tips, last_good_us)
    assert (tips.last_us.tolist(), tips.value[1], last_good_us.tolist()) == ([NEVER_US, 4 * S], 4.0, [NEVER_US, 4 * S])
    assert tips.evaluated_us[1] == 4 * S


def test_a_plant_without_points_takes_up_what_is_there() -> None:
    old = Evaluator(watched(SPEC))
    judged = take(old, [Item("dp", Reading(S, 1.0))], 0)
    assert judged.batch is not None
    none = np.zeros(0, np.int64)
    read_tips(old.saved_tips(), none, Tips.empty(0), none)
    replay(journal.encode(judged.batch), none, Tips.empty(0), none)


def test_late_readings_move_no_last_reading_but_say_that_the_gateway_speaks() -> None:
    of, saved = watched(SPEC), Saved()
    running = Evaluator(of)
    for reading in (Reading(10 * S, 0.0, good=False), Reading(5 * S, 1.0)):
        judged = take(running, [Item("dp", reading)], 0)
        saved.keep(running, judged, tips=False)
    assert judged.late == 1
    restarted = saved.restart(of)
    assert restarted.board.tips.last_us[0] == 10 * S
    assert restarted.last_good_us[0] == running.last_good_us[0] == 5 * S


def test_only_points_that_were_ever_heard_are_written() -> None:
    numbers = np.array([3, 1, 2], np.int64)
    tips, good_us = Tips.empty(3), np.full(3, NEVER_US, np.int64)
    tips.last_us[1], tips.value[1], tips.good[1], good_us[1] = 5, 6.0, True, 5
    again, again_us = Tips.empty(3), np.full(3, NEVER_US, np.int64)
    read_tips(write_tips(numbers, tips, good_us), numbers, again, again_us)
    assert again.last_us.tolist() == [NEVER_US, 5, NEVER_US]
    assert again_us.tolist() == [NEVER_US, 5, NEVER_US]


@pytest.mark.parametrize("body", [b"", b"nonsense", b"\x00" * 64])
def test_last_readings_that_cannot_be_read_are_an_error_and_not_a_guess(body: bytes) -> None:
    with pytest.raises((pa.ArrowInvalid, pa.ArrowException, OSError)):
        read_tips(body, np.zeros(0, np.int64), Tips.empty(0), np.zeros(0, np.int64))

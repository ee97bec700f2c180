"""The soak repeats from its seed, passes where the evaluators agree, and finds the one that does not."""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace
from itertools import pairwise
from typing import Any
from unittest import mock

import pytest

import rules.collector
from rules.codec import from_plain
from rules.collector import CollectorState, step
from rules.columnar import passage
from rules.types import CollectorSpec, Reading
from tests.property import evaluators, oracle, soak
from tests.property.evaluators import late_at, parts, smallest
from tests.property.histories import Item, S

ONE_BLOCK = ["--seed", "0", "--histories", str(soak.BLOCK)]


def later(judge: Callable[..., Any]) -> Callable[..., Any]:
    """An evaluator that counts every on-delay as one microsecond longer."""

    def judged(spec: CollectorSpec, *rest: Any) -> Any:
        points = tuple(
            replace(point, limits=tuple(replace(limit, on_delay_us=limit.on_delay_us + 1) for limit in point.limits))
            for point in spec.points
        )
        return judge(replace(spec, points=points), *rest)

    return judged


def forgetful(read: Callable[..., CollectorState]) -> Callable[..., CollectorState]:
    """A state that has forgotten, when it is read back, how much of its delays had passed."""

    def read_back(spec: CollectorSpec, plain: dict[str, Any]) -> CollectorState:
        state = read(spec, plain)
        for point in state.points.values():
            for track in point.tracks:
                track.counted_us = 0
        return state

    return read_back


def touching(value: Any, threshold: float, back: float) -> tuple[Any, Any]:
    """A comparator that takes the limit itself as beyond it."""
    return value >= threshold, value <= back


BROKEN: dict[str, Callable[[], AbstractContextManager[object]]] = {
    "streaming": lambda: mock.patch.object(evaluators, "step", later(step)),
    "save and restore": lambda: mock.patch.object(evaluators, "from_plain", forgetful(from_plain)),
    "columns": lambda: mock.patch.object(passage, "high", touching),
    "query": lambda: mock.patch.object(oracle, "QUERY", oracle.QUERY.replace("c.upto > d.due", "c.upto >= d.due")),
    "board": lambda: mock.patch.object(rules.collector, "step", later(step)),
    "one fails": lambda: mock.patch.object(evaluators, "replay", mock.Mock(side_effect=ValueError("no such chunk"))),
}


def test_a_block_agrees_and_its_figures_are_told(capsys: pytest.CaptureFixture[str]) -> None:
    assert soak.main([*ONE_BLOCK, "--json"]) == 0
    out, progress = capsys.readouterr()
    told = json.loads(out)
    assert told["agree"] is True
    assert (told["histories"], told["first_seed"], told["last_seed"]) == (soak.BLOCK, 0, 0)
    assert (told["failure"], told["repeat"]) == ("", "")
    assert told["readings"] > 10 * soak.BLOCK
    assert told["alarms"] > told["cleared"] > soak.BLOCK // 2  # quiet histories would prove little
    assert progress.startswith(f"{soak.BLOCK:,} of {soak.BLOCK:,} histories")


@pytest.mark.parametrize("broken", BROKEN)
def test_an_evaluator_that_is_broken_is_found_and_the_command_that_repeats_it_is_told(
    broken: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with BROKEN[broken]():
        assert soak.main(["--seed", "3", "--histories", str(3 * soak.BLOCK)]) == 1
    out = capsys.readouterr().out
    assert f"repeat: python -m tests.property.soak --seed 3 --histories {soak.BLOCK}\n" in out
    assert "of the block of seed 3" in out
    assert "cut at" in out
    assert "smallest" in out
    assert "seeds 3 to 3;" in out


def test_two_processes_say_what_one_says() -> None:
    one, two = (soak.soak(2 * soak.BLOCK, 5, processes) for processes in (1, 2))
    assert one == two


def test_a_seed_gives_the_same_block_again() -> None:
    assert soak.stories(7) == soak.stories(7) != soak.stories(8)


def test_blocks_have_what_they_are_for() -> None:
    """Bad readings, two at one instant that say different things, late ones, and states saved at every reading."""
    block = soak.stories(0)
    items = [item for story in block for item in story.items]
    assert any(not item.reading.good for item in items)
    assert any(a.point == b.point and a.reading.at_us == b.reading.at_us and a != b for a, b in pairwise(items))
    assert any(late_at([("c", item) for item in story.items]) for story in block)
    assert any(story.plan.saves == list(range(len(story.items))) and len(story.items) > 9 for story in block)


def test_a_late_reading_begins_a_part_and_is_still_late_there() -> None:
    items = [Item("dp", Reading(at_s * S, 1.0)) for at_s in (10, 20, 15, 20, 30)]
    assert parts(items, []) == [items[:2], items[2:]]


def test_the_smallest_has_nothing_that_does_not_matter() -> None:
    assert smallest(list(range(20)), lambda fewer: {3, 11} <= set(fewer)) == [3, 11]


@pytest.mark.parametrize("words", [["--histories", "0"], ["--processes", "-1"], ["--seed", "x"]])
def test_what_makes_no_sense_is_refused(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        soak.main(words)
    assert stopped.value.code == 2
    assert words[0] in capsys.readouterr().err

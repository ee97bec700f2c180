"""Collector state as plain data and back: complete, small, and never guessed at."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.codec import VERSION, from_plain, to_plain
from rules.collector import new_state, step
from rules.types import MINUTE_US, CollectorSpec, Limit, PointSpec, Reading, Tier
from tests.property.histories import Item, histories, specs

M = MINUTE_US
HIGH, LOW = Limit(Tier.HIGH, 6.0, 5.8, 10 * M), Limit(Tier.LOW, 1.0, 1.2, 10 * M)
SPEC = CollectorSpec("c", (PointSpec("dp", 15 * M, (LOW, HIGH)), PointSpec("fan", 15 * M)))


@settings(max_examples=150, deadline=None)
@given(specs(), histories(), st.booleans())
def test_what_is_written_comes_back_equal_through_json(spec: CollectorSpec, items: list[Item], twice: bool) -> None:
    state = new_state(spec)
    for point, reading in items:
        step(spec, state, {point: [reading]})
    again = from_plain(spec, json.loads(json.dumps(to_plain(spec, state), allow_nan=False)))
    if twice:
        again = from_plain(spec, json.loads(json.dumps(to_plain(spec, again), allow_nan=False)))
    # A track that is not open has nothing that matters; all else is the same.
    assert to_plain(spec, again) == to_plain(spec, state)
    assert again.timeline == state.timeline
    assert [[t for t in p.tracks if t.is_open] for p in again.points.values()] == [
        [t for t in p.tracks if t.is_open] for p in state.points.values()
    ]


def test_only_open_limits_are_written() -> None:
    state = new_state(SPEC)
    assert all(point[4] == {} for point in to_plain(SPEC, state)["points"].values())
    step(SPEC, state, {"dp": [Reading(0, 6.1)]})
    assert list(to_plain(SPEC, state)["points"]["dp"][4]) == ["high"]


@pytest.mark.parametrize("version", [None, 0, VERSION + 1, "1"])
def test_another_version_is_refused_with_what_to_do(version: object) -> None:
    plain = to_plain(SPEC, new_state(SPEC)) | {"version": version}
    with pytest.raises(ValueError, match=rf"collector state of c: version {version!r}, expected {VERSION}; .*backup"):
        from_plain(SPEC, plain)


def test_a_state_without_a_version_is_refused() -> None:
    with pytest.raises(ValueError, match="version None"):
        from_plain(SPEC, {})


def test_an_open_limit_that_the_spec_does_not_have_is_refused() -> None:
    state = new_state(SPEC)
    step(SPEC, state, {"dp": [Reading(0, 6.1)]})
    without = CollectorSpec("c", (PointSpec("dp", 15 * M, (LOW,)),))
    with pytest.raises(ValueError, match=r"dp has open limits \['high'\].*limits it was saved under"):
        from_plain(without, to_plain(SPEC, state))


def test_limits_may_come_in_another_order_and_points_may_be_new() -> None:
    state = new_state(SPEC)
    step(SPEC, state, {"dp": [Reading(0, 6.1)]})
    other = CollectorSpec("c", (PointSpec("header", M), PointSpec("dp", 15 * M, (HIGH, LOW))))
    again = from_plain(other, to_plain(SPEC, state))
    assert [track.is_beyond for track in again.points["dp"].tracks] == [True, False]
    assert again.points["header"].last_us is None

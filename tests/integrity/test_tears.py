"""Torn writes at a checkpoint, a few; `python -m tests.integrity.tears` tears every write of many."""

from __future__ import annotations

import shutil

import pytest

from tests.integrity import tears


@pytest.mark.skipif(shutil.which("cc") is None, reason="no C compiler for the library that copies before each write")
def test_a_torn_checkpoint_of_the_history_costs_nothing_and_needs_no_hand() -> None:
    tally = tears.run("history checkpoint", 1)
    assert tally.tears >= 16
    assert (tally.lost, tally.strange, tally.by_hand) == (0, 0, 0)
    assert tally.longest_s < tears.STARTS_WITHIN_S


def test_the_parts_of_a_write_are_eight_and_none_is_all_of_it() -> None:
    for size in (24, 512, 4096, 262_144):
        parts = tears.torn(size)
        assert len(parts) == 8
        assert all(0 <= first < last <= size and last - first < size for first, last in parts)

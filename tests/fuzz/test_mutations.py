"""A seeded run of the mutation fuzzer: nothing comes out but what is documented, and nothing takes long."""

from __future__ import annotations

import os
import random

import pytest

from tests.fuzz import run
from tests.fuzz.mutate import LONGEST, mutated
from tests.fuzz.targets import Target, targets

EXECUTIONS = int(os.environ.get("DUSTCAKE_FUZZ_EXECUTIONS", "200000"))
PARTS = 4


@pytest.mark.parametrize("part", range(PARTS))
def test_mutated_input_brings_out_only_what_is_documented_and_takes_no_long_time(part: int) -> None:
    seen = run.block(0, part, EXECUTIONS // PARTS)
    assert seen.findings == []
    assert seen.slow == 0, run.report(seen, seen.seconds)
    assert all(seen.by_target.values())
    assert seen.by_target["readings"] > seen.executions // 3


def test_the_same_seed_makes_the_same_inputs_of_bounded_length() -> None:
    seeds = targets()[0].seeds
    first, second = (
        [mutated(draw, seeds) for _ in range(10_000)] for draw in (random.Random("0 0"), random.Random("0 0"))
    )
    assert first == second
    assert max(map(len, first)) == LONGEST
    assert len(set(first)) > 9_000


def test_a_decoder_that_raises_or_dawdles_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    def breaks(payload: bytes) -> None:
        if len(payload) % 2:
            raise ZeroDivisionError
        sum(range(100_000))

    monkeypatch.setattr(run, "targets", lambda: (Target("broken", breaks, [b"even"], 1),))
    monkeypatch.setattr(run, "SLOW_S", 0.0001)
    seen = run.block(1, 0, 200)
    assert seen.findings
    assert "ZeroDivisionError" in seen.findings[0]
    assert "broken of " in seen.findings[0]
    assert 0 < seen.slow <= 200
    assert seen.slowest.target == "broken"

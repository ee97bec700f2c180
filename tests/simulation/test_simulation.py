"""However and wherever the service is killed: nothing lost, nothing twice, nothing decided or told otherwise."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import replace
from typing import Any
from unittest import mock

import pytest

from service.evaluate.evaluator import Evaluator
from service.model import OutboxRow
from service.pipeline import Pipeline
from service.receive.mqtt import Receiver
from service.store.ledger import Ledger
from service.store.outbox import LedgerOutbox
from tests.simulation import soak
from tests.simulation.gateways import FAULTS
from tests.simulation.kills import HISTORY_POINTS, POINTS
from tests.simulation.run import simulate
from tests.simulation.world import KINDS, WITH_HISTORY, world

SEEDS = int(os.environ.get("DUSTCAKE_SEEDS", "100"))
PARTS = 4  # so that processes can share them
REGRESSIONS = (64, 1136, 2129, 6016)  # seeds that once failed, or showed that a check was wrong
FOUND_WITHIN = 40  # seeds, of a bug that was put in


@pytest.mark.parametrize("part", range(PARTS))
def test_a_killed_service_loses_nothing_and_does_nothing_twice(part: int) -> None:
    first, size = part * SEEDS // PARTS, SEEDS // PARTS
    results = soak.judged(range(first, first + size))
    failed = [f"seed {result.seed}: {result.failure}" for result in results if result.failure]
    assert not failed
    assert sum(result.kills.total() for result in results) > 4 * size


@pytest.mark.parametrize("seed", REGRESSIONS)
def test_a_seed_that_once_failed(seed: int) -> None:
    assert simulate(seed).failure == ""


@pytest.mark.parametrize("seed", [0, 3, 8, 11])
def test_the_same_seed_gives_the_same_log_to_the_byte(seed: int) -> None:
    one, other = simulate(seed), simulate(seed)
    assert one.log == other.log
    assert one.digest == other.digest
    assert one.digest != simulate(seed + 1).digest
    assert one.kills.total() == sum("killed" in line for line in one.log) > 0


def test_seeds_have_what_they_are_for() -> None:
    """Every kind of world, every fault of a gateway that leaves a trace, and kills at every place."""
    worlds = [world(seed) for seed in range(100)]
    assert {made.kind for made in worlds} == set(KINDS)
    messages = [sent for made in worlds for sent in made.messages]
    assert sum(sent.refused for sent in messages) > 50
    assert sum(sent.retained for sent in messages) > 50
    assert max(Counter(sent.payload for sent in messages if sent.mark).values()) > 1
    assert {fault for faults in FAULTS.values() for fault in faults} >= {"outage", "newest first", "reboot", "jump"}
    kills: Counter[str] = Counter()
    places = {*POINTS, *HISTORY_POINTS}
    for seed in range(0, 100 * WITH_HISTORY, WITH_HISTORY):
        kills += simulate(seed).kills
        if kills.keys() >= places:
            return
    raise AssertionError(f"no kill {places - kills.keys()}")


# ---------------------------------------------------------------- the checks can fail


def acknowledged_too_soon() -> AbstractContextManager[object]:
    """The broker is told before the batch is on disk."""
    real = Pipeline._commit

    def commit(self: Pipeline, entry: Any) -> bool:
        tokens = self._inbox_items  # type: ignore[attr-defined]
        self._acknowledge(tokens)
        return real(self, entry)

    def round_(self: Pipeline, items: Any) -> bool:
        self._inbox_items = list(items)  # type: ignore[attr-defined]
        return real_round(self, items)

    real_round = Pipeline.round
    stack = ExitStack()
    stack.enter_context(mock.patch.object(Pipeline, "_commit", commit))
    stack.enter_context(mock.patch.object(Pipeline, "round", round_))
    return stack


def told_under_another_key() -> AbstractContextManager[object]:
    """Each attempt to tell people has a key of its own."""
    real = LedgerOutbox.due

    def due(self: LedgerOutbox, now_us: int, limit: int) -> list[OutboxRow]:
        return [replace(row, key=f"{row.key}#{row.attempts}{now_us}") for row in real(self, now_us, limit)]

    return mock.patch.object(LedgerOutbox, "due", due)


def owed_without_key() -> AbstractContextManager[object]:
    """A notification goes into the outbox under a number instead of its key."""
    real = Ledger._write_owed

    def write(self: Ledger, entry: Any) -> None:
        real(self, replace(entry, owed=tuple(replace(o, key=f"{self.seq} {n}") for n, o in enumerate(entry.owed))))

    return mock.patch.object(Ledger, "_write_owed", write)


def stale_acknowledgements() -> AbstractContextManager[object]:
    """An acknowledgement of an earlier connection goes out on this one."""

    def acknowledge(self: Receiver, token: Any) -> None:
        self._client.ack(token.mid, token.qos)

    return mock.patch.object(Receiver, "_acknowledge", acknowledge)


def forgetful_commit() -> AbstractContextManager[object]:
    """A commit that failed is given up, and the batch acknowledged all the same."""

    def commit(self: Pipeline, entry: Any) -> bool:
        try:
            self._ledger.commit(entry)
        except Exception:  # noqa: BLE001 - this is the bug
            return True
        return True

    return mock.patch.object(Pipeline, "_commit", commit)


@contextmanager
def tips_not_replayed() -> Iterator[None]:
    """A restart takes the saved last readings, and not the journal after them."""
    real = Evaluator.load

    def load(self: Evaluator, states: Any, gateways: Any, tips: Any, later: Any = ()) -> None:
        del later
        real(self, states, gateways, tips)

    with mock.patch.object(Evaluator, "load", load):
        yield


BUGS: dict[str, tuple[Callable[[], AbstractContextManager[object]], str]] = {
    "acknowledged before the commit": (acknowledged_too_soon, "lost"),
    "acknowledged after a commit that failed": (forgetful_commit, "lost"),
    "states not saved": (lambda: mock.patch.object(Evaluator, "saved_states", return_value=()), "without a kill"),
    "last readings not replayed": (tips_not_replayed, "twice"),
    "stale acknowledgements": (stale_acknowledgements, "broker"),
    "owed without a key": (owed_without_key, "has key"),
    "told under another key": (told_under_another_key, "not on record"),
}


@pytest.mark.parametrize("bug", BUGS)
def test_a_bug_that_is_put_in_is_found(bug: str) -> None:
    put_in, says = BUGS[bug]
    with put_in():
        failures = (simulate(seed).failure for seed in range(FOUND_WITHIN))
        assert any(says in failure for failure in failures)


def test_the_command_tells_figures_and_how_to_repeat_a_failure(capsys: pytest.CaptureFixture[str]) -> None:
    assert soak.main(["--seeds", "3", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["seeds"], told["lost"], told["twice"], told["failure"]) == (3, 0, 0, "")
    assert told["kills"] == sum(told["by_point"].values()) > 0
    with tips_not_replayed():
        assert soak.main(["--seeds", str(FOUND_WITHIN)]) == 1
    out, progress = capsys.readouterr()
    assert "repeat: python -m tests.simulation --seeds 1 --seed " in out
    assert " starts; is to end " in out
    assert "kills/s" in progress


def test_two_processes_say_what_one_says() -> None:
    with mock.patch.object(soak, "BLOCK", 2):
        one, two = (soak.soak(4, 7, processes, float("inf")) for processes in (1, 2))
    assert one == two


def test_what_makes_no_sense_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        soak.main(["--seeds", "0"])
    assert "--seeds" in capsys.readouterr().err

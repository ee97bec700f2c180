"""A webhook receiver that redirects, refuses, hangs and asks for patience, and one that is gone: each told once."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from tests import parts
from tests.chaos.hook import OK, Answer, Hook
from tests.chaos.outcome import Outcome
from tests.chaos.rig import rig

PATIENCE_S = 3  # Retry-After: longer than the first waits of the daemon's own
GONE = """[channels.gone]
kind = "webhook"
url = "http://127.0.0.1:{port}/"
timeout_s = 5
"""
SECOND = '[[contact]]\nid = "past"\nname = "Past"\nvia = [{ channel = "gone" }]'


def receivers(folder: Path, *, count: int, seed: int, say: Callable[[str], None]) -> Outcome:
    """`count` rounds through the table of bad answers, each under load; the daemon killed in every other one."""
    outcome = Outcome("receivers", count)
    elsewhere, gone = Hook(), Hook()
    gone.answer = lambda _id: (410, {})
    ways: dict[str, Callable[[str], Answer]] = {
        "redirects": lambda _id: (302, {"location": f"http://127.0.0.1:{elsewhere.port}/"}),
        "answers 500": lambda _id: (500, {}),
        "hangs": _hang,
        "asks for patience": lambda _id: (429, {"retry-after": str(PATIENCE_S)}),
        "answers 503": lambda _id: (503, {}),
    }
    with rig(folder, outcome, seed=seed, settings=GONE.format(port=gone.port), contacts=SECOND) as plant:
        plant.begin()
        parts.wait_until(lambda: plant.hook.came, "the first notification is there")
        for number in range(count):
            name, answer = list(ways.items())[number % len(ways)]
            before = len(plant.hook.tries)
            plant.hook.answer = answer
            parts.wait_until(lambda before=before: len(plant.hook.tries) > before + 2, f"it is tried while it {name}")  # type: ignore[misc]
            if number % 2:
                plant.daemon.kill()
                plant.daemon.start(ready=False)
            time.sleep(1)
            plant.hook.answer = lambda _id: OK
            outcome.note_recovery(plant.wait_for_commit(plant.record.newest()))
            say(f"round {number + 1}: it {name}")
        plant.settle()
        outcome.breaches += _impatient(plant.hook)
        given_up = dict(plant.record.ask("SELECT state, count(*) FROM outbox WHERE channel = 'gone' GROUP BY state"))
        again = [
            id_ for id_ in {id_ for _, id_, _ in gone.tries} if sum(id_ == other for _, other, _ in gone.tries) > 2
        ]
        if set(given_up) != {"given up"} or again:
            outcome.breaches.append(
                f"410: expected all given up after one try, found {given_up}, tried again {len(again)}"
            )
    if elsewhere.tries:
        outcome.breaches.append(f"a redirect was followed {len(elsewhere.tries)} times")
    outcome.notes.append(f"answered 410: {sum(given_up.values())} given up")
    elsewhere.close()
    gone.close()
    return outcome


def _hang(_id: str) -> Answer:
    time.sleep(7)  # longer than the channel's time-out
    return 504, {}


def _impatient(hook: Hook) -> list[str]:
    """Tries that came sooner than the receiver had asked for."""
    asked: dict[str, float] = {}
    found = []
    for at_s, id_, status in hook.tries:
        if id_ in asked and at_s < asked[id_] - 0.1:
            found.append(f"{id_} was tried {asked[id_] - at_s:.1f} s before the Retry-After was over")
        asked.pop(id_, None)
        if status == 429:
            asked[id_] = at_s + PATIENCE_S
    return found

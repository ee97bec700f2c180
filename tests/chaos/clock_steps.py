"""The daemon's wall clock set forward and back by up to an hour under load, by a library before its own.

The computer's clock is not touched, and the monotonic clock of the daemon stays, as it does when a clock is set.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable
from pathlib import Path

from tests import parts
from tests.chaos import shims
from tests.chaos.hook import OK
from tests.chaos.outcome import Outcome
from tests.chaos.rig import Rig, rig

TOLD_WITHIN_S = 30.0  # after a step, what was owed before it; the longest retry of the rig is 5 s
BACK_S = 48 * 3600  # the readings are so old that no step puts them into the future
STEPS_S = (3600, -3600, 60, -60, 5, -5)


def clock_steps(folder: Path, *, count: int, seed: int, say: Callable[[str], None]) -> Outcome:
    """`count` steps, both ways in turn."""
    outcome = Outcome("clock-steps", count)
    shift = folder / "shift"
    shift.write_bytes(struct.pack("q", 0))
    with rig(folder, outcome, seed=seed, begins_s=int(time.time()) - BACK_S) as plant:
        plant.daemon.environment = {
            "LD_PRELOAD": str(shims.build("clock", folder)),
            "CHAOS_CLOCK": str(shift),
        }
        plant.begin()
        total_s, slowest_s = 0, 0.0
        for number in range(count):
            time.sleep(plant.draw.uniform(0.5, 2))
            owed = _let_something_be_owed(plant)
            total_s += STEPS_S[number % len(STEPS_S)]
            with shift.open("r+b") as file:
                file.write(struct.pack("q", total_s * 1_000_000_000))
            outcome.note_recovery(plant.wait_for_commit(plant.record.newest()), 10.0)
            plant.hook.answer = lambda _id: OK
            told_s = _wait_until_told(plant, owed)
            slowest_s = max(slowest_s, told_s)
            if told_s >= TOLD_WITHIN_S:
                outcome.breaches.append(f"step {number + 1}: what was owed is not told {TOLD_WITHIN_S:g} s later")
            plant.look()
            say(f"step {number + 1}: the clock is off by {total_s} s")
        plant.settle()
    outcome.notes.append(f"what was owed at a step was told at most {slowest_s:.1f} s after it")
    return outcome


def _let_something_be_owed(plant: Rig) -> int:
    """Refuse notifications until one has been tried; the newest row of the outbox."""
    plant.hook.answer = lambda _id: (503, {})
    before = len(plant.hook.tries)
    parts.wait_until(lambda: len(plant.hook.tries) > before, "a notification is tried")
    return int(plant.record.ask("SELECT max(id) FROM outbox")[0][0])


def _wait_until_told(plant: Rig, newest: int) -> float:
    """Seconds until nothing up to this row is owed, at most `TOLD_WITHIN_S`."""
    began_s = time.monotonic()
    owed = f"SELECT count(*) FROM outbox WHERE state = 'owed' AND id <= {newest}"
    while plant.record.ask(owed)[0][0] and time.monotonic() - began_s < TOLD_WITHIN_S:
        time.sleep(0.1)
    return time.monotonic() - began_s

"""The daemon killed under load, again and again; some while it stands still for seconds."""

from __future__ import annotations

import signal
import time
from pathlib import Path

from tests.chaos.outcome import Outcome
from tests.chaos.rig import Rig, rig

STANDS_S = (0.3, 3.0)
RUNS_S = (0.0, 0.6)  # from the first commit after a start to the kill


def kills(folder: Path, *, count: int, seed: int, say: object = print) -> Outcome:
    """`count` kills at random moments: of the start, of the catching up, of the steady load."""
    outcome = Outcome("kills", count)
    with rig(folder, outcome, seed=seed, starts_often=True) as plant:
        plant.begin()
        for number in range(count):
            _disturb(plant)
            plant.daemon.kill()
            before, killed_s = plant.record.newest(), time.monotonic()
            plant.look()
            plant.daemon.start(ready=False)
            if plant.draw.random() < 0.1:
                time.sleep(plant.draw.uniform(0, 1.0))  # so that it dies while it starts
                plant.daemon.kill()
                plant.daemon.start(ready=False)
            plant.wait_for_commit(before)
            outcome.note_recovery(time.monotonic() - killed_s)
            if callable(say) and (number + 1) % 10 == 0:
                say(f"{number + 1} kills, {len(plant.record.seen)} readings, {len(plant.feed.alarms)} alarms")
        plant.settle()
    return outcome


def _disturb(plant: Rig) -> None:
    """Run for a moment; in one round of five stand still for a while, and in half of those go on before the kill."""
    time.sleep(plant.draw.uniform(*RUNS_S))
    kind = plant.draw.random()
    if kind < 0.2:
        plant.daemon.signal(signal.SIGSTOP)
        time.sleep(plant.draw.uniform(*STANDS_S))
    if kind < 0.1:
        plant.daemon.signal(signal.SIGCONT)
        time.sleep(plant.draw.uniform(0, 0.2))

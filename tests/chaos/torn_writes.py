"""Writes torn at the history's checkpoints and in the ledger: the daemon must start unaided and have everything.

The control is printed: of the torn history files, how many DuckDB alone does not open.
"""

from __future__ import annotations

import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import duckdb

from tests.chaos import shims
from tests.chaos.outcome import Outcome
from tests.chaos.rig import Rig, rig

POINTS = 8  # places in a checkpoint at which a write is torn
STARTS_WITHIN_S, TORN_WITHIN_S = 60.0, 30.0
HISTORY = "history.duckdb"
# File and bytes of the write that stay: the history at its checkpoint in every other try, and both stores' logs.
TARGETS = ((HISTORY, 4096), ("ledger.sqlite-wal", 512), (HISTORY, 4096), ("history.duckdb.wal", 100))


def torn_writes(folder: Path, *, count: int, seed: int, say: Callable[[str], None]) -> Outcome:
    """`count` tries; those at a checkpoint tear its first to its eighth write in turn."""
    outcome = Outcome("torn-writes", count)
    library = shims.build("tear", folder)
    torn = {name: 0 for name, _ in TARGETS}
    unopenable = 0
    with rig(folder, outcome, seed=seed) as plant:
        plant.begin()
        for number in range(count):
            name, keep = TARGETS[number % len(TARGETS)]
            if _tear(plant, library, name, keep, number // 2 % POINTS + 1):
                torn[name] += 1
                unopenable += name == HISTORY and not _opens(plant)
            plant.daemon.environment = {}
            before = plant.record.newest()
            plant.daemon.start(ready=False)
            outcome.note_recovery(plant.wait_for_commit(before), STARTS_WITHIN_S)
            plant.look()
            if (number + 1) % 4 == 0:
                say(f"{number + 1} tries, torn {torn}; DuckDB alone does not open {unopenable}")
        plant.settle()
    outcome.notes.append(
        f"torn: {torn}; control: DuckDB alone does not open {unopenable} of the {torn[HISTORY]} torn histories"
    )
    if sum(torn.values()) < count / 2:
        outcome.breaches.append(f"only {sum(torn.values())} of {count} tries tore a write: it proves little")
    return outcome


def _tear(plant: Rig, library: Path, name: str, keep: int, at: int) -> bool:
    """Run with the shim, then end it while it writes; whether a write was torn (a checkpoint may have fewer).

    It is stopped in order before: that makes a whole checkpoint, whose blocks the next one writes over.
    """
    daemon, arm = plant.daemon, plant.folder / "arm"
    arm.unlink(missing_ok=True)
    if daemon.stop() != 0:
        plant.outcome.breaches.append("the daemon did not end in order")
    daemon.environment = {
        "LD_PRELOAD": str(library),
        "CHAOS_TEAR_NAME": name,
        "CHAOS_TEAR_ARM": str(arm),
        "CHAOS_TEAR_AT": str(at),
        "CHAOS_TEAR_KEEP": str(keep),
    }
    before = plant.record.newest()
    daemon.start(ready=False)
    plant.wait_for_commit(before)
    time.sleep(plant.draw.uniform(0.3, 1.0))
    arm.touch()
    if name == HISTORY:
        daemon.signal(signal.SIGTERM)  # closing it makes a checkpoint
    assert daemon.process is not None
    try:
        return daemon.process.wait(TORN_WITHIN_S) == -signal.SIGKILL
    except subprocess.TimeoutExpired:
        return False
    finally:
        daemon.end()


def _opens(plant: Rig) -> bool:
    """Whether DuckDB alone opens a copy of the torn history."""
    copy = plant.folder / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir()
    for file in (plant.daemon.folder / "data").glob("history.duckdb*"):
        if not file.name.endswith((".aside", ".aside.wal")):
            shutil.copy(file, copy)
    try:
        with closing(duckdb.connect(str(copy / "history.duckdb"))) as database:
            database.execute("SELECT count(*), sum(value) FROM reading").fetchall()
    except (duckdb.Error, UnicodeDecodeError):
        return False
    return True

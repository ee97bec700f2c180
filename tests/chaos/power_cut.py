"""Power cuts: the file system of the data folder loses whatever was not synced, in the middle of the load.

Two controls run on the same file system in every round: a writer that syncs must lose nothing, and one that does
not sync must lose something, or the cut was none.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from tests.chaos.disk import Disk
from tests.chaos.outcome import Outcome
from tests.chaos.rig import Rig, rig

SIZE_MIB = 2048  # with less than 1 GiB free the daemon calls itself not ready; the image is sparse
WRITER = """
import os, sys
path, syncs = sys.argv[1], sys.argv[2] == "syncs"
descriptor = os.open(path, os.O_CREAT | os.O_WRONLY | os.O_APPEND)
number = 0
while True:
    number += 1
    os.write(descriptor, b"%015d\\n" % number)
    if syncs:
        os.fdatasync(descriptor)
    os.write(1, b"%015d\\n" % number)
"""
LINE_BYTES = 16


class Writer:
    """A control: appends numbered lines and says which it calls written."""

    def __init__(self, path: Path, *, syncs: bool) -> None:
        self._path, said = path, path.name + ".said"
        self._said = path.parent.parent / said
        with self._said.open("wb") as out:
            command = [sys.executable, "-c", WRITER, str(path), "syncs" if syncs else "hopes"]
            self.process = subprocess.Popen(command, stdout=out, stderr=subprocess.DEVNULL)

    def lost(self) -> int:
        """Lines that it called written and that are not there."""
        there = self._path.stat().st_size if self._path.exists() else 0
        return max(0, self._said.stat().st_size // LINE_BYTES - there // LINE_BYTES)


def power_cuts(folder: Path, *, count: int, seed: int, say: Callable[[str], None]) -> Outcome:
    """`count` cuts at random moments under load."""
    outcome = Outcome("power-cut", count)
    disk = Disk(folder, size_mib=SIZE_MIB)
    synced = unsynced = 0
    (disk.at / "data").mkdir()
    try:
        with rig(folder, outcome, seed=seed, data=disk.at / "data", starts_often=True) as plant:
            plant.begin()
            for number in range(count):
                lost = _cut(plant, disk, number)
                synced, unsynced = synced + lost[0], unsynced + lost[1]
                if not lost[1]:
                    outcome.breaches.append(f"cut {number}: the writer that does not sync lost nothing: no power cut")
                plant.look()
                if (number + 1) % 5 == 0:
                    say(f"{number + 1} cuts, {len(plant.record.seen)} readings; controls lost {synced} and {unsynced}")
            plant.settle()
    finally:
        disk.close()
    if synced:
        outcome.breaches.append(f"the writer that syncs lost {synced} lines: the file system does not keep its word")
    outcome.notes.append(f"controls: with fdatasync lost {synced} lines, without {unsynced}")
    return outcome


def _cut(plant: Rig, disk: Disk, number: int) -> tuple[int, int]:
    """One cut, and the daemon's return; lines lost by the control that syncs and by the one that does not."""
    writers = [Writer(disk.at / f"{number}-{syncs}", syncs=syncs) for syncs in (True, False)]
    time.sleep(plant.draw.uniform(0.3, 1.2))
    plant.daemon.signal(signal.SIGSTOP)
    for writer in writers:
        writer.process.send_signal(signal.SIGSTOP)
    disk.cut_power()
    for writer in writers:
        writer.process.kill()
        writer.process.wait(10)
    plant.daemon.kill()
    disk.unmount()
    disk.mount()
    lost = writers[0].lost(), writers[1].lost()
    for syncs in (True, False):
        (disk.at / f"{number}-{syncs}").unlink(missing_ok=True)
    before = plant.record.newest()
    plant.daemon.start(ready=False)
    plant.outcome.note_recovery(plant.wait_for_commit(before))
    return lost

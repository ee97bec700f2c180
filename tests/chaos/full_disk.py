"""The disk of the data folder filled up at many positions under load, and freed again."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable
from pathlib import Path

from tests.chaos.disk import MIB, Disk
from tests.chaos.outcome import Outcome
from tests.chaos.rig import Rig, rig

SIZE_MIB = 2048  # with less than 1 GiB free the daemon calls itself not ready; the image is sparse
STEP_BYTES = 12 * 1024  # from one position to the next: what is left differs by some pages of the ledger
REFUSED_WITHIN_S = 10.0
SAYS_WITHIN_S, BACK_WITHIN_S = 5.0, 10.0


def full_disk(folder: Path, *, count: int, seed: int, say: Callable[[str], None]) -> Outcome:
    """`count` times: fill, wait for the alarm, stay full (in every fourth round die there), free, wait for a commit."""
    outcome = Outcome("disk-full", count)
    disk = Disk(folder, size_mib=SIZE_MIB)
    says: list[float] = []
    refused = 0
    try:
        with rig(folder, outcome, seed=seed, data=disk.at) as plant:
            plant.begin()
            parts_of = list(range(count))
            plant.draw.shuffle(parts_of)
            for number, position in enumerate(parts_of):
                disk.fill(position * STEP_BYTES % MIB)
                says.append(_wait_for_alarm(plant, disk))
                refused += _wait_for_refusal(plant, disk)
                time.sleep(plant.draw.uniform(0, 1.5))
                dies = number % 4 == 3
                if dies:
                    _die_while_full(plant)
                disk.clear()
                _come_back(plant, dies=dies)
                plant.look()
                if (number + 1) % 5 == 0:
                    say(f"{number + 1} positions; alarm after {max(says):.1f} s at most")
            plant.settle()
    finally:
        disk.close()
    outcome.notes.append(
        f"storage alarm at most {max(says):.1f} s after the disk was full or the last commit; "
        f"commits refused in {refused} of {count} rounds"
    )
    return outcome


def _wait_for_alarm(plant: Rig, disk: Disk) -> float:
    """Seconds from the disk being full, or from the last commit if that came later, to readiness saying so."""
    since_s, newest, end_s = time.monotonic(), plant.record.newest(), time.monotonic() + 30
    while time.monotonic() < end_s:
        failed = plant.daemon.failed()
        now_s = time.monotonic()
        if set(failed) - {"broker", "history", "outbox"}:
            return now_s - since_s
        with contextlib.suppress(Exception):  # what cannot be read on a full disk has not grown
            if plant.record.newest() > newest:
                since_s, newest = now_s, plant.record.newest()
        if now_s - since_s > SAYS_WITHIN_S:
            plant.outcome.breaches.append(f"no commit for {SAYS_WITHIN_S:g} s on a full disk, and no alarm")
            return now_s - since_s
        disk.fill(0)  # what it found still free it has used
        time.sleep(0.05)
    plant.outcome.breaches.append("no storage alarm within 30 s on a full disk")
    return 30.0


def _wait_for_refusal(plant: Rig, disk: Disk) -> bool:
    """Stay full until a commit was refused (there may be room in the log file); whether it was."""
    end_s = time.monotonic() + REFUSED_WITHIN_S
    while time.monotonic() < end_s:
        disk.fill(0)
        if "ledger" in plant.daemon.failed():
            return True
        time.sleep(0.1)
    return False


def _die_while_full(plant: Rig) -> None:
    plant.daemon.kill()
    plant.daemon.start(ready=False)
    time.sleep(3)
    plant.daemon.end()


def _come_back(plant: Rig, *, dies: bool) -> None:
    assert plant.daemon.process is not None
    ended = plant.daemon.process.poll() is not None
    if ended:
        if not dies:
            plant.outcome.breaches.append("the daemon ended by itself on a full disk")
        plant.daemon.start(ready=False)
    took_s = plant.wait_for_commit(plant.record.newest())
    plant.outcome.note_recovery(took_s, None if ended else BACK_WITHIN_S)

"""The data folder turned read-only under the running daemon and back.

The kernel refuses to remount a file system read-only while the ledger is open for writing. So two kinds come in turn:
every write to the ledger refused with EROFS for a while (strace's fault injection on the live process), and a real
ext4 that goes read-only after an error, which comes back by unmounting and mounting.
"""

from __future__ import annotations

import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from tests import parts
from tests.chaos.disk import Disk
from tests.chaos.outcome import Outcome
from tests.chaos.rig import Rig, rig

SIZE_MIB = 2048  # with less than 1 GiB free the daemon calls itself not ready; the image is sparse
SAYS_WITHIN_S, BACK_WITHIN_S = 5.0, 10.0
CALLS = "pwrite64,write,ftruncate,fdatasync,fsync,fallocate"


def read_only(folder: Path, *, count: int, seed: int, say: Callable[[str], None]) -> Outcome:
    """`count` times read-only and back, both kinds in turn."""
    outcome = Outcome("read-only", count)
    disk = Disk(folder, size_mib=SIZE_MIB, options="errors=remount-ro")
    (disk.at / "data").mkdir()
    try:
        with rig(folder, outcome, seed=seed, data=disk.at / "data") as plant:
            plant.begin()
            refused = disk.turn("ro")
            outcome.notes.append(f"remount read-only under the open ledger: {refused or 'done by the kernel'}")
            if not refused:
                disk.turn("rw")
            for number in range(count):
                (_break if number % 2 else _refuse)(plant, disk)
                plant.look()
                say(f"{number + 1} times read-only, {len(plant.record.seen)} readings")
            plant.settle()
    finally:
        disk.close()
    return outcome


def _refuse(plant: Rig, disk: Disk) -> None:
    """EROFS for every write to the ledger's files, of the running process."""
    assert plant.daemon.process is not None
    paths = [str(disk.at / "data" / name) for name in ("ledger.sqlite", "ledger.sqlite-wal")]
    command = ["strace", "-f", "-qq", "-o", "/dev/null", "-p", str(plant.daemon.process.pid), "-e", f"trace={CALLS}"]
    command += ["-e", f"inject={CALLS}:error=EROFS", *(word for path in paths for word in ("-P", path))]
    with subprocess.Popen(command) as tracer:
        try:
            _wait_until_said(plant)
            time.sleep(plant.draw.uniform(0, 2))
        finally:
            tracer.send_signal(signal.SIGINT)
    plant.outcome.note_recovery(plant.wait_for_commit(plant.record.newest()), BACK_WITHIN_S)


def _break(plant: Rig, disk: Disk) -> None:
    """The kernel makes it read-only; the daemon is ended, and started when it is mounted again. Nobody repairs."""
    disk.break_it()
    _wait_until_said(plant)
    plant.daemon.kill()
    disk.unmount()
    disk.mount()
    before = plant.record.newest()
    plant.daemon.start(ready=False)
    plant.outcome.note_recovery(plant.wait_for_commit(before))


def _wait_until_said(plant: Rig) -> None:
    parts.wait_until(
        lambda: "ledger" in plant.daemon.failed(), "readiness says that it cannot write", SAYS_WITHIN_S + 5
    )

"""The table of scenarios: what runs, how often, and what it needs of the machine."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from tests import parts
from tests.chaos.brokers import brokers
from tests.chaos.clock_steps import clock_steps
from tests.chaos.full_disk import full_disk
from tests.chaos.kills import kills
from tests.chaos.network import network
from tests.chaos.outcome import Outcome
from tests.chaos.power_cut import power_cuts
from tests.chaos.read_only import read_only
from tests.chaos.receivers import receivers
from tests.chaos.sync_errors import sync_errors
from tests.chaos.torn_writes import torn_writes

INSIDE = "CHAOS_INSIDE"  # set in the process that is already in its private namespaces
Say = Callable[[str], None]


class Run(Protocol):
    def __call__(self, folder: Path, *, count: int, seed: int, say: Say) -> Outcome: ...


@dataclass(frozen=True)
class Scenario:
    """`tools` must be on the PATH; `private` are the options of unshare under which it runs, () for none."""

    run: Run
    small: int  # in the suite
    full: int
    tools: tuple[str, ...] = ()
    private: tuple[str, ...] = ()
    is_root_only: bool = False

    def missing(self) -> str:
        """Why it cannot be run on this machine; empty when it can."""
        if parts.MOSQUITTO is None:
            return "no mosquitto binary"
        absent = [tool for tool in self.tools if shutil.which(tool) is None]
        if absent:
            return f"not installed: {', '.join(absent)}"
        if self.is_root_only and os.geteuid() != 0:
            return "needs root, for mounts or namespaces"
        if self.private and INSIDE not in os.environ:
            tried = subprocess.run(["unshare", *self.private, "true"], capture_output=True, check=False)
            return f"unshare not permitted: {tried.stderr.decode().strip()}" if tried.returncode else ""
        return ""

    def enter(self) -> None:
        """Go on in private namespaces where the scenario wants them: the machine's own mounts stay untouched."""
        if self.private and INSIDE not in os.environ:
            os.environ[INSIDE] = "1"
            os.execvp("unshare", ["unshare", *self.private, sys.executable, "-m", "tests.chaos", *sys.argv[1:]])


NETWORK = ("--mount", "--net", "--propagation", "private")
MOUNTS = ("--mount", "--propagation", "private")
DISK = ("unshare", "mkfs.ext4", "findmnt")
TABLE: dict[str, Scenario] = {
    "kills": Scenario(kills, small=3, full=1000),
    "broker": Scenario(brokers, small=4, full=100),
    "disk-full": Scenario(full_disk, small=1, full=100, tools=DISK, private=MOUNTS, is_root_only=True),
    "sync-errors": Scenario(sync_errors, small=1, full=100, tools=("strace",)),
    "power-cut": Scenario(power_cuts, small=1, full=500, tools=DISK, private=MOUNTS, is_root_only=True),
    "torn-writes": Scenario(torn_writes, small=3, full=160, tools=("cc",)),
    "read-only": Scenario(read_only, small=1, full=20, tools=(*DISK, "strace"), private=MOUNTS, is_root_only=True),
    "network-cut": Scenario(network, small=2, full=50, tools=("unshare", "ip"), private=NETWORK, is_root_only=True),
    "receivers": Scenario(receivers, small=5, full=20),
    "clock-steps": Scenario(clock_steps, small=2, full=24, tools=("cc",)),
}

"""The network between daemon and broker cut without a word: a veth pair whose frames go nowhere, or that goes down.

Everything is in private network and mount namespaces: the machine's own interfaces are never touched.
"""

from __future__ import annotations

import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from tests.chaos.outcome import Outcome
from tests.chaos.rig import Rig, rig

NEAR, FAR, PEER = "10.213.7.1", "10.213.7.2", "far"
NOBODY = "02:00:00:00:00:99"  # a locally administered address that nobody has
GONE_S = (1.0, 6.0)


def network(folder: Path, *, count: int, seed: int, say: Callable[[str], None]) -> Outcome:
    """`count` cuts of both kinds in turn; the broker is in a network namespace of its own."""
    outcome = Outcome("network-cut", count)
    _build()
    with rig(folder, outcome, seed=seed, broker_host=FAR, broker_prefix=("ip", "netns", "exec", PEER)) as plant:
        plant.begin()
        for number in range(count):
            time.sleep(plant.draw.uniform(0.3, 1.0))
            (_swallow if number % 2 else _unplug)(plant)
            outcome.note_recovery(plant.wait_for_commit(plant.record.newest()))
            plant.look()
            if (number + 1) % 5 == 0:
                say(f"{number + 1} cuts, {len(plant.record.seen)} readings")
        plant.settle()
    return outcome


def _build() -> None:
    for command in (
        "mount -t tmpfs none /run",
        "ip link set lo up",
        f"ip netns add {PEER}",
        f"ip link add near type veth peer name far netns {PEER}",
        f"ip addr add {NEAR}/30 dev near",
        "ip link set near up",
        f"ip -n {PEER} addr add {FAR}/30 dev far",
        f"ip -n {PEER} link set far up",
        f"ip -n {PEER} link set lo up",
    ):
        _do(command)


def _swallow(plant: Rig) -> None:
    """Every frame to the broker goes to a station that is not there; neither end is told."""
    _do(f"ip neigh replace {FAR} lladdr {NOBODY} dev near nud permanent")
    time.sleep(plant.draw.uniform(*GONE_S))
    _do(f"ip neigh del {FAR} dev near")


def _unplug(plant: Rig) -> None:
    _do(f"ip -n {PEER} link set far down")
    time.sleep(plant.draw.uniform(*GONE_S))
    _do(f"ip -n {PEER} link set far up")


def _do(command: str) -> None:
    done = subprocess.run(command.split(), capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}: {done.stderr.strip()}"

"""The broker killed, restarted, frozen, cut off and held back: what it still has must come, and nothing twice."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

from tests.chaos.outcome import Outcome
from tests.chaos.rig import Rig, rig

GONE_S = (0.0, 1.5)
HELD_S = (0.5, 4.0)


def brokers(folder: Path, *, count: int, seed: int, say: Callable[[str], None]) -> Outcome:
    """`count` disturbances of the broker or of the way to it, in a drawn order."""
    outcome = Outcome("broker", count)
    with rig(folder, outcome, seed=seed) as plant:
        plant.begin()
        for number in range(count):
            time.sleep(plant.draw.uniform(0.2, 1.0))
            way = WAYS[number % len(WAYS)] if number < len(WAYS) else plant.draw.choice(WAYS)
            way(plant)
            outcome.note_recovery(plant.wait_for_commit(plant.record.newest()))
            plant.look(alarms=False)  # what a killed broker has lost, the rules have not seen
            if (number + 1) % 10 == 0:
                say(f"{number + 1} disturbances, {len(plant.record.seen)} readings")
        plant.settle(broker_may_lose=True)
        if plant.relay.strays:
            outcome.breaches.append(f"{plant.relay.strays} stale acknowledgements")
    return outcome


def _kill(plant: Rig) -> None:
    plant.broker.kill()
    time.sleep(plant.draw.uniform(*GONE_S))
    plant.broker.start()


def _restart(plant: Rig) -> None:
    plant.broker.stop()
    time.sleep(plant.draw.uniform(*GONE_S))
    plant.broker.start()


def _freeze(plant: Rig) -> None:
    plant.broker.freeze()
    time.sleep(plant.draw.uniform(*HELD_S))
    plant.broker.thaw()


def _cut(plant: Rig) -> None:
    plant.relay.cut()


def _hold(plant: Rig) -> None:
    """A partition that ends by itself."""
    plant.relay.hold()
    time.sleep(plant.draw.uniform(*HELD_S))
    plant.relay.release()


def _hold_and_cut(plant: Rig) -> None:
    """A partition in which what was on the way is lost: messages, and acknowledgements."""
    plant.relay.hold()
    time.sleep(plant.draw.uniform(*HELD_S))
    plant.relay.cut()
    plant.relay.release()


WAYS: tuple[Callable[[Rig], None], ...] = (_kill, _cut, _restart, _hold_and_cut, _freeze, _hold)

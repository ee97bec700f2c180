"""One run: a world lived through by a service that is killed again and again, then healed, then judged.

Owns the order of events. The same seed gives the same log, byte for byte. It must not judge: `checks` does.
"""

from __future__ import annotations

import hashlib
import random
import shutil
import sqlite3
import tempfile
from collections import Counter, deque
from dataclasses import dataclass, field
from pathlib import Path

from service.model import BadConfiguration
from tests.simulation import checks
from tests.simulation.broker import Broker
from tests.simulation.gateways import BASE_US
from tests.simulation.kills import HISTORY_POINTS, IDLE, POINTS, Disk, Killed, Kills
from tests.simulation.service import Life, Outside, Played, Receipts, Time, play_again, settings, surroundings
from tests.simulation.world import World, chooser, world

MEMORY = Path("/dev/shm")
STEP_S = (0.0, 0.2, 0.5, 1.0, 1.0, 2.0)
FAR_S = 400 * 86_400.0  # all that can run out has then run out
OFF_US = (0, 0, 1_000_000, -1_000_000, 60_000_000, -60_000_000, 3_600_000_000, -3_600_000_000)
LIVES_AT_MOST = 400
HEALING_TURNS = 2_000


@dataclass(slots=True)
class Result:
    """What became of one seed; `failure` is empty where all is as it must be."""

    seed: int
    kills: Counter[str] = field(default_factory=Counter)
    figures: Counter[str] = field(default_factory=Counter)
    failure: str = ""
    log: list[str] = field(default_factory=list)
    truth: checks.Truth | None = None

    @property
    def digest(self) -> str:
        """Stands for the whole log."""
        return hashlib.sha256("\n".join(self.log).encode()).hexdigest()


class Run:
    """One world on its way through time."""

    def __init__(self, made: World, folder: Path) -> None:
        self.world, self.folder = made, folder
        self.log: list[str] = []
        self.time = Time()
        self.kills = Kills(
            chooser(made.seed, "kills"), self.note, POINTS + (HISTORY_POINTS if made.has_history else ())
        )
        self.disk = Disk(folder, self.kills, chooser(made.seed, "disk"), self.note)
        self.broker = Broker(self.note, self.kills.at)
        self.receipts = Receipts(chooser(made.seed, "receipts"), self.note)
        self.outside = Outside(made, self.time, self.broker, self.kills, self.disk, self.receipts)
        self.settings = settings(folder)
        self.played: dict[int, Played] = {}
        self.draw = random.Random(f"run {made.seed}")
        self.to_come = deque(made.messages)
        self.steps_left = 0
        self.has_begun = False

    def note(self, what: str) -> None:
        self.log.append(f"{(self.time.true_us - BASE_US) / 1e6:.6f} {what}")

    def live(self) -> None:
        """Lives one after the other, until the world has nothing more to say; then a last one that nothing ends."""
        if self.to_come:
            self.time.true_us = self.to_come[0].due_us
        first_us = self.time.true_us
        with surroundings(self.outside, random.Random(f"jitter {self.world.seed}").random):
            for _ in range(LIVES_AT_MOST):
                if not self.to_come and not self.broker.backlog:
                    break
                self._one_life()
            self._heal()
        self.first_us = first_us

    def _one_life(self) -> None:
        self.kills.begin_life()
        self.disk.begin_life()
        self.steps_left = self.draw.choice((1, 2, 3, 5, 8))
        try:
            self.note(f"starts; is to end {self.kills.target}")
            life = Life(self.outside, self.settings, self.played)
            self.has_begun = True
            while True:
                self._step(life)
        except Killed:
            pass
        except (sqlite3.Error, BadConfiguration) as error:
            if "disk" not in str(error) and "locked" not in str(error):
                raise
            self.note(f"does not start: {error}".replace(str(self.folder), "data"))
        self.broker.drop()
        self.disk.pull_the_plug()
        if self.has_begun:  # till then the register's first instants must be the same in every run
            self._pass_time(self.draw.choice((0.0, 0.5, 2.0, 5.0, 20.0)))

    def _step(self, life: Life) -> None:
        """Something happens outside, then the service has its turn; after so many the life ends."""
        self._move_world(life)
        if not self.broker.is_up or (life.is_connected and self.draw.random() < 0.03):
            if life.is_connected:
                self.note("connection lost")
                life.lose_connection()
        elif not life.is_connected and self.draw.random() < 0.7:
            self.note("connects")
            life.connect()
        for _ in range(self.draw.choice((1, 1, 1, 1, 1, 1, 1, 1, 2, 3))):
            if life.is_connected and self.draw.random() < 0.1:  # what is in the inbox is of an earlier connection then
                self.note("connection lost")
                life.lose_connection()
                life.connect()
            if life.is_connected:
                self.broker.deliver(self.draw.choice((1, 1, 2, 3, 8, 64)))
        self._turn(life)
        self.steps_left -= 1
        if self.steps_left <= 0:
            self.kills.kill(IDLE)
        self.kills.at(IDLE)

    def _turn(self, life: Life) -> None:
        most = self.draw.choice((1, 2, 5, 20, 100))
        while True:
            waiting = len(life.service.inbox)
            if not life.round(most):
                self.kills.kill(IDLE)
            if waiting <= most:
                break
        if self.draw.random() < 0.7:
            life.notify()
            life.notify()  # what was answered at once is marked at the next turn
        if self.world.has_history and self.draw.random() < 0.5:
            life.follow()

    def _move_world(self, life: Life) -> None:
        """Time passes; the broker and the service's clock have their faults; the gateways publish."""
        chance = self.draw.random()
        if chance < 0.02:
            self.broker.is_up = False
            self.note("broker down")
        elif not self.broker.is_up and chance < 0.5:
            self.broker.restart()
            self.note("broker up")
        elif chance > 0.97 and self.world.has_steps:
            self.time.off_us = self.draw.choice(OFF_US)
            self.note(f"clock off by {self.time.off_us} us")
        busy = len(life.service.inbox) or self.broker.undelivered
        self._pass_time(0.0 if busy and self.world.kind == "prompt" else self.draw.choice(STEP_S))

    def _pass_time(self, seconds: float) -> None:
        self.time.pass_by(seconds)
        quiet_us = (self.to_come[0].due_us if self.to_come else 0) - self.time.true_us
        if quiet_us > 3_000_000:
            self.time.pass_by(min(quiet_us, 15_000_000) / 1e6)
        while self.broker.is_up and self.to_come and self.to_come[0].due_us <= self.time.true_us:
            self.note(f"accepts {len(self.broker.accepted)}: {self.to_come[0].topic} {self.to_come[0].payload!r}")
            self.broker.accept(self.to_come.popleft())

    def _heal(self) -> None:
        """Everything works from now on; demand quiet."""
        self.note("healed")
        self.kills.is_on = self.kills.is_dead = False
        self.disk.heal()
        self.receipts.is_healthy = self.broker.is_up = True
        self.time.off_us = 0
        life = Life(self.outside, self.settings, self.played)
        life.connect()
        for _ in range(HEALING_TURNS):
            self._pass_time(0.0 if self.world.kind == "prompt" else 1.0)
            self.broker.deliver(64)
            life.round(100)
            if not self.to_come and not self.broker.backlog and not len(life.service.inbox):
                break
            if not self.broker.backlog and self.to_come:
                self._pass_time(1.0)
        for seconds in (15.0, FAR_S, 2.0):
            self.time.pass_by(seconds)
            life.round(100)
            self._tell_all(life)
        if self.world.has_history:
            life.follow()
        self.disk.pull_the_plug()

    def _tell_all(self, life: Life) -> None:
        """Let the dispatcher work until nothing is owed."""
        for _ in range(HEALING_TURNS):
            life.notify()
            self.time.pass_by(10.0)
            if life.service.outbox.owed()[0] == 0:
                break


def simulate(seed: int) -> Result:
    """Live through the world of a seed, and say what is wrong afterwards."""
    made = world(seed)
    result = Result(seed)
    folder = Path(tempfile.mkdtemp(prefix="dustcake-simulation-", dir=MEMORY if MEMORY.is_dir() else None))
    try:
        (folder / "killed").mkdir()
        (folder / "whole").mkdir()
        run = Run(made, folder / "killed")
        result.log, result.kills = run.log, run.kills.by_point
        try:
            run.live()
            _play_whole(run, folder / "whole")
            found = checks.Found(made, run.broker, run.receipts.got, folder / "killed", folder / "whole")
            result.figures, result.failure, result.truth = checks.judge(found)
            result.figures["refused by the disk"] = run.disk.refused
        except Exception as error:  # noqa: BLE001 - whatever the service raises is a finding, with its seed
            result.failure = f"{type(error).__name__}: {error}"
        except Killed:
            result.failure = "a kill after all was healed"
    finally:
        shutil.rmtree(folder)
    return result


def _play_whole(run: Run, folder: Path) -> None:
    """The same rounds, in one life."""
    made, note = run.world, run.note
    kills = Kills(chooser(made.seed, "none"), note, POINTS, is_on=False)
    disk = Disk(folder, kills, chooser(made.seed, "none"), note)
    outside = Outside(made, Time(), Broker(note, kills.at), kills, disk, Receipts(chooser(made.seed, "none"), note))
    with checks.opened(run.folder) as connection:
        last = connection.execute("SELECT max(seq) FROM journal").fetchone()[0]
    played = {seq: one for seq, one in run.played.items() if 1 < seq <= last}
    with surroundings(outside, random.Random(0).random):
        play_again(outside, settings(folder), played, run.first_us)

"""A whole little plant for a scenario: broker, relay, daemon, webhook receiver and a feed, and the final account.

The story is of the present: the daemon's clock and the feed run at one speed (`begins_s` puts it into the past, with
the clock at its natural speed). The daemon's data folder may be a mount that the scenario makes beforehand.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from tests import parts
from tests.chaos.broker import Broker
from tests.chaos.feed import Feed, speed_of
from tests.chaos.hook import Hook
from tests.chaos.nursery import Nursery
from tests.chaos.outcome import Outcome
from tests.chaos.record import Key, Record, history_differs, keys_of
from tests.chaos.relay import Relay
from tests.end_to_end.story import Row, Story, truth

COLLECTORS = 6
QUIET_S = 4.0  # longer than the longest wait of the daemon between two attempts to connect
FAR_US = 4_000_000_000_000_000
CONTACT = '[[contact]]\nid = "lead"\nname = "Lead"\nvia = [{ channel = "hook" }]'
SETTINGS = """[intake]
batch_parcels = 20
[clock]
speed = {speed}
wall_anchor = {now}
plant_anchor = {now}
[notify]
first_retry_s = 0.5
longest_retry_s = 5
stored_quiet_s = 1
stored_longest_s = 5
[channels.hook]
kind = "webhook"
url = "http://127.0.0.1:{port}/"
timeout_s = 5
"""
HISTORY = (
    "SELECT p.collector, p.name, epoch_us(r.at_utc) // 1000000, r.original "
    "FROM reading AS r JOIN point AS p ON p.id = r.point"
)


@dataclass
class ChaosDaemon(parts.Daemon):
    """The daemon behind a command of the scenario's choice (`prefix`) and with more environment."""

    prefix: list[str] = field(default_factory=list)
    environment: dict[str, str] = field(default_factory=dict)
    nursery: Nursery | None = None  # starts it cheaply, without prefix

    def start(self, *, ready: bool = True) -> None:
        arguments = ["run", "--config", str(self.folder / "dustcake.toml")]
        environment = os.environ | {"DUSTCAKE_BROKER__RECONNECT_LONGEST_S": "1"} | self.environment
        log = self.folder / "daemon.log"
        if self.nursery is not None:
            self.process = self.nursery.start(arguments, log, environment)  # type: ignore[assignment]  # has what is used
        else:
            command = [*self.prefix, sys.executable, "-m", "service", *arguments]
            with log.open("ab") as out:
                self.process = subprocess.Popen(command, stdout=out, stderr=out, cwd=parts.ROOT, env=environment)
        if ready:
            parts.wait_until(self.is_ready, f"the daemon is ready; see {self.folder}/daemon.log")

    def failed(self) -> list[str]:
        """The checks that readiness calls failed; empty also when nobody answers."""
        with contextlib.suppress(httpx.HTTPError, ValueError):
            found: list[str] = httpx.get(f"http://127.0.0.1:{self.port}/readyz", timeout=2).json()["failed"]
            return found
        return []

    def signal(self, number: signal.Signals) -> None:
        assert self.process is not None
        self.process.send_signal(number)

    def log_text(self) -> str:
        log = self.folder / "daemon.log"
        return log.read_text(errors="replace") if log.exists() else ""


class Rig:
    """Everything of one scenario. `settle` ends the load and fills in the outcome."""

    def __init__(
        self,
        folder: Path,
        outcome: Outcome,
        *,
        seed: int,
        rate_per_s: float = 24,
        data: Path | None = None,
        begins_s: int | None = None,
        settings: str = "",
        contacts: str = "",
        broker_host: str = "127.0.0.1",
        broker_prefix: tuple[str, ...] = (),
        starts_often: bool = False,
    ) -> None:
        self.folder, self.outcome, self.draw = folder, outcome, random.Random(seed)
        self.began_s = time.monotonic()
        # Longer than any stall of a scenario: time must not pass over readings that are still on their way.
        self.plant = parts.plant_text(COLLECTORS, contacts=f"{CONTACT}\n{contacts}").replace(
            'lateness = "PT2S"', 'lateness = "PT4H"'
        )
        self.broker = Broker(folder, host=broker_host, prefix=broker_prefix)
        self.relay = Relay(self.broker.at.host, self.broker.at.port)
        self.hook = Hook()
        at = parts.BrokerAt("127.0.0.1", self.relay.port, "relay")
        now_s = int(time.time())
        speed = speed_of(rate_per_s, COLLECTORS) if begins_s is None else 1.0
        filled = SETTINGS.format(port=self.hook.port, speed=speed, now=now_s) + settings
        self.daemon = ChaosDaemon(folder / "d", at, self.plant, filled)
        if starts_often:
            self.daemon.nursery = Nursery()
        if data is not None:
            (folder / "d" / "data").symlink_to(data)
        self.record = Record(self.daemon.ledger)
        self.feed = Feed(
            self.broker.at, self.plant, COLLECTORS, seed=seed, rate_per_s=rate_per_s, start_s=begins_s or now_s
        )

    def begin(self) -> None:
        """Start the daemon, and the load once it listens (before that the broker has nobody to keep for)."""
        self.daemon.start(ready=False)
        parts.wait_until(self.daemon.is_ready, f"the daemon is ready; see {self.folder}/d/daemon.log", 120)
        self.feed.start()
        self.wait_for_commit(self.record.newest())

    def wait_for_commit(self, after: int, deadline_s: float = 120.0) -> float:
        """Wait for a journal entry after number `after`; seconds waited. AssertionError at the deadline."""
        began_s = time.monotonic()
        parts.wait_until(lambda: self.record.newest() > after, "the daemon commits", deadline_s)
        return time.monotonic() - began_s

    def look(self, *, alarms: bool = True) -> None:
        """The account after a round: journal rows once, and no alarm that the rules do not know."""
        self.record.read_on()
        wrong = self.record.different_from(dict(self.feed.alarms), so_far=True) if alarms else 0
        if wrong:
            self.outcome.breaches.append(f"{wrong} alarms in the record that the rules do not know")
        if self.record.state_ahead():
            self.outcome.breaches.append("a saved state is ahead of the journal")

    def settle(self, *, broker_may_lose: bool = False, deadline_s: float = 120.0) -> None:
        """End the load, wait until all has come, stop the daemon, and account for everything."""
        self.feed.finish()
        sent = self.feed.sent
        everything = {key for number, rows in sent for key in keys_of(number, rows)}
        expected = self._come(everything, deadline_s) if broker_may_lose else everything
        with contextlib.suppress(AssertionError):  # what is missing then is counted below
            parts.wait_until(lambda: self._has(expected), "all readings are in the journal", deadline_s)
            parts.wait_until(lambda: self.record.owed() == 0, "everybody is told", deadline_s)
        if self.daemon.stop() != 0:
            self.outcome.breaches.append("the daemon did not end in order")
        self._account(expected, everything)

    def _has(self, expected: set[Key]) -> bool:
        self.record.read_on()
        return len(self.record.seen) >= len(expected)

    def _come(self, everything: set[Key], deadline_s: float) -> set[Key]:
        """What the broker still had. After one more connection nothing new comes, and all of it is acknowledged."""
        self.relay.cut()
        quiet_s, last, end_s = time.monotonic(), -1, time.monotonic() + deadline_s
        while time.monotonic() < end_s and (time.monotonic() - quiet_s < QUIET_S or self.relay.under_way):
            if self.relay.packets != last:
                quiet_s, last = time.monotonic(), self.relay.packets
            time.sleep(0.1)
        if self.relay.under_way:
            self.outcome.breaches.append(f"{self.relay.under_way} messages were delivered and never acknowledged")
        self.record.read_on()
        # What was on its way when it was cut, and was not acknowledged, a killed broker may have lost as well.
        came = self._readings_of(self.relay.acknowledged) | self.record.seen.keys()
        self.outcome.notes.append(f"readings that the broker itself lost: {len(everything - came)}")
        return came

    def _readings_of(self, named: set[tuple[str, int]]) -> set[Key]:
        seqs: dict[int, int] = {}
        found: set[Key] = set()
        for number, rows in self.feed.sent:
            seq = seqs[number] = seqs.get(number, -1) + 1
            if (f"gw-{number}", seq) in named:
                found.update(keys_of(number, rows))
        return found

    def _account(self, expected: set[Key], everything: set[Key]) -> None:
        outcome, record = self.outcome, self.record
        record.read_on()
        missing = expected - record.seen.keys()
        acknowledged = self._readings_of(self.relay.acknowledged) - record.seen.keys()
        history_lost, history_twice = history_differs(self.daemon.ask_history(HISTORY), record.seen)
        outcome.readings, outcome.lost = len(record.seen), max(len(missing | acknowledged), history_lost)
        outcome.twice = record.twice + history_twice + len(record.seen.keys() - everything)
        judged = record.seen.keys() - record.late  # what came, and not after later ones of its point
        kept = [(number, _only(judged, number, rows)) for number, rows in self.feed.sent]
        true = truth(Story(COLLECTORS, kept), self.plant, FAR_US)
        outcome.alarms, outcome.alarms_different = len(true), record.different_from(true, so_far=False)
        if not true:
            outcome.breaches.append("the story has no alarm: it proves nothing")
        wrong = record.notifications_wrong(self.hook)
        outcome.notifications_wrong = len(wrong)
        outcome.notes += wrong[:5]
        outcome.took_s = time.monotonic() - self.began_s
        outcome.notes.append(
            f"messages {len(self.feed.sent)}, acknowledged {len(self.relay.acknowledged)}, connections "
            f"{self.relay.connections}, stray acknowledgements {self.relay.strays}; alarms {outcome.alarms}; "
            f"notifications {len(self.hook.came)}, repeats {self.hook.came.total() - len(self.hook.came)}; "
            f"readings journalled again as late {record.again}, late and new {len(record.late)}"
        )

    def close(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            if self.daemon.process is not None and self.daemon.process.poll() is None:
                self.daemon.signal(signal.SIGCONT)
        self.daemon.end()
        if self.daemon.nursery is not None:
            self.daemon.nursery.close()
        self.feed.close()
        self.relay.close()
        self.broker.thaw()
        self.broker.kill()
        self.hook.close()


def _only(judged: set[Key], number: int, rows: list[Row]) -> list[Row]:
    """The rows that the service had to judge."""
    return [row for row, key in zip(rows, keys_of(number, rows), strict=True) if key in judged]


@contextlib.contextmanager
def rig(folder: Path, outcome: Outcome, **wishes: Any) -> Iterator[Rig]:
    """A `Rig` that is taken down whatever happens."""
    made = Rig(folder, outcome, **wishes)
    try:
        yield made
    finally:
        made.close()

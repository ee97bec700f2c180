"""A recording straight into a new record: the service's own stages, without a broker, as fast as they go.

The service's clock stands where the recording is: at the time each message was received, and at each second between.
What follows is therefore the same each time, whatever the computer does meanwhile. Sends nothing: notifications stay
owed in the outbox, and what a form would ask its senders for is only counted. Decides nothing about a reading.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

from service.batch import Bounds, Request
from service.clock import SECOND_US, clock_of
from service.evaluate.evaluator import Listening
from service.model import MAIN, BadConfiguration, Parcel
from service.pipeline import BATCH_BYTES, Pipeline
from service.plant.form import Plant
from service.receive.inbox import Inbox
from service.recording import Missed, Reader, Recorded
from service.registering import Registered, take_up
from service.settings import ClockSettings, Settings
from service.sources.form import Sources
from service.sourcing import brokers_of, identified_by, intake_of
from service.stages import pipeline_of
from service.store.history import History
from service.store.ledger import Ledger
from service.store.outbox import LedgerOutbox
from service.store.reader import LedgerReader
from service.units.times import as_datetime, iso

BATCH_US = 50_000  # of recorded time in one transaction: what a message waits for others in the daemon by default
TICK_US = SECOND_US  # between two looks at what falls due without a message, as in the daemon
IDLE_TICKS_MOST = 3600  # between two messages; over a longer time they are further apart
ALARMS_MOST = 1_000_000  # in the report
HISTORY_S = 600.0  # without progress of the history
LEDGER, HISTORY = "ledger.sqlite", "history.duckdb"


class Step(NamedTuple):
    """One turn of the pipeline: the time it is, in wall time, and what has come; or a time in which none was heard."""

    at_us: int
    parcels: tuple[Parcel, ...] = ()
    missed: Missed | None = None


class Steps:
    """Cuts records into turns by their time alone, so that they are the same each time.

    Messages of one window of `batch_us` go together, never across a whole tick. Time never goes back: a message that
    was received before the clock was set back comes at the time of the one before it.
    """

    def __init__(
        self, started_us: int, *, batch_us: int, most: int, identified: Mapping[str, str] | None = None
    ) -> None:
        """`identified`: of each broker that says who published, the user property in which it does."""
        self._identified = identified or {}
        self._start_us, self._batch_us, self._most = started_us, batch_us, most
        self._now_us, self._tick_us = started_us, started_us + TICK_US
        self._ends_us = 0  # of the window that `_waiting` is in
        self._waiting: list[Parcel] = []
        self._waiting_bytes = 0

    def of(self, records: Iterable[Recorded | Missed], ended_us: Callable[[], int | None]) -> Iterator[Step]:
        """The turns of all records; `ended_us` is asked after the last one, None where the recording was cut off."""
        for record in records:
            if isinstance(record, Missed):
                yield from self._until(record.from_us)
                self._now_us = max(self._now_us, record.to_us)
                self._tick_us = self._after(self._now_us, TICK_US)
                yield Step(self._now_us, missed=record)
                continue
            at_us = max(self._now_us, record.received_us)
            if self._is_full or at_us >= self._ends_us:
                yield from self._until(at_us)
            if not self._waiting:
                self._ends_us = min(self._after(at_us, self._batch_us), self._tick_us)
            self._waiting.append(record.as_parcel(self._identified.get(record.broker)))
            self._waiting_bytes += len(record.payload)
            self._now_us = at_us
        yield from self._until(ended_us() or 0)
        yield Step(self._now_us)

    def _until(self, at_us: int) -> Iterator[Step]:
        """What waits, then the ticks up to a time."""
        at_us = max(at_us, self._now_us)
        if self._waiting:
            yield Step(self._now_us, tuple(self._waiting))
            self._waiting, self._waiting_bytes = [], 0
        apart_us = self._after(max(0, at_us - self._tick_us) // IDLE_TICKS_MOST, TICK_US, 0)
        while self._tick_us <= at_us:
            yield Step(self._tick_us)
            self._tick_us += apart_us
        self._tick_us = self._after(at_us, TICK_US)
        self._now_us = at_us

    @property
    def _is_full(self) -> bool:
        return len(self._waiting) >= self._most or self._waiting_bytes >= BATCH_BYTES

    def _after(self, at_us: int, every_us: int, start_us: int | None = None) -> int:
        """The first point after a time of a grid that begins at the start."""
        start_us = self._start_us if start_us is None else start_us
        return start_us + ((at_us - start_us) // every_us + 1) * every_us


class RecordedTime:
    """The service's clock: wall time is where the recording is, plant time follows from it as in the daemon."""

    def __init__(self, started_us: int, settings: ClockSettings) -> None:
        self.at_us, self._clock = started_us, clock_of(*settings.numbers)

    def wall_us(self) -> int:
        return self.at_us

    def plant_us(self) -> int:
        return self.plant_of(self.at_us)

    def plant_of(self, wall_us: int) -> int:
        """Plant time at a wall time."""
        return self._clock.plant_of(wall_us)

    def describe(self) -> str:
        return "time of a recording"


@dataclass(slots=True)
class Played:
    """How far a replay is: for progress, and for what the record itself does not keep."""

    started_us: int
    at_us: int
    messages: int = 0
    asks: int = 0  # what forms wanted published
    own: int = 0  # messages in which a service speaks of itself: heartbeats
    missed_us: list[int] = field(default_factory=list)


class Replay:
    """A new record in a folder, and the stages that fill it from a recording. Close it, whatever happens."""

    def __init__(
        self,
        folder: Path,
        plant: Plant,
        settings: Settings,
        sources: Sources,
        *,
        started_us: int,
        brokers: frozenset[str] = frozenset({MAIN}),
        batch_us: int = BATCH_US,
    ) -> None:
        """`brokers` are those whose messages are in the recording. BadConfiguration when the folder has a record."""
        for name in (LEDGER, HISTORY):
            if (folder / name).exists():
                raise BadConfiguration(f"{folder}: has {name} in it; expected a folder without a record; give another")
        self.played = Played(started_us, started_us)
        self._settings, self._batch_us = settings, batch_us
        self._clock = RecordedTime(started_us, settings.clock)
        self._ledger = Ledger(folder / LEDGER)
        self._registered = take_up(
            self._ledger,
            plant,
            plant_us=self._clock.plant_us(),
            wall_us=self._clock.wall_us(),
            who="replay",
            why="replay of a recording",
        )
        self._history = History(
            folder / HISTORY,
            self._ledger.path,
            lambda: as_datetime(self._clock.wall_us()).strftime("%Y%m%dT%H%M%S%f"),
            memory_mb=settings.history.memory_mb,
        )
        own = "|".join(
            _any_name(topic, settings.name) for topic in (settings.topics.service, settings.topics.heartbeat)
        )
        self._own = re.compile(own)
        self._broker_of, self._identified = brokers_of(sources), identified_by(settings, sources)
        self._connected_us = self._since_us = started_us
        self._unheard = frozenset(
            name for name in self._registered.evaluator.gateways if self._broker_of.get(name, MAIN) not in brokers
        )
        self._inbox: Inbox[Parcel | Request] = Inbox(1, most_bytes=1, weigh=lambda _: 0)
        self._pipeline = self._stages(self._registered, sources)
        self._history.start()
        self._history.follow(self._ledger.seq)

    def play(self, reader: Reader, tell: Callable[[Played], None] = lambda _: None) -> dict[str, Any]:
        """All of a recording; the report. BadInput at a damaged block: what came before it is in the record then."""
        most, identified = self._settings.intake.batch_parcels, self._identified
        steps = Steps(reader.started_us, batch_us=self._batch_us, most=most, identified=identified)
        for step in steps.of(self._of_others(reader), lambda: reader.ended_us):
            self._take(step)
            tell(self.played)
        self._finish(tell)
        return self._report(is_whole=reader.ended_us is not None)

    def _of_others(self, records: Iterable[Recorded | Missed]) -> Iterator[Recorded | Missed]:
        """Without what a service says of itself, which a recording of everything has too."""
        for record in records:
            if isinstance(record, Recorded) and record.broker == MAIN and self._own.fullmatch(record.topic):
                self.played.own += 1
            else:
                yield record

    def close(self) -> None:
        self._history.stop(HISTORY_S)
        self._ledger.close()

    def _take(self, step: Step) -> None:
        played = self.played
        self._clock.at_us = played.at_us = step.at_us
        if step.missed is None:
            self._pipeline.round(step.parcels)
            played.messages += len(step.parcels)
            return
        gap_us = max(0, step.missed.to_us - step.missed.from_us)
        played.missed_us.append(gap_us)
        self._connected_us, self._since_us = step.at_us, self._since_us + gap_us

    def _finish(self, tell: Callable[[Played], None]) -> None:
        """Save the last readings as the daemon does at its end, and bring the history up to it."""
        self._pipeline.start()
        self._pipeline.stop(HISTORY_S)
        self._history.follow(self._ledger.seq)
        left_s = HISTORY_S
        while not self._history.wait_applied(self._ledger.seq, 0.25):
            left_s -= 0.25
            tell(self.played)
            if left_s <= 0:
                raise RuntimeError(f"the history does not follow ({self._history.error}); the ledger is whole")

    def _listening(self) -> Listening:
        of = self._clock.plant_of
        return Listening(of(self._connected_us), of(self._since_us), self._unheard)

    def _ask(self, _broker: str, _topic: str, _payload: bytes) -> None:
        self.played.asks += 1

    def _stages(self, registered: Registered, sources: Sources) -> Pipeline:
        settings = self._settings
        return pipeline_of(
            registered,
            # Every turn looks at the watermark: when the next is due must not depend on this computer.
            bounds=Bounds(settings.intake.batch_parcels, 0.0, int(settings.intake.future_s * 1e6), tick_s=0.0),
            inbox=self._inbox,
            ledger=self._ledger,
            clock=self._clock,
            intake=intake_of(settings, sources, str(settings.sources)),
            acknowledge=lambda _: None,
            ask=self._ask,
            listening=self._listening,
            committed=self._history.follow,
            broker_of=self._broker_of,
        )

    def _report(self, *, is_whole: bool) -> dict[str, Any]:
        """What came of it: nothing that depends on when, where or how fast it was done."""
        reader, outbox = LedgerReader(self._ledger.path), LedgerOutbox(self._ledger.path)
        try:
            tallies = reader.tallies()
            alarms = reader.alarms(active_only=False, limit=ALARMS_MOST)
            owed, _ = outbox.owed()
        finally:
            reader.close()
            outbox.close()
        played, refused = self.played, "refused "
        return {
            "from": iso(played.started_us),
            "to": iso(played.at_us),
            "ended_in_order": is_whole,
            "without_connection_s": [us / 1e6 for us in played.missed_us],
            "messages": tallies.get("messages", 0),
            "messages_of_services_themselves": played.own,
            "readings": tallies.get("readings", 0),
            "duplicates": tallies.get("duplicates", 0),
            "late": tallies.get("late", 0),
            "missing_messages": tallies.get("missing messages", 0),
            "refused": {
                name.removeprefix(refused): count for name, count in sorted(tallies.items()) if name.startswith(refused)
            },
            "alarms": [_alarm(row) for row in sorted(alarms, key=lambda row: (row["raised_us"], row["id"]))],
            "gateways_not_recorded": sorted(self._unheard),
            "notifications_owed_and_not_sent": owed,
            "requests_to_senders_not_published": played.asks,
        }


def _any_name(topic: str, name: str) -> str:
    """A pattern of a service's own topic, whatever the service is called."""
    return "/".join("[^/]+" if level == name else re.escape(level) for level in topic.split("/"))


def _alarm(row: dict[str, Any]) -> dict[str, Any]:
    """An alarm of a limit, or of a gateway's data: then it names the gateway and no point."""
    return {
        "id": row["id"],
        "collector": row["collector"],
        "point": row["point"],
        "gateway": row["evidence"].get("gateway", ""),
        "tier": row["tier"],
        "priority": row["priority"],
        "state": row["state"],
        "raised": iso(row["raised_us"]),
        "cleared": None if row["cleared_us"] is None else iso(row["cleared_us"]),
    }

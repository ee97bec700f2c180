"""The daemon of a simulated run: the real service, built by its own wiring, driven step by step on one thread.

Owns what stands for the outside: time, the broker's library, the channels, threads. Everything else is the service's
own code on real files. It must never decide anything that the service decides.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NamedTuple
from unittest import mock

import duckdb
import numpy as np

from service import pipeline, premises, registering, wiring
from service.evaluate import evaluator, recovery
from service.evaluate.evaluator import Listening
from service.model import Accepted, OutboxRow, Parcel, Refused
from service.notify import dispatch
from service.pipeline import BATCH_BYTES
from service.receive import mqtt
from service.settings import ClockSettings, IntakeSettings, LogChannelSettings, NotifySettings, Settings
from service.store import history, ledger, mark, opening, outbox, reader, seal
from tests.property.histories import Choose
from tests.simulation.broker import Broker, Client
from tests.simulation.gateways import BASE_US
from tests.simulation.kills import Connection, Database, Disk, Kills
from tests.simulation.world import World

FATES = ("taken", "taken", "taken", "refused", "broken", "no answer")  # of a send


@dataclass(slots=True)
class Time:
    """True time, and the service's clock, which may be off. Stands for the module `time` too."""

    true_us: int = BASE_US
    off_us: int = 0
    monotonic_s: float = 1000.0

    def pass_by(self, seconds: float) -> None:
        self.true_us += round(seconds * 1e6)
        self.monotonic_s += seconds

    def plant_us(self) -> int:
        return self.true_us + self.off_us

    def wall_us(self) -> int:
        return self.true_us + self.off_us

    def describe(self) -> str:
        return "simulated"

    def monotonic(self) -> float:
        return self.monotonic_s


@dataclass(slots=True)
class Receipts:
    """What the receivers of notifications got, and how the channels fare."""

    choose: Choose
    note: Callable[[str], None]
    is_healthy: bool = False
    got: list[OutboxRow] = field(default_factory=list)

    def send(self, row: OutboxRow) -> Accepted | Refused:
        """Take a message; sometimes refuse it, fail, or take it and say that it failed."""
        fate = "taken" if self.is_healthy else self.choose(FATES)
        self.note(f"send {row.key}: {fate}")
        if fate in ("taken", "no answer"):
            self.got.append(row)
        if fate in ("broken", "no answer"):
            raise TimeoutError(fate)
        return Accepted("") if fate == "taken" else Refused("later")


class Played(NamedTuple):
    """One round as it was played: enough to play it again."""

    items: list[Any]
    clock_us: int
    monotonic_s: float
    listening: Listening | None
    tick_due_s: float
    received_us: Any


class Outside(NamedTuple):
    """All that stands around a service."""

    world: World
    time: Time
    broker: Broker
    kills: Kills
    disk: Disk
    receipts: Receipts


class _Stop(threading.Event):
    """The pipeline's wait between two attempts at a commit takes simulated time, and may be its last."""

    outside: Outside

    def wait(self, timeout: float | None = None) -> bool:
        self.outside.time.pass_by(timeout or 0.0)
        self.outside.kills.at("while the disk refuses")
        return False


class _InlineThread:
    """A thread that runs to its end when it is started, with the two places around a send."""

    kills: Kills
    ident = None

    def __init__(self, target: Callable[..., None], args: tuple[Any, ...] = (), **_: Any) -> None:
        self._target, self._args = target, args

    def start(self) -> None:
        self.kills.at("before a send")
        self._target(*self._args)
        self.kills.at("between a send and its mark")


def settings(folder: Path) -> Settings:
    """The settings of every simulated service, with its folder for data."""
    made = _settings()
    web = made.web.model_copy(update={"token_file": folder / "token"})
    return made.model_copy(update={"data_dir": folder, "web": web})


@cache
def _settings() -> Settings:
    return Settings(
        name="simulated",
        plant=Path("plant.toml"),
        intake=IntakeSettings(future_s=86_400.0),  # beyond every step of a clock: what is refused depends on no clock
        notify=NotifySettings(first_retry_s=1.0, longest_retry_s=8.0),
        clock=ClockSettings(),
        channels={"pager": LogChannelSettings(), "mail": LogChannelSettings()},
    )


@contextlib.contextmanager
def surroundings(outside: Outside, draw: Callable[[], float]) -> Iterator[None]:
    """While this lasts, a `Service` that is built stands in the simulated world."""
    world, time, _, kills, disk, receipts = outside
    thread = type("InlineThread", (_InlineThread,), {"kills": kills})
    real_connect, real_replay = ledger.connect, recovery.replay
    real_hold, real_mark = premises.hold_alone, mark.Mark

    def connecting(*, is_ledger: bool) -> Callable[..., Any]:
        def connect(path: Path, *, read_only: bool = False) -> Any:
            return disk.opens(Connection(real_connect(path, read_only=read_only), path, disk, is_ledger=is_ledger))

        return connect

    def replay(*words: Any) -> None:
        kills.at("in start-up, between replayed entries")
        real_replay(*words)

    def database(path: str, config: Any) -> Any:
        return disk.opens(Database(duckdb.connect(path, config=config), kills))

    def channel(name: str, *_: Any, **__: Any) -> Any:
        return SimpleNamespace(name=name, timeout_s=1.0, send=receipts.send, close=lambda: None)

    patches: tuple[tuple[Any, str, Any], ...] = (
        (wiring, "load_plant", lambda _: world.plant),
        (wiring, "clock_of", lambda *_: time),
        (wiring, "channel_of", channel),
        (wiring, "WebServer", lambda *_: SimpleNamespace(port=0)),
        (wiring, "HouseView", lambda **_: SimpleNamespace(note_change=lambda: None)),
        (wiring, "BackgroundScheduler", lambda **_: SimpleNamespace()),
        (wiring, "random", SimpleNamespace(random=draw)),
        (mqtt, "_Client", lambda *_, **__: Client(outside.broker)),
        (ledger, "connect", connecting(is_ledger=True)),
        (outbox, "connect", connecting(is_ledger=False)),
        (history, "connect", lambda path, **words: disk.opens(real_connect(path, **words))),
        (reader, "connect", lambda path, **words: disk.opens(real_connect(path, **words))),
        (ledger, "Mark", lambda path: disk.opens(real_mark(path))),
        (premises, "hold_alone", lambda folder: disk.opens(real_hold(folder))),
        (history, "duckdb", SimpleNamespace(connect=database, Error=duckdb.Error)),
        (evaluator, "replay", replay),
        (dispatch, "time", time),
        (dispatch, "threading", SimpleNamespace(Thread=thread, Event=threading.Event, Lock=threading.Lock)),
        (pipeline, "time", time),
        (pipeline, "log", mock.MagicMock()),
        (pipeline, "TIPS_EVERY_ENTRIES", world.tips_every),
        (registering, "compile_plant", lambda _plant, revision: _compiled(world, revision)),
        (registering, "digest", lambda _plant: world.digest),
    )
    if not world.has_seals:
        patches += (
            (seal, "keep", lambda _: None),
            (seal, "seal_all", lambda _: None),
            (seal, "faults", lambda *_: iter(())),
            (opening, "look", lambda *_: ([], set())),
        )
    with contextlib.ExitStack() as stack:
        for where, name, what in patches:
            stack.enter_context(mock.patch.object(where, name, what))
        yield


def _compiled(world: World, revision: int) -> Any:
    """Compiling is pure and slow; there is one revision only."""
    assert revision == 1
    return world.compiled


class Life:
    """One process, from its start to its end. Killed or an error of the disk may come out of every call."""

    def __init__(self, outside: Outside, words: Settings, played: dict[int, Played]) -> None:
        self._outside, self._played = outside, played
        outside.disk.is_starting = True
        self.service = wiring.Service(words)
        outside.disk.is_starting = False
        self.service.history.follow(self.service.ledger.seq)  # as the start of its threads does
        self._pass_places()
        outside.kills.at("after start-up")

    def connect(self) -> None:
        self.service.brokers.main._connect()

    def lose_connection(self) -> None:
        receiver: Any = self.service.brokers.main
        self._outside.broker.drop()
        receiver._client.on_disconnect(receiver._client, None, None, "lost", None)
        receiver._lost()

    @property
    def is_connected(self) -> bool:
        return self.service.brokers.main.connected.is_set()

    def round(self, most: int) -> bool:
        """One turn of the pipeline's thread, and of the network's; false when the pipeline has ended."""
        service = self.service
        items = service.inbox.take(most, most_bytes=BATCH_BYTES, age_s=0.0, wait_s=0.0)
        self._outside.kills.at("before decoding")
        self._played[service.ledger.seq + 1] = Played(
            items,
            self._outside.time.plant_us(),
            self._outside.time.monotonic_s,
            service._listening(),
            service.pipeline._tick_due_s,
            service.registered.evaluator._received_us.copy(),
        )
        going_on = service.pipeline.round(items)
        service.brokers.main._acknowledge_settled()
        return going_on

    def notify(self) -> None:
        """One turn of the dispatcher's thread."""
        dispatcher = self.service.dispatcher
        try:
            dispatcher._turn()
        except Exception as error:  # noqa: BLE001 - as the thread itself does
            dispatcher._look_pause.failed()
            dispatcher._note(error)

    def follow(self) -> None:
        """What the history's thread does when it has work."""
        known = self.service.history
        self._outside.kills.at("before the history")
        known._open()
        while known._wanted > known.applied:
            known._apply()

    def _pass_places(self) -> None:
        """Put the places where a life may end between the pipeline's steps."""
        line, kills = self.service.pipeline, self._outside.kills
        stop = _Stop()
        stop.outside = self._outside
        line._stop = stop
        line._decode = _then(line._decode, kills, "after decoding")  # type: ignore[method-assign]
        line._normalise = _then(line._normalise, kills, "after normalising")  # type: ignore[method-assign]
        line._judge = _then(line._judge, kills, "after judging")  # type: ignore[method-assign]
        acknowledge = line._acknowledge

        def around(parcels: Any) -> None:
            kills.at("before acknowledging")
            acknowledge(parcels)

        line._acknowledge = around
        line._committed = _then(line._committed, kills, "after acknowledging")


def _then(step: Callable[..., Any], kills: Kills, place: str) -> Callable[..., Any]:
    def stepped(*words: Any) -> Any:
        answer = step(*words)
        kills.at(place)
        return answer

    return stepped


def play_again(outside: Outside, words: Settings, played: dict[int, Played], first_us: int) -> int:
    """The rounds that were committed, in one life that nothing disturbs; how far the journal then is."""
    time = outside.time
    time.true_us, time.off_us = first_us, 0
    life = Life(outside, words, {})
    line, known = life.service.pipeline, life.service.registered.evaluator
    line._acknowledge = lambda _parcels: None
    for seq in sorted(played):
        items, clock_us, time.monotonic_s, listening, line._tick_due_s, received_us = played[seq]
        time.true_us = clock_us
        np.copyto(known._received_us, received_us)
        line._listening = lambda listening=listening: listening  # type: ignore[misc]
        line.round([Parcel(item.topic, item.payload, item.received_us, None, item.delivery) for item in items])
    outside.disk.pull_the_plug()
    return life.service.ledger.seq

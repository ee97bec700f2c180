"""Readings in, alarm changes and the states to be saved out.

Owns the board (streaming state of all collectors), the gateways' silence and their numbers. All can be made again from
the ledger: saved states, saved last readings, and the journal entries after those. `lock` guards the
board against people's questions from other threads; nothing is read or written while it is held.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import msgspec
import numpy as np
import numpy.typing as npt

from rules import silence
from rules.codec import from_plain, to_plain
from rules.collector import change_limits
from rules.microbatch import NEVER_US, Board, Columns
from rules.silence import GatewaySpec, Silence, SilenceEvent
from rules.types import AlarmEvent, CollectorSpec
from service.evaluate.recovery import read_tips, replay, write_tips
from service.evaluate.sequences import Sequences
from service.model import Batch, GatewayStatus


@dataclass(frozen=True, slots=True)
class Watched:
    """What is evaluated: the collectors' specifications, and which gateway brings which of their points."""

    specs: tuple[CollectorSpec, ...]
    point_numbers: npt.NDArray[np.int64]  # the ledger's number of each board point
    registered_us: npt.NDArray[np.int64]  # since when each board point is expected
    gateways: tuple[GatewaySpec, ...]
    gateway_points: Mapping[str, Sequence[tuple[str, str]]]  # (collector, point)
    lateness_us: Mapping[str, int]  # by collector


@dataclass(frozen=True, slots=True)
class Listening:
    """Since when the service hears a gateway's broker, in plant time: this connection, and in all, gaps taken off.

    `through` has both of the gateways that speak through another broker than the rest. `lost` are those whose own
    broker is not heard: no time passes for them, and nobody calls them silent.
    """

    connected_us: int
    since_us: int
    lost: frozenset[str] = frozenset()
    through: Mapping[str, tuple[int, int]] = field(default_factory=dict)

    def connected_of(self, gateway: str) -> int | None:
        """Since when its broker is heard without a break; None while it is not."""
        return None if gateway in self.lost else self.through.get(gateway, (self.connected_us, 0))[0]

    def since_of(self, gateway: str) -> int | None:
        """Since when its broker is heard in all, gaps taken off; None while it is not."""
        return None if gateway in self.lost else self.through.get(gateway, (0, self.since_us))[1]


@dataclass(slots=True)
class Judged:
    """What one step decided, and what must be saved with it."""

    batch: Batch | None = None
    events: list[AlarmEvent] = field(default_factory=list)
    silences: list[SilenceEvent] = field(default_factory=list)
    collectors: set[str] = field(default_factory=set)  # whose state changed
    gateways: set[str] = field(default_factory=set)
    duplicates: int = 0
    late: int = 0


class Evaluator:
    """Judges batches. Not for several threads at once, save for what `lock` guards."""

    def __init__(self, watched: Watched) -> None:
        self.watched = watched
        self.board = Board(watched.specs)
        self.lock = threading.Lock()
        self.last_good_us = np.full(len(self.board.points), NEVER_US, np.int64)
        self._received_us = np.zeros(len(self.board.points), np.int64)  # by the service's clock
        self._lateness_us = np.array([watched.lateness_us[spec.name] for spec, _ in self.board.points], np.int64)
        self.gateways = {gateway.name: Silence() for gateway in watched.gateways}
        self.sequences = Sequences(self.gateways)
        self._points_of = {
            name: {f"{collector} {point}": self.board.index[collector, point] for collector, point in points}
            for name, points in watched.gateway_points.items()
        }

    # ------------------------------------------------------------ judging

    def take(
        self, rows: Columns, original: npt.NDArray[np.float64], unit: npt.NDArray[np.int64], now_us: int
    ) -> Judged:
        """Judge one batch of readings; the batch for the journal has no duplicates, and its late rows marked."""
        self._received_us[rows.point] = now_us
        with self.lock:
            outcome = self.board.take(rows)
        order, keep = outcome.order, ~outcome.is_duplicate
        kept = order if keep.all() else order[keep]
        late = outcome.is_late[keep]
        batch = Batch(
            point=self.watched.point_numbers[rows.point[kept]],
            at_us=rows.at_us[kept],
            value=rows.value[kept],
            original=original[kept],
            unit=unit[kept],
            good=rows.good[kept],
            late=late,
        )
        good = kept[batch.good]
        np.maximum.at(self.last_good_us, rows.point[good], rows.at_us[good])
        return Judged(
            batch=batch if len(batch) else None,
            events=outcome.events,
            collectors=outcome.changed,
            duplicates=len(order) - len(kept),
            late=int(late.sum()),
        )

    def note_status(self, status: GatewayStatus, at_us: int) -> bool:
        """A gateway's birth or will; whether it changed anything that must be saved."""
        held = self.gateways.get(status.gateway)
        if held is None:
            return False
        points = self._points_of.get(status.gateway, {}).values()
        heard_us = max((int(self.last_good_us[i]) for i in points), default=NEVER_US)
        offline_us = None
        if status.state == "offline":
            # The same will may come again; one that comes after newer data is another.
            offline_us = at_us if held.offline_us is None or heard_us > held.offline_us else held.offline_us
        self.gateways[status.gateway] = replace(held, offline_us=offline_us)
        return offline_us != held.offline_us

    def pass_time(self, now_us: int, listening: Listening | None) -> Judged:
        """Let the watermark move to `now_us` less each collector's lateness, and judge the gateways' silence.

        Time does not pass over a point that has received anything within its lateness: stored data that
        come in one message after the other must not find that it has been decided without them. For the
        same reason no time passes while its broker is not heard, nor within the lateness after that.
        `listening` is None while no broker is connected: nobody can be called silent by a service that
        does not listen.
        """
        judged = Judged()
        if listening is None:
            return judged
        lateness_us = self.watched.lateness_us
        connected_us = np.full(len(self._received_us), listening.connected_us, np.int64)
        for gateway, (its_us, _) in listening.through.items():
            connected_us[list(self._points_of.get(gateway, {}).values())] = its_us
        waiting = now_us - np.maximum(self._received_us, connected_us) < self._lateness_us
        for gateway in listening.lost:
            waiting[list(self._points_of.get(gateway, {}).values())] = True
        with self.lock:
            judged.events, judged.collectors = self.board.advance(lambda name: now_us - lateness_us[name], waiting)
        self._judge_silence(now_us, listening, judged)
        return judged

    def _judge_silence(self, now_us: int, listening: Listening, judged: Judged) -> None:
        for gateway in self.watched.gateways:
            since_us = listening.since_of(gateway.name)
            if since_us is None:
                continue
            points = self._points_of.get(gateway.name, {})
            last = {name: int(max(self.last_good_us[i], self.watched.registered_us[i])) for name, i in points.items()}
            state, event = silence.judge(gateway, self.gateways[gateway.name], last, now_us, since_us)
            if event is not None:
                self.gateways[gateway.name] = state
                judged.silences.append(event)
                judged.gateways.add(gateway.name)

    # ------------------------------------------------------------ saving and loading

    def saved_states(self, names: set[str]) -> tuple[tuple[str, bytes], ...]:
        """The states of these collectors, as the ledger keeps them."""
        with self.lock:
            return tuple(
                (name, msgspec.json.encode(to_plain(self.board.specs[name], self.board.state(name))))
                for name in sorted(names)
            )

    def saved_gateways(self, names: set[str]) -> tuple[tuple[str, str], ...]:
        return tuple((name, msgspec.json.encode(self.gateways[name]).decode()) for name in sorted(names))

    def saved_tips(self) -> bytes:
        """The last readings of all points, as the ledger keeps them."""
        return write_tips(self.watched.point_numbers, self.board.tips, self.last_good_us)

    def load(
        self,
        states: Sequence[tuple[str, bytes]],
        gateways: Mapping[str, str],
        tips: bytes | None,
        later: Iterable[bytes] = (),
    ) -> None:
        """Take up the ledger's states, last readings and the journal entries after those."""
        numbers = self.watched.point_numbers
        if tips is not None:
            read_tips(tips, numbers, self.board.tips, self.last_good_us)
        for body in later:
            replay(body, numbers, self.board.tips, self.last_good_us)
        for name, body in states:
            if name in self.board.specs:
                self.board.load(name, from_plain(self.board.specs[name], msgspec.json.decode(body)))
        for name, text in gateways.items():
            if name in self.gateways:
                self.gateways[name] = msgspec.json.decode(text, type=Silence)

    def succeed(self, watched: Watched, at_us: int) -> tuple[Evaluator, list[AlarmEvent], list[SilenceEvent]]:
        """The evaluator under a new revision of the plant, from `at_us` on, and the alarms that it closed."""
        after = Evaluator(watched)
        events: list[AlarmEvent] = []
        specs = {spec.name: spec for spec in watched.specs}
        for name, spec in self.board.specs.items():
            state, closed = change_limits(spec, specs.get(name, CollectorSpec(name, ())), self.board.state(name), at_us)
            events += closed
            if name in specs:
                after.board.load(name, state)
        number_to_index = {int(number): i for i, number in enumerate(watched.point_numbers)}
        for i, number in enumerate(self.watched.point_numbers.tolist()):
            if number in number_to_index:
                after.last_good_us[number_to_index[number]] = self.last_good_us[i]
        silences = [
            silence.closed(gateway, self.gateways[gateway.name], at_us)
            for gateway in self.watched.gateways
            if gateway.name not in after.gateways and self.gateways[gateway.name].is_active
        ]
        after.sequences = self.sequences.succeed(after.gateways)
        after.gateways |= {name: held for name, held in self.gateways.items() if name in after.gateways}
        return after, events, silences

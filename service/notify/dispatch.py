"""Sends what the outbox owes, and records what became of it.

Owns the sends in flight and the outcomes not yet recorded. One thread makes all calls to the outbox; each
send runs on a thread of its own, at most `workers` per channel, so a hanging channel delays no other.

Rules:
1. A lane is one alarm on one channel to one address. Its rows go out in the order of their ids, one at a
   time; a failed row holds back the later ones of its lane until it is accepted or given up. Across a restart
   this needs an outbox whose `due` leaves out rows that have an earlier owed row in their lane.
2. A row in flight, or sent and not yet recorded, is never taken again: if the outbox cannot record an
   outcome, the recording is repeated and not the send. Only a crash in between sends twice, with the same key.
3. Whatever a channel raises is a temporary failure of that row. It must never end the thread.
4. Nothing here is unbounded: rows per look, sends per channel, waits between looks, waits on a broken outbox.
"""

from __future__ import annotations

import queue
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import groupby

from service.model import Accepted, Channel, Outbox, OutboxRow, Refused
from service.notify.retry import RetryPolicy

ERROR_CHARACTERS = 500
Lane = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Bounds:
    """The limits of the dispatcher's own work."""

    batch_rows: int = 100  # asked of the outbox beyond the rows that cannot start now
    most_rows: int = 2_000  # never asks for more
    poll_s: float = 1.0
    outbox_pause_s: float = 0.5  # after the outbox failed; doubles up to the next
    outbox_pause_most_s: float = 30.0
    most_unrecorded: int = 16  # with so many outcomes that the outbox cannot record, nothing more is sent
    overdue_grace_s: float = 5.0  # a send is called overdue this long after its channel's time-out


@dataclass(frozen=True, slots=True)
class DispatchState:
    """Counts since the start of the process, and what is owed now as far as the dispatcher has seen."""

    sent: int
    failed: int  # temporary refusals; each is tried again
    given_up: int
    in_flight: int
    overdue: int  # sends that have outlived their channel's time-out
    unrecorded: int  # settled by the channel, not yet recorded by the outbox
    owed: int  # due rows of the last look, rows waiting to be tried again, and those in flight
    oldest_owed_us: int | None
    last_error: str


@dataclass(frozen=True, slots=True)
class _Outcome:
    row: OutboxRow
    answer: Accepted | Refused


class _Pause:
    """How long to leave a failing outbox alone: doubles with each failure in a row."""

    def __init__(self, bounds: Bounds) -> None:
        self._first_s, self._most_s = bounds.outbox_pause_s, bounds.outbox_pause_most_s
        self._failures = 0
        self.until = 0.0  # monotonic

    def failed(self) -> None:
        pause_s = min(self._first_s * 2.0 ** min(self._failures, 20), self._most_s)
        self._failures += 1
        self.until = time.monotonic() + pause_s

    def worked(self) -> None:
        self._failures = 0

    @property
    def is_over(self) -> bool:
        return time.monotonic() >= self.until


class Dispatcher:
    """Takes due rows and sends them; `start` it once, `wake` it after each commit, `stop` it at the end.

    `now_us` is wall time in microseconds UTC and never a demo clock: retries are about other people's
    servers. `next_try_us` of the outbox is in the same clock. `random` gives numbers in [0, 1). The channels
    stay the caller's, who closes them after `stop`.
    """

    def __init__(
        self,
        outbox: Outbox,
        channels: Mapping[str, Channel],
        now_us: Callable[[], int],
        *,
        policy: RetryPolicy,
        workers: int,
        random: Callable[[], float],
        bounds: Bounds | None = None,
    ) -> None:
        if workers < 1:
            raise ValueError(f"dispatcher workers {workers}: expected at least 1 per channel")
        self._outbox, self._channels, self._now_us = outbox, dict(channels), now_us
        self._policy, self._workers, self._random = policy, workers, random
        self._bounds = bounds or Bounds()
        # Touched by other threads:
        self._signal = threading.Event()  # something to look at: a wake, an answer, a stop
        self._woken = threading.Event()  # the outbox has news
        self._answers: queue.SimpleQueue[_Outcome] = queue.SimpleQueue()
        self._lock = threading.Lock()  # over the four below and the counters
        self._in_flight: dict[int, tuple[OutboxRow, float]] = {}  # id -> row, monotonic start
        self._taken: dict[int, OutboxRow] = {}  # due at the last look and not started
        self._unrecorded: dict[int, _Outcome] = {}
        self._failing: dict[Lane, tuple[OutboxRow, int]] = {}  # row that holds its lane, its next try
        self._counts: Counter[str] = Counter()
        self._last_error = ""
        # The dispatcher thread's own:
        self._stuck = 0
        self._look_at = 0.0
        self._record_pause, self._look_pause = _Pause(self._bounds), _Pause(self._bounds)
        self._stop_at: float | None = None
        self._thread = threading.Thread(target=self._run, name="dispatcher", daemon=True)

    def start(self) -> None:
        self._thread.start()

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    def wake(self) -> None:
        """Say that the outbox has new rows. May be called from any thread, as often as one likes."""
        self._woken.set()
        self._signal.set()

    def stop(self, timeout_s: float) -> bool:
        """Start nothing more, wait for the sends in flight and record them; False when the time ran out."""
        self._stop_at = time.monotonic() + timeout_s
        self._signal.set()
        if self._thread.ident is not None:
            self._thread.join(timeout_s + 1.0)
        with self._lock:
            return not (self._thread.is_alive() or self._in_flight or self._unrecorded)

    def state(self) -> DispatchState:
        """What happened so far; may be called from any thread."""
        now_s = time.monotonic()
        with self._lock:
            rows = dict(self._taken)
            rows.update((row.id, row) for row, _ in self._failing.values())
            rows.update((row.id, row) for row, _ in self._in_flight.values())
            overdue = sum(now_s > started + self._patience_s(row) for row, started in self._in_flight.values())
            return DispatchState(
                sent=self._counts["sent"],
                failed=self._counts["failed"],
                given_up=self._counts["given up"],
                in_flight=len(self._in_flight),
                overdue=overdue,
                unrecorded=len(self._unrecorded),
                owed=len(rows),
                oldest_owed_us=min((row.queued_us for row in rows.values()), default=None),
                last_error=self._last_error,
            )

    # ------------------------------------------------------------ the dispatcher thread

    def _run(self) -> None:
        while not self._is_finished():
            self._signal.wait(self._pause_s())
            self._signal.clear()
            try:
                self._turn()
            except Exception as error:  # noqa: BLE001  rule 3: a fault in one turn must not stop all alarms
                self._look_pause.failed()
                self._note(error)

    def _turn(self) -> None:
        """Collect answers, record them, look for rows, start what may start."""
        while not self._answers.empty():
            outcome = self._answers.get_nowait()
            with self._lock:
                del self._in_flight[outcome.row.id]
                self._unrecorded[outcome.row.id] = outcome
        if self._unrecorded and self._record_pause.is_over:
            self._record_all()
        if self._may_look() and self._look_pause.is_over:
            if self._woken.is_set() or time.monotonic() >= self._look_at or not self._taken:
                self._look()
            self._start_rows()
            self._look_pause.worked()

    def _may_look(self) -> bool:
        return self._stop_at is None and len(self._unrecorded) < self._bounds.most_unrecorded

    def _record_all(self) -> None:
        """Record each outcome; those that the outbox does not take stay for the next time (rule 2)."""
        for outcome in list(self._unrecorded.values()):
            try:
                self._record(outcome)
            except Exception as error:  # noqa: BLE001  a busy or full ledger: kept, and shown in state()
                self._note(error)
            else:
                with self._lock:
                    del self._unrecorded[outcome.row.id]
        if self._unrecorded:
            self._record_pause.failed()
        else:
            self._record_pause.worked()

    def _look(self) -> None:
        """Ask for due rows, past those that cannot start now."""
        self._woken.clear()
        mine = self._in_flight.keys() | self._unrecorded.keys()  # the outbox still calls these due
        asked = min(self._bounds.batch_rows + len(mine) + self._stuck, self._bounds.most_rows)
        now_us = self._now_us()
        rows = {row.id: row for row in self._outbox.due(now_us, asked)}
        self._look_at = time.monotonic() + self._bounds.poll_s
        with self._lock:
            self._taken = {id_: row for id_, row in sorted(rows.items()) if id_ not in mine}
            if len(rows) < asked:  # all that is due was seen: a holder that should be there was settled elsewhere
                for lane, (holder, next_try_us) in list(self._failing.items()):
                    if next_try_us <= now_us and holder.id not in rows:
                        del self._failing[lane]

    def _start_rows(self) -> None:
        """Start every taken row whose lane is free and whose channel has a worker left."""
        with self._lock:
            busy = {_lane(row) for row, _ in self._in_flight.values()}
            busy.update(_lane(outcome.row) for outcome in self._unrecorded.values())
            used = Counter(row.channel for row, _ in self._in_flight.values())
            starting = []
            for _, rows in groupby(sorted(self._taken.values(), key=_lane_then_id), key=_lane):
                first = next(rows)
                lane = _lane(first)
                holder = self._failing.get(lane)
                if lane not in busy and (holder is None or holder[0].id == first.id):
                    starting.append(first)
            starting.sort(key=lambda row: row.id)
            starting = [row for row in starting if self._has_worker(used, row.channel)]
            for row in starting:
                del self._taken[row.id]
                self._in_flight[row.id] = (row, time.monotonic())
        self._stuck = len(self._taken)
        for row in starting:
            self._start(row)

    def _has_worker(self, used: Counter[str], channel: str) -> bool:
        if used[channel] >= self._workers:
            return False
        used[channel] += 1
        return True

    def _start(self, row: OutboxRow) -> None:
        channel = self._channels.get(row.channel)
        if channel is None:
            known = ", ".join(sorted(self._channels)) or "none"
            error = f"channel {row.channel!r} is not configured (known: {known}): add [channels.{row.channel}]"
            self._answered(row, Refused(error, permanent=True))
            return
        try:
            threading.Thread(
                target=self._send, args=(channel, row), name=f"send-{row.channel}-{row.id}", daemon=True
            ).start()
        except RuntimeError as error:  # the system has no thread to give
            self._answered(row, Refused(f"no thread for the send: {error}"))

    def _record(self, outcome: _Outcome) -> None:
        """Tell the outbox; raises what the outbox raises, and then nothing has changed here."""
        row, answer, now_us = outcome.row, outcome.answer, self._now_us()
        if isinstance(answer, Accepted):
            self._outbox.accepted(row.id, now_us, _plain(answer.detail))
            self._settled(row, "sent")
            return
        next_try_us = None
        if not answer.permanent:
            next_try_us = self._policy.next_try_us(
                queued_us=row.queued_us,
                attempts=row.attempts + 1,
                now_us=now_us,
                retry_after_s=answer.retry_after_s,
                random=self._random,
            )
        error = _plain(answer.error)
        self._outbox.failed(row.id, now_us, error, next_try_us)
        self._settled(row, "given up" if next_try_us is None else "failed", error, next_try_us)

    def _settled(self, row: OutboxRow, count: str, error: str = "", next_try_us: int | None = None) -> None:
        with self._lock:
            self._counts[count] += 1
            self._last_error = error or self._last_error
            if next_try_us is None:
                self._failing.pop(_lane(row), None)
            else:
                self._failing[_lane(row)] = (row, next_try_us)

    def _note(self, error: Exception) -> None:
        with self._lock:
            self._last_error = _plain(f"outbox: {type(error).__name__}: {error}")

    def _pause_s(self) -> float:
        """Seconds until the next turn is useful, if no signal comes before."""
        next_s = [] if self._stop_at is None else [self._stop_at]
        if self._unrecorded:
            next_s.append(self._record_pause.until)
        if self._may_look():
            next_s.append(max(self._look_at, self._look_pause.until))
        return max(0.0, min(next_s, default=0.0) - time.monotonic())  # empty: a stop came in between

    def _is_finished(self) -> bool:
        if self._stop_at is None:
            return False
        idle = not self._in_flight and not self._unrecorded and self._answers.empty()
        return idle or time.monotonic() >= self._stop_at

    # ------------------------------------------------------------ the sending threads

    def _send(self, channel: Channel, row: OutboxRow) -> None:
        try:
            self._answered(row, channel.send(row))
        except BaseException as error:  # noqa: BLE001  rule 3: whatever it is, the row must not stay in flight
            self._answered(row, Refused(f"channel {row.channel!r} failed: {type(error).__name__}: {error}"))

    def _answered(self, row: OutboxRow, answer: object) -> None:
        if not isinstance(answer, Accepted | Refused):
            answer = Refused(f"channel {row.channel!r} gave {answer!r}, expected Accepted or Refused")
        self._answers.put(_Outcome(row, answer))
        self._signal.set()

    def _patience_s(self, row: OutboxRow) -> float:
        channel = self._channels.get(row.channel)
        return (channel.timeout_s if channel else 0.0) + self._bounds.overdue_grace_s


def _plain(text: str) -> str:
    """Short, and storable: a lone surrogate from a peer's reply must not make an outcome unrecordable."""
    return text[:ERROR_CHARACTERS].encode("utf-8", "replace").decode()


def _lane(row: OutboxRow) -> Lane:
    return row.told.alarm_id, row.channel, row.address


def _lane_then_id(row: OutboxRow) -> tuple[Lane, int]:
    return _lane(row), row.id

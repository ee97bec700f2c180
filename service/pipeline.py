"""The stages in order: receive > decode > normalise > evaluate > store > acknowledge > tell. Read this first.

One round takes a batch from the inbox, and one ledger transaction carries all that follows from it:
the readings, the changed states, the alarm changes, the notifications owed, and what was refused. Only
after the commit is the broker told. When the commit fails nothing is lost: the same entry is tried
again, the inbox fills, and the broker keeps the rest.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType
from typing import Protocol

import structlog

from rules.microbatch import Columns
from service.batch import Bounds, NewSources, Origin, Request, Round
from service.clock import Clock
from service.decode.intake import Intake, Taken, broken
from service.evaluate.evaluator import Evaluator, Judged, Listening
from service.evaluate.sequences import joined, said
from service.model import (
    MAIN,
    AlarmChange,
    Entry,
    GatewayMessage,
    Kept,
    Owed,
    Parcel,
    Purge,
    SendAgain,
    SentAgain,
    Settled,
)
from service.normalise.columns import Normalised, Normaliser, rejection
from service.receive.inbox import Inbox
from service.store.ledger import Ledger

log = structlog.get_logger()

COMMIT_RETRY_S = (0.2, 1.0, 5.0)  # waits between attempts at a commit that failed; the last one repeats
BATCH_BYTES = 8 * 1024 * 1024  # of payload in one transaction; decoded it takes some twenty times as much
AGAIN_BYTES = 2 * 1024 * 1024  # of it from quarantine: live readings wait meanwhile, and somebody for the answer
COMMITS_TIMED = 1000  # the last ones
TIPS_EVERY_ENTRIES = 64  # a restart replays at most so many journal entries


class Announcer(Protocol):
    """Turns alarm changes into the record's form and into the notifications that they owe."""

    def announce(self, judged: Judged, plant_us: int) -> tuple[tuple[AlarmChange, ...], tuple[Owed, ...]]: ...


class Pipeline:
    """The consumer's thread. Everything that decides is called from here, and nothing else calls it."""

    def __init__(
        self,
        *,
        inbox: Inbox[Parcel | Request],
        normaliser: Normaliser,
        evaluator: Evaluator,
        announcer: Announcer,
        ledger: Ledger,
        clock: Clock,
        bounds: Bounds,
        intake: Intake,
        acknowledge: Callable[[Sequence[Parcel]], None],
        ask: Callable[[str, str, bytes], None],
        listening: Callable[[], Listening | None],
        committed: Callable[[int], None],
        broker_of: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        self._inbox, self._normaliser, self._evaluator = inbox, normaliser, evaluator
        self._announcer, self._ledger, self._clock = announcer, ledger, clock
        self._bounds, self._intake = bounds, intake
        self._acknowledge, self._ask = acknowledge, ask
        self._listening, self._committed = listening, committed
        self._stop = threading.Event()
        self._tick_due_s = 0.0  # monotonic: a step of the computer's clock must not stop the looks
        saved = ledger.tips()
        self._tips_seq = saved[0] if saved else 0
        self.storage_error = self.clock_error = ""
        self.turned_s = time.monotonic()  # the last turn, or the last attempt at a commit
        self.committing_since_s: float | None = None  # since when the commit under way is tried
        self.commits_s: deque[float] = deque(maxlen=COMMITS_TIMED)  # how long each took, attempts and waits included
        self.broker_of = dict(broker_of)  # of gateways that speak through another broker than the main one
        self.readings = 0  # committed since the start
        self.thread = threading.Thread(target=self._run, name="pipeline", daemon=True)

    def start(self) -> None:
        self.thread.start()

    def stop(self, timeout_s: float) -> bool:
        """Finish what is in the inbox, then end; false when that took too long."""
        self._stop.set()
        self._inbox.close()
        self.thread.join(timeout_s)
        return not self.thread.is_alive()

    def _run(self) -> None:
        while True:
            self.turned_s = time.monotonic()
            items = self._inbox.take(
                self._bounds.batch_parcels,
                most_bytes=BATCH_BYTES,
                age_s=self._bounds.batch_age_s,
                wait_s=min(self._bounds.tick_s, 0.25),
            )
            if not items and self._stop.is_set():
                self._commit(self._entry(Judged(), Round([], []), tips=True))
                return
            if not self.round(items):
                return  # what is in memory is ahead of the disk: nothing more may be written from it

    def round(self, items: Sequence[Parcel | Request]) -> bool:
        """Carry one batch through all stages; false when it could not be written and the service is stopping."""
        batch = Round(
            [item for item in items if isinstance(item, Parcel)],
            [item for item in items if isinstance(item, Request)],
        )
        changed = self._decode(batch) | self._take_due(batch)
        judged = self._judge(batch)
        judged.gateways |= changed
        orders = [request for request in batch.requests if request.order is not None]
        by_time = judged.events or judged.silences or batch.numbering.gaps  # what happens without a message
        due = changed or batch.origins or batch.rejected or batch.asks  # what a form has let go
        if len(items) > len(orders) or by_time or due:
            if not self._commit(self._entry(judged, batch)):
                return False  # not acknowledged, so it will come again
            self._acknowledge(batch.parcels)
            self._committed(self._ledger.seq)
            for broker, ask in batch.asks:
                self._ask(broker, ask.topic, ask.payload)
        return all(self._carry_out(request) for request in orders)

    # ------------------------------------------------------------ stages

    def _decode(self, batch: Round) -> set[str]:
        """Fill the round's messages, quarantine what is not one; the gateways whose link changed."""
        changed: set[str] = set()
        batch.tallies["messages"] += 0 if batch.is_again else len(batch.parcels)
        for parcel in batch.parcels:
            changed |= self._note(parcel, self._intake.take(parcel, is_again=batch.is_again), batch)
        return changed

    def _take_due(self, batch: Round) -> set[str]:
        """What waited in a form for an earlier message, and waits no longer; the gateways whose link changed."""
        if time.monotonic() < self._tick_due_s:
            return set()
        changed: set[str] = set()
        for parcel, taken in self._intake.due(self._clock.wall_us()):
            changed |= self._note(parcel, taken, batch)
        return changed

    def _note(self, parcel: Parcel, taken: Taken, batch: Round) -> set[str]:
        """Put what a message says into the round; the gateways whose link changed."""
        batch.messages += taken.messages
        batch.origins += [Origin(parcel, taken.keeps_part)] * len(taken.messages)
        for message in taken.waited:
            stands_for = Parcel(self._intake.native_topic(message.gateway), b"", parcel.received_us, parcel.token)
            batch.messages.append(message)
            batch.origins.append(Origin(stands_for, keeps_part=True))
        for rejected in taken.rejected:
            batch.reject(parcel, rejected)
        if batch.is_again:
            return set()
        batch.heard += taken.heard
        batch.asks += taken.asks
        if parcel.broker != MAIN or self.broker_of:
            self._note_broker(parcel.broker, taken.messages)
        changed: set[str] = set()
        for status in taken.statuses:
            if status.gateway not in self._evaluator.gateways:
                batch.tallies["statuses of strangers"] += 1  # of a gateway that no collector names: nothing rests on it
            elif self._evaluator.note_status(status, self._clock.plant_us()):
                changed.add(status.gateway)
        return changed

    def _note_broker(self, broker: str, messages: Sequence[GatewayMessage]) -> None:
        """Remember through which broker a gateway speaks; those that are not remembered speak through the main one."""
        for message in messages:
            if broker == MAIN:
                self.broker_of.pop(message.gateway, None)
            elif message.gateway in self._evaluator.gateways:
                self.broker_of[message.gateway] = broker

    def _judge(self, batch: Round) -> Judged:
        """Normalise and evaluate the readings, then let time pass; both answers as one."""
        now_us = self._clock.plant_us()
        judged = Judged()
        batch.numbering = self._evaluator.sequences.take(batch.heard, now_us)
        if batch.messages:
            rows = self._normalise(batch, now_us + self._bounds.future_us)
            for index, refused in rows.refused.items():
                parcel, keeps_part = batch.origins[index]
                part = rejection(parcel.topic, parcel.received_us, batch.messages[index], refused)
                batch.reject(parcel, part if keeps_part else replace(part, payload=parcel.payload))
            columns = Columns(rows.point, rows.at_us, rows.value, rows.good)
            judged = self._evaluator.take(columns, rows.original, rows.unit, now_us)
        if time.monotonic() >= self._tick_due_s or judged.events:
            self._tick_due_s = time.monotonic() + self._bounds.tick_s
            listening = self._listening()
            passed = self._evaluator.pass_time(now_us, listening)
            if listening is not None:
                batch.numbering = joined(batch.numbering, self._evaluator.sequences.due(now_us, listening.connected_of))
            judged.events += passed.events
            judged.collectors |= passed.collectors
            judged.silences, judged.gateways = passed.silences, passed.gateways
        return judged

    def _normalise(self, batch: Round, latest_us: int) -> Normalised:
        """The batch's columns. A message that breaks us is set aside, so that it does not come again for ever."""
        try:
            rows = self._normaliser.normalise(batch.messages, latest_us)
        except Exception:  # noqa: BLE001 - our fault, whose message is found and kept by the second look
            self._set_broken_aside(batch, latest_us)
            rows = self._normaliser.normalise(batch.messages, latest_us)
        if batch.is_again:
            return rows  # what was kept says nothing about the clock of today
        ahead = sum(code == "time-future" for refused in rows.refused.values() for _, code, _ in refused)
        if ahead > len(rows.point):
            self.clock_error = "most readings are ahead of this computer's clock, and refused: check the clock"
        elif len(rows.point):
            self.clock_error = ""
        return rows

    def _set_broken_aside(self, batch: Round, latest_us: int) -> None:
        sound: list[tuple[Origin, GatewayMessage]] = []
        for origin, message in zip(batch.origins, batch.messages, strict=True):
            try:
                self._normaliser.normalise([message], latest_us)
            except Exception as error:  # noqa: BLE001 - as above
                batch.reject(origin.parcel, broken(origin.parcel, error))
            else:
                sound.append((origin, message))
        batch.origins = [origin for origin, _ in sound]
        batch.messages = [message for _, message in sound]

    def _entry(self, judged: Judged, batch: Round, *, tips: bool = False) -> Entry:
        """All that the transaction carries."""
        plant_us, wall_us = self._clock.plant_us(), self._clock.wall_us()
        changes, owed = self._announcer.announce(judged, plant_us)
        tips = tips or self._ledger.seq - self._tips_seq >= TIPS_EVERY_ENTRIES
        batch.tallies["readings"] += len(judged.batch) if judged.batch is not None else 0
        batch.tallies["duplicates"] += judged.duplicates
        batch.tallies["late"] += judged.late
        batch.tallies["quarantined"] += len(batch.rejected)
        for rejected in batch.rejected:
            batch.tallies[f"refused {rejected.code}"] += 1  # the codes are ours, and few
        for gap in batch.numbering.gaps:  # how many are missing now
            batch.tallies["missing messages"] += -gap.messages if gap.is_filled else gap.messages
        return Entry(
            committed_us=plant_us,
            queued_us=wall_us,
            batch=judged.batch,
            changes=changes,
            owed=owed + tuple(item for request in batch.requests for item in request.owed),
            rejected=tuple(batch.rejected),
            collector_states=self._evaluator.saved_states(judged.collectors),
            gateway_states=self._evaluator.saved_gateways(judged.gateways & set(self._evaluator.gateways)),
            tips=self._evaluator.saved_tips() if tips else None,
            tallies=tuple((name, count) for name, count in batch.tallies.items() if count),
            numbering=batch.numbering,
            source_states=self._intake.changed(),
        )

    # ------------------------------------------------------------ orders

    def _carry_out(self, request: Request) -> bool:
        """Do what was ordered and answer; false when it could not be written and the service is stopping."""
        order = request.order
        if not request.answer.set_running_or_notify_cancel():
            return True  # nobody waits for it any more, and was told that nothing was done
        try:
            if isinstance(order, Purge):
                request.answer.set_result(self._ledger.quarantine.purge(order, self._clock.wall_us()))
            elif isinstance(order, NewSources):
                self._go_over_to(order)
                request.answer.set_result(None)
            elif order is not None:
                answer = self._send_again(order)
                if answer is None:
                    request.answer.set_exception(RuntimeError("the service stopped before it could write; ask again"))
                    return False
                request.answer.set_result(answer)
        except sqlite3.Error as error:  # of a purge, or of reading what is kept: nothing has changed
            log.error("an order could not be carried out", order=type(order).__name__, error=str(error))
            request.answer.set_exception(RuntimeError(f"the ledger: {error}; nothing was done, ask again later"))
        except Exception as error:
            if not isinstance(order, NewSources):
                raise
            log.exception("sources could not be taken up")
            text = f"{type(error).__name__}: {error}; nothing was done; a fault of the service: please report it"
            request.answer.set_exception(RuntimeError(text))
        return True

    def _go_over_to(self, order: NewSources) -> None:
        """Read by other sources from the next batch on. What the old ones remember is on disk since the last commit."""
        order.intake.load(state for state in self._ledger.source_states() if state[0] not in order.forgotten)
        self._ledger.change_sources(
            self._clock.wall_us(), order.who, order.forgotten, changes=list(order.differences), file=order.file
        )
        self._intake = order.intake
        learned = {gateway: broker for gateway, broker in self.broker_of.items() if broker in order.brokers}
        self.broker_of = learned | dict(order.broker_of)

    def _send_again(self, order: SendAgain) -> SentAgain | None:
        """One share of an order through all stages; its rows are settled by the transaction that has its readings.

        None when it could not be written and the service is stopping: then all of it is still kept.
        """
        kept, left = self._ledger.quarantine.chosen(order, most=self._bounds.batch_parcels, most_bytes=AGAIN_BYTES)
        readings = [row for row in kept if not self._intake.is_status(row.broker, row.topic)]
        whole = [row for row in readings if len(row.payload) == row.size]
        batch = Round([row.as_parcel() for row in whole], [], is_again=True)
        judged = Judged()
        if whole:
            self._decode(batch)
            judged = self._judge(batch)
            batch.tallies["sent again"] += len(whole) - len(batch.refused_of)
            entry = replace(self._entry(judged, batch), settled=_settled(order, whole, batch))
            if not self._commit(entry):
                return None
            self._committed(self._ledger.seq)
        rows = 0 if judged.batch is None else len(judged.batch)
        return SentAgain(
            messages=len(kept),
            through=len(whole) - len(batch.refused_of),
            still_kept=len(batch.refused_of),
            cut=len(readings) - len(whole),
            status=len(kept) - len(readings),
            new=rows - judged.late,
            duplicate=judged.duplicates,
            late=judged.late,
            refused=sum(item.readings for refusals in batch.refused_of.values() for item in refusals),
            after=kept[-1].id if kept else order.after,
            left=left,
        )

    def _commit(self, entry: Entry) -> bool:
        """Commit, however often it takes; false when it still fails while the service is being stopped."""
        began_s = self.committing_since_s = time.monotonic()
        for attempt in range(1_000_000):
            self.turned_s = time.monotonic()
            try:
                seq = self._ledger.commit(entry)
            except sqlite3.Error as error:
                self.storage_error = f"{type(error).__name__}: {error}"
                log.error("ledger not writable", error=self.storage_error, attempt=attempt)
                if self._stop.wait(COMMIT_RETRY_S[min(attempt, len(COMMIT_RETRY_S) - 1)]):
                    return False
                continue
            self.storage_error, self.committing_since_s = "", None
            self.commits_s.append(time.monotonic() - began_s)
            self.readings += 0 if entry.batch is None else len(entry.batch)
            if entry.tips is not None:
                self._tips_seq = seq
            for line in said(entry.numbering.gaps):
                log.warning("numbered messages are missing", **line)
            return True
        return False


def _settled(order: SendAgain, kept: Sequence[Kept], batch: Round) -> Settled:
    return Settled(order.who, tuple((row, tuple(batch.refused_of.get(row.id, ()))) for row in kept))

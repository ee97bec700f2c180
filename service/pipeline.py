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
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

import structlog

from rules.microbatch import Columns
from service.clock import Clock
from service.decode import native
from service.evaluate.evaluator import Evaluator, Judged, Listening
from service.model import AlarmChange, BadInput, Entry, GatewayMessage, Owed, Parcel, Rejected
from service.normalise.columns import Normalised, Normaliser, rejection
from service.receive.inbox import Inbox
from service.store.ledger import Ledger

log = structlog.get_logger()

COMMIT_RETRY_S = (0.2, 1.0, 5.0)  # waits between attempts at a commit that failed; the last one repeats
BATCH_BYTES = 8 * 1024 * 1024  # of payload in one transaction; decoded it takes some twenty times as much
TIPS_EVERY_ENTRIES = 64  # a restart replays at most so many journal entries


@dataclass(frozen=True, slots=True)
class Request:
    """A person's request, done by the pipeline's own thread between batches: notifications to be queued."""

    owed: tuple[Owed, ...]


@dataclass(frozen=True, slots=True)
class Bounds:
    """What one batch may hold, and how long it may wait to fill."""

    batch_parcels: int
    batch_age_s: float
    payload_bytes: int
    readings_per_message: int
    future_us: int
    tick_s: float = 1.0  # the longest time between two looks at the watermark


@dataclass(frozen=True, slots=True)
class Topics:
    """How a topic names its gateway: both ends around the gateway's id."""

    readings: tuple[str, str]
    status: tuple[str, str]


class Announcer(Protocol):
    """Turns alarm changes into the record's form and into the notifications that they owe."""

    def announce(self, judged: Judged, plant_us: int) -> tuple[tuple[AlarmChange, ...], tuple[Owed, ...]]: ...


@dataclass(slots=True)
class Round:
    """One batch on its way through the stages."""

    parcels: list[Parcel]
    requests: list[Request]
    messages: list[GatewayMessage] = field(default_factory=list)
    origins: list[Parcel] = field(default_factory=list)  # of each message
    rejected: list[Rejected] = field(default_factory=list)
    tallies: Counter[str] = field(default_factory=Counter)


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
        topics: Topics,
        acknowledge: Callable[[Sequence[Parcel]], None],
        listening: Callable[[], Listening | None],
        committed: Callable[[int], None],
    ) -> None:
        self._inbox, self._normaliser, self._evaluator = inbox, normaliser, evaluator
        self._announcer, self._ledger, self._clock = announcer, ledger, clock
        self._bounds, self._topics = bounds, topics
        self._acknowledge, self._listening, self._committed = acknowledge, listening, committed
        self._stop = threading.Event()
        self._tick_due_s = 0.0  # monotonic: a step of the computer's clock must not stop the looks
        saved = ledger.tips()
        self._tips_seq = saved[0] if saved else 0
        self.storage_error = self.clock_error = ""
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
        changed = self._decode(batch)
        judged = self._judge(batch)
        judged.gateways |= changed
        if items or judged.events or judged.silences:
            if not self._commit(self._entry(judged, batch)):
                return False  # not acknowledged, so it will come again
            self._acknowledge(batch.parcels)
            self._committed(self._ledger.seq)
        return True

    # ------------------------------------------------------------ stages

    def _decode(self, batch: Round) -> set[str]:
        """Fill the round's messages, quarantine what is not one; the gateways whose link changed."""
        changed: set[str] = set()
        batch.tallies["messages"] += len(batch.parcels)
        for parcel in batch.parcels:
            try:
                if (gateway := _named(parcel.topic, self._topics.readings)) is not None:
                    self._decode_readings(parcel, gateway, batch)
                elif (gateway := _named(parcel.topic, self._topics.status)) is not None:
                    changed |= self._decode_status(parcel, gateway)
                else:
                    raise BadInput(
                        f"topic {parcel.topic!r}: expected one of readings or of status, as the settings name them; "
                        "the broker may still have a subscription of earlier settings: change client_id"
                    )
            except BadInput as error:
                code = getattr(error, "code", "message-invalid")
                batch.rejected.append(Rejected(parcel.topic, parcel.payload, parcel.received_us, code, str(error)))
            except Exception as error:  # noqa: BLE001 - our fault; kept with its reason, or it would come again for ever
                batch.rejected.append(_broken(parcel, error))
        return changed

    def _decode_readings(self, parcel: Parcel, named: str, batch: Round) -> None:
        if len(parcel.payload) > self._bounds.payload_bytes:
            raise BadInput(
                f"message of {len(parcel.payload)} bytes: expected at most {self._bounds.payload_bytes}; "
                "send fewer readings in a message, or raise intake.payload_bytes"
            )
        decoded = native.decode(parcel.payload)
        message = decoded.message
        if message.gateway != named:
            raise BadInput(
                f"gateway {message.gateway!r} on the topic of {named!r}: expected the same id in both; "
                "correct the gateway's topic or its id"
            )
        if len(message.readings) > self._bounds.readings_per_message:
            raise BadInput(
                f"message with {len(message.readings)} readings: expected at most "
                f"{self._bounds.readings_per_message}; send fewer in a message"
            )
        if decoded.faults:
            batch.rejected.append(native.rejection(parcel, message, decoded.faults))
        batch.messages.append(message)
        batch.origins.append(parcel)

    def _decode_status(self, parcel: Parcel, named: str) -> set[str]:
        status = native.decode_status(parcel.payload)
        if status.gateway != named:
            raise BadInput(f"status of gateway {status.gateway!r} on the topic of {named!r}: expected the same id")
        return {status.gateway} if self._evaluator.note_status(status, self._clock.plant_us()) else set()

    def _judge(self, batch: Round) -> Judged:
        """Normalise and evaluate the readings, then let time pass; both answers as one."""
        now_us = self._clock.plant_us()
        judged = Judged()
        if batch.messages:
            rows = self._normalise(batch, now_us + self._bounds.future_us)
            for index, refused in rows.refused.items():
                origin = batch.origins[index]
                batch.rejected.append(rejection(origin.topic, origin.received_us, batch.messages[index], refused))
            columns = Columns(rows.point, rows.at_us, rows.value, rows.good)
            judged = self._evaluator.take(columns, rows.original, rows.unit, now_us)
        if time.monotonic() >= self._tick_due_s or judged.events:
            self._tick_due_s = time.monotonic() + self._bounds.tick_s
            passed = self._evaluator.pass_time(now_us, self._listening())
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
        ahead = sum(code == "time-future" for refused in rows.refused.values() for _, code, _ in refused)
        if ahead > len(rows.point):
            self.clock_error = "most readings are ahead of this computer's clock, and refused: check the clock"
        elif len(rows.point):
            self.clock_error = ""
        return rows

    def _set_broken_aside(self, batch: Round, latest_us: int) -> None:
        sound: list[tuple[Parcel, GatewayMessage]] = []
        for origin, message in zip(batch.origins, batch.messages, strict=True):
            try:
                self._normaliser.normalise([message], latest_us)
            except Exception as error:  # noqa: BLE001 - as above
                batch.rejected.append(_broken(origin, error))
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
        )

    def _commit(self, entry: Entry) -> bool:
        """Commit, however often it takes; false when it still fails while the service is being stopped."""
        for attempt in range(1_000_000):
            try:
                seq = self._ledger.commit(entry)
            except sqlite3.Error as error:
                self.storage_error = f"{type(error).__name__}: {error}"
                log.error("ledger not writable", error=self.storage_error, attempt=attempt)
                if self._stop.wait(COMMIT_RETRY_S[min(attempt, len(COMMIT_RETRY_S) - 1)]):
                    return False
                continue
            self.storage_error = ""
            if entry.tips is not None:
                self._tips_seq = seq
            return True
        return False


def _named(topic: str, ends: tuple[str, str]) -> str | None:
    """The gateway's id in a topic between these ends, one whole level; None when the topic is another."""
    before, after = ends
    if not (topic.startswith(before) and topic.endswith(after)):
        return None
    name = topic[len(before) : len(topic) - len(after)]
    return name if name and "/" not in name else None


def _broken(parcel: Parcel, error: Exception) -> Rejected:
    reason = f"message: {type(error).__name__}: {error}; this is a fault of the service: please report it"
    return Rejected(parcel.topic, parcel.payload, parcel.received_us, "broken", reason)

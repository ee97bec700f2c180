"""Builds, opens and closes the service. The only place that hands out settings, as plain values.

Order of starting: ledger, register, pages, history, dispatcher, pipeline, receiver. Order of stopping: no
more messages in, the pipeline finishes and acknowledges what it has, then the rest. Tests build the same
service through `Service`.
"""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import threading
import time
from typing import Any

import structlog
from apscheduler.schedulers.background import BackgroundScheduler

from service import premises
from service.batch import Bounds, NewSources, Request
from service.brokers import Brokers
from service.clock import clock_of
from service.evaluate.evaluator import Listening
from service.explaining import Explainer
from service.house import HouseView, Place
from service.linking import links_of
from service.model import MAIN, BadConfiguration, Parcel, Purge, Reloaded
from service.notify.dispatch import Dispatcher
from service.notify.grouping import StoredData
from service.notify.retry import RetryPolicy
from service.pipeline import Pipeline
from service.plant.checks import check_channels
from service.plant.file import load as load_plant
from service.receive.inbox import Inbox
from service.receive.mqtt import Link, Receiver
from service.registering import Registered, note_sources, take_up
from service.settings import Settings
from service.sources.file import as_table, differences, left_behind
from service.sources.file import load as load_sources
from service.sources.form import Sources
from service.sourcing import brokers_of, doubts_of, intake_of
from service.stages import pipeline_of
from service.store.damage import Damage
from service.store.history import History
from service.store.ledger import OWED_AT_MOST, Ledger, unreadable
from service.store.outbox import LedgerOutbox
from service.store.quarantine import QUARANTINE_BYTES_AT_MOST
from service.store.reader import LedgerReader
from service.store.verify import history_counts
from service.telling import channel_of
from service.units.times import DAY_US, as_datetime, iso
from service.vigil.checks import Signs, judge
from service.vigil.watch import Watch, Ways
from service.web.server import WebServer

log = structlog.get_logger()

STOP_S = 10.0  # from the signal to the end of the process
PURGE_EVERY_H = 6  # between two looks for what has been in quarantine too long; the first is at the start
PURGE_WAIT_S = 60.0  # at a full inbox; after that the next look does it
INBOX_BYTES = 64 * 1024 * 1024
PARCEL_BYTES = 512  # what a waiting message costs beside topic and payload
TOPIC_CHARACTER_BYTES = 4  # at most, in memory
INBOX_FULL_S = 300.0  # readings that come faster than they are written, for so long, make the service not ready
DISK_LEAST_BYTES = 1 << 30  # free on the disk of data_dir; with less the service is not ready, and goes on


class Service:
    """The whole service in one process. BadConfiguration when it cannot be built; then no thread is at work yet."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.clock = clock_of(*settings.clock.numbers)
        self._hold = premises.hold_alone(settings.data_dir)
        plant = self.plant = load_plant(settings.plant)
        check_channels(plant, set(settings.channels), str(settings.plant))
        self.sources = load_sources(settings.sources) if settings.sources is not None else Sources()
        self.intake = intake_of(settings, self.sources, str(settings.sources))
        links = links_of(settings, self.sources, self.intake)  # before anything is on record: a reload keeps that order
        self.ledger = Ledger(settings.data_dir / "ledger.sqlite")
        try:
            self.registered = take_up(
                self.ledger,
                plant,
                plant_us=self.clock.plant_us(),
                wall_us=self.clock.wall_us(),
                who="plant file",
                why=str(settings.plant),
            )
            for line in note_sources(self.ledger, self.sources, wall_us=self.clock.wall_us(), who="sources file"):
                log.info("sources", who="sources file", change=line)
        except sqlite3.DatabaseError as error:
            raise unreadable(self.ledger.path, error) from error
        path = self.ledger.path
        self.damage = Damage(path, self.clock.wall_us)
        for fault in self.ledger.faults:
            self.damage.note(fault.what, fault.text)
        stored = StoredData(int(settings.notify.stored_quiet_s * 1e6), int(settings.notify.stored_longest_s * 1e6))
        self.outbox, self.reader = LedgerOutbox(path, stored, note=self.damage.note), LedgerReader(path)
        self.history = History(
            settings.data_dir / "history.duckdb",
            path,
            self._stamp,
            memory_mb=settings.history.memory_mb,
            note=self.damage.note,
        )
        self.inbox: Inbox[Parcel | Request] = Inbox(
            settings.intake.inbox_parcels,
            most_bytes=INBOX_BYTES,
            weigh=_weight,
        )
        self.intake.load(self.ledger.source_states())
        self._reloading = threading.Lock()
        self.brokers = Brokers(links, self._receiver)
        self.channels = {
            name: channel_of(name, item, now_us=self.clock.wall_us, publish=self.brokers.publish)
            for name, item in settings.channels.items()
        }
        self.dispatcher = Dispatcher(
            self.outbox,
            self.channels,
            now_us=self.clock.wall_us,
            policy=RetryPolicy(
                first_s=settings.notify.first_retry_s,
                cap_s=settings.notify.longest_retry_s,
                give_up_after_s=settings.notify.give_up_after_h * 3600,
                least_attempts=settings.notify.least_attempts,
            ),
            workers=settings.notify.workers,
            random=random.random,
        )
        self.pipeline = self._pipeline(self.registered)
        self.watch = self._watch(self.registered)
        self.house = self._house(self.registered)
        self.token = premises.token(settings.web.token_file or settings.data_dir / "token")
        self.web = WebServer(self.house, settings.web.host, settings.web.port, self.token, settings.web.allowed_hosts)
        self.scheduler = BackgroundScheduler(
            timezone="UTC", job_defaults={"misfire_grace_time": 3600, "coalesce": True, "max_instances": 1}
        )

    def start(self) -> None:
        """Open for work; returns once everything runs (the broker may still be out of reach)."""
        self.web.start()  # first: an address that is taken ends the start, and then nothing else is at work yet
        self.history.start()
        self.history.follow(self.ledger.seq)
        self.dispatcher.start()
        self.pipeline.start()
        self.brokers.start()
        self.scheduler.add_job(self.house.note_change, "interval", seconds=5, id="ages on the page")
        if self.settings.intake.quarantine_days:
            first_at = as_datetime(self.clock.wall_us())
            job: dict[str, Any] = {"hours": PURGE_EVERY_H, "id": "old quarantine", "next_run_time": first_at}
            self.scheduler.add_job(self._purge_old, "interval", **job)
        self.scheduler.start()
        self.watch.start()
        log.info("started", page=f"http://{self.settings.web.host}:{self.web.port}/", data=str(self.settings.data_dir))

    def stop(self, timeout_s: float = STOP_S) -> bool:
        """Finish what has come in, acknowledge it, and close; false when something did not end in time."""
        ends_s = time.monotonic() + timeout_s

        def left_s() -> float:
            return max(0.1, ends_s - time.monotonic())

        self.watch.stop(1.5)
        self.scheduler.shutdown(wait=False)
        finished = self.pipeline.stop(left_s() * 0.6)
        self.brokers.stop(left_s() * 0.5)
        self.web.stop(min(left_s(), 2.0))
        self.dispatcher.stop(left_s() * 0.5)
        for channel in self.channels.values():
            channel.close()
        self.history.stop(left_s())
        if finished:
            self.ledger.close()
        self.outbox.close()
        self.reader.close()
        self._hold.close()
        log.info("stopped", finished=finished)
        return finished

    def reload_sources(self, who: str) -> Reloaded:
        """Take up the sources file as it is now: all of it, or, with BadConfiguration, nothing."""
        path = self.settings.sources
        if path is None:
            raise BadConfiguration("there is no sources file; expected its path as `sources` in the settings; add it")
        with self._reloading:
            new = load_sources(path)
            intake = intake_of(self.settings, new, path)
            links = links_of(self.settings, new, intake)
            changes = differences(self.sources, new)
            if changes:
                forgotten, brokers = tuple(left_behind(self.sources, new)), frozenset(links)
                order = NewSources(intake, who, tuple(changes), as_table(new), forgotten, brokers_of(new), brokers)
                self.house.order(order)
                self.sources = new
                self.brokers.change(links)
                log.info("sources", who=who, changes=changes)
        return Reloaded(changes, doubts_of(new, self.plant))

    def _receiver(self, _name: str, link: Link) -> Receiver:
        return Receiver(link, self.inbox.put, self.clock.wall_us, iso)

    def _pipeline(self, registered: Registered) -> Pipeline:
        intake = self.settings.intake
        return pipeline_of(
            registered,
            bounds=Bounds(intake.batch_parcels, intake.batch_age_ms / 1000, int(intake.future_s * 1e6)),
            inbox=self.inbox,
            ledger=self.ledger,
            clock=self.clock,
            intake=self.intake,
            acknowledge=self.brokers.acknowledge,
            ask=self.brokers.ask,
            listening=self._listening,
            committed=self._committed,
            broker_of=brokers_of(self.sources),
        )

    def _watch(self, registered: Registered) -> Watch:
        """The watch over the pipeline; everybody in the plant file is told when the record cannot be written."""
        settings, before = self.settings, self.reader.tallies().get("readings", 0)
        addresses = {way: contact.id for contact in reversed(registered.compiled.contacts) for way in contact.via}
        return Watch(
            service=settings.name,
            ledger=self.ledger.path,
            pipeline=self.pipeline,
            ways=Ways(
                channels=self.channels,
                recipients=[(contact, channel, address) for (channel, address), contact in addresses.items()],
                owe=lambda owed: self.inbox.put(Request(owed)),
                publish=self.brokers.publish,
                topic=settings.topics.heartbeat,
                environment=os.environ,
            ),
            heartbeat_s=settings.watch.heartbeat_s,
            stalled_after_s=settings.watch.stalled_after_s,
            wall_us=self.clock.wall_us,
            iso=iso,
            checks=self._checks,
            figures=lambda: {"journal": self.ledger.seq, "readings": before + self.pipeline.readings},
        )

    def _committed(self, seq: int) -> None:
        self.history.follow(seq)
        self.dispatcher.wake()
        self.house.note_change()

    def _listening(self) -> Listening | None:
        """Since when each gateway's broker is heard, in plant time; None while none is."""
        heard = self.brokers.heard()
        if not heard:
            return None
        plant_us, wall_us = self.clock.plant_us(), self.clock.wall_us()
        speed = self.settings.clock.speed
        since = {
            name: (plant_us - int((wall_us - at.connected_us) * speed), plant_us - int((wall_us - at.since_us) * speed))
            for name, at in heard.items()
        }
        broker_of = dict(self.pipeline.broker_of)
        through = {name: since[broker] for name, broker in broker_of.items() if broker in since}
        lost = {name for name in self.registered.evaluator.gateways if broker_of.get(name, MAIN) not in since}
        return Listening(*since.get(MAIN, (plant_us, plant_us)), frozenset(lost), through)

    def _house(self, registered: Registered) -> HouseView:
        compiled = registered.compiled
        explainer = Explainer(
            specs={spec.name: spec for spec in compiled.specs},
            labels=registered.labels,
            reader=self.reader,
            query=self.history.query,
            behind=lambda: self.ledger.seq - self.history.applied,
            now_us=self.clock.plant_us,
        )
        return HouseView(
            service=self.settings.name,
            enterprise=compiled.enterprise,
            clock=self.clock,
            evaluator=registered.evaluator,
            reader=self.reader,
            places={
                p.id: Place(p.name, p.site_name, p.area_name, p.kind, p.time_zone, p.gateway) for p in compiled.places
            },
            labels=registered.labels,
            announcer=registered.announcer,
            inbox=self.inbox,
            checks=self._checks,
            liveness=self.watch.liveness,
            gauges=self._gauges,
            kept=lambda: self.ledger.quarantine.held.codes,
            rebuild=self.history.rebuild,
            reload=self.reload_sources,
            history_counts=self._history_counts,
            explain_alarm=explainer.alarm,
            explain_instant=explainer.instant,
        )

    def _purge_old(self) -> None:
        """Delete what has been in quarantine for longer than the setting allows; the pipeline's thread does it."""
        days = self.settings.intake.quarantine_days
        before_us = self.clock.wall_us() - days * DAY_US
        self.inbox.put(Request(order=Purge(before_us, "service", f"intake.quarantine_days is {days}")), PURGE_WAIT_S)

    def _checks(self) -> dict[str, str]:
        """What readiness rests on, each "ok" or what is wrong."""
        owed, oldest_us = self.outbox.owed()
        threads = {
            "pipeline": self.pipeline.thread.is_alive(),
            **self.brokers.threads(),
            "history": self.history.is_alive,
            "dispatcher": self.dispatcher.is_alive,
            **self.watch.threads(),
        }
        alive, missing = self.watch.liveness(), self.brokers.missing()
        signs = Signs(
            connected=not missing,
            broker_error="; ".join(missing),
            trouble=self.watch.trouble(),
            data_dir=str(self.settings.data_dir),
            ended=tuple(name for name, is_alive in threads.items() if not is_alive),
            turned_s_ago=alive.turned_s_ago,
            stalled_after_s=alive.at_most_s,
            clock_error=self.pipeline.clock_error,
            newest_ahead_s=(self.watch.probe.latest.newest_us - self.clock.plant_us()) / 1e6,
            history_error=self.history.error,
            history_behind=self.ledger.seq - self.history.applied,
            oldest_owed_s=0.0 if oldest_us is None else (self.clock.wall_us() - oldest_us) / 1e6,
        )
        checks = judge(signs) | self._bounds_reached(owed)
        if checks["ledger"] == "ok":
            checks["ledger"] = self.damage.says()
        return checks

    def _bounds_reached(self, owed: int) -> dict[str, str]:
        """The checks of what fills up, see docs/bounds.md; each says what is done, and what a person can do."""
        full_s, free = self.inbox.full_s, self._disk_free_bytes()
        checks = {
            "inbox": f"full for {full_s / 60:.0f} min: more comes than is written; the broker keeps them"
            if full_s > INBOX_FULL_S
            else "ok",
            "quarantine": f"full ({QUARANTINE_BYTES_AT_MOST >> 20} MiB): refused messages are counted and no longer "
            "kept; mend what refuses them and send them again, or purge old ones: see dustcake quarantine --help"
            if self.ledger.quarantine.is_full
            else "ok",
            "disk": f"{free >> 20} MiB free in {self.settings.data_dir}, at least {DISK_LEAST_BYTES >> 20} expected: "
            "make room; when it is full nothing is taken from the broker"
            if free < DISK_LEAST_BYTES
            else "ok",
        }
        if owed >= OWED_AT_MOST:
            checks["outbox"] = f"{owed} notifications owed: only those of high priority are taken; mend the channels"
        return checks

    def _disk_free_bytes(self) -> int:
        return shutil.disk_usage(self.settings.data_dir).free

    def _history_counts(self) -> dict[str, Any]:
        applied, entries = history_counts(self.history.query)
        return {"applied": applied, "entries": entries}

    def _gauges(self) -> dict[str, int]:
        owed, _ = self.outbox.owed()
        return {
            "owed notifications": owed,
            "inbox": len(self.inbox),
            "inbox MiB": self.inbox.waiting_bytes >> 20,
            "inbox found full": self.inbox.waited,
            "quarantine MiB": self.ledger.quarantine.held.bytes >> 20,
            "disk free MiB": self._disk_free_bytes() >> 20,
            "live pages": self.web.listeners,
            "journal entries": self.ledger.seq,
            "history behind": self.ledger.seq - self.history.applied,
            "ledger MiB": self.ledger.path.stat().st_size >> 20,
            "commit ms": _in_99_of_100_ms(list(self.pipeline.commits_s)),
        }

    def _stamp(self) -> str:
        return as_datetime(self.clock.wall_us()).strftime("%Y%m%dT%H%M%S%f")


def _in_99_of_100_ms(durations_s: list[float]) -> int:
    """The time within which 99 of 100 of the last commits were done; 0 before there is one."""
    return round(sorted(durations_s)[len(durations_s) * 99 // 100] * 1000) if durations_s else 0


def _weight(item: Parcel | Request) -> int:
    """Bytes that a waiting item takes; a topic alone can have 64 KiB."""
    if not isinstance(item, Parcel):
        return 0
    return len(item.payload) + len(item.topic) * TOPIC_CHARACTER_BYTES + PARCEL_BYTES

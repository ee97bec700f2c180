"""Plays a scenario in scaled plant time. Owns the order of steps and the only reading of the wall clock in this
package; must never know physics or the form of a message.

Plant time is plant_anchor + (wall - wall_anchor) x speed. The loop sleeps until the next step is due; a late loop
catches up step by step, so the plant is the same however busy the machine is.
"""

from __future__ import annotations

import hashlib
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random

from simulators.faults import DP_FAILED, DP_FROZEN, GATEWAY_OUTAGE, Fault, holds, world_at
from simulators.gateway import Gateway
from simulators.link import Broker, Link
from simulators.physics import Collector
from simulators.scenario import CollectorForm, Scenario

LONGEST_SLEEP_S = 0.5
PATIENCE_S = 5.0  # before a person is told that the broker does not answer


@dataclass(frozen=True, slots=True)
class PlantClock:
    """The demo clock: plant time runs `speed` times as fast as the wall, from a pair of anchors (Unix seconds)."""

    speed: float
    wall_anchor_s: float
    plant_anchor_s: float

    def plant_s(self, wall_s: float) -> float:
        """Plant time at a wall time."""
        return self.plant_anchor_s + (wall_s - self.wall_anchor_s) * self.speed

    def wall_s(self, plant_s: float) -> float:
        """Wall time at a plant time."""
        return self.wall_anchor_s + (plant_s - self.plant_anchor_s) / self.speed


class Station:
    """One collector with its faults and its gateway, stepped together. No network, no clock."""

    def __init__(self, form: CollectorForm, faults: Sequence[Fault], *, seed: int, start_s: int, step_s: int) -> None:
        self._faults = [each for each in faults if each.collector == form.id]
        self._collector = Collector(form.built())
        self._start_s, self._step_s, self._every_s = start_s, step_s, form.reports_every_s
        self._elapsed_s = 0
        self._lowest_psi = float("inf")
        # A restarted gateway must not look like a repeat of its former self, so the start is part of the boot id.
        boot = hashlib.blake2b(f"{form.gateway} {start_s} {seed}".encode(), digest_size=4).hexdigest()
        self.gateway = Gateway(
            form.gateway, form.sent(), form.built(), boot=boot, random=Random(f"{seed} {form.gateway}"),
            buffer_messages=form.buffer_messages, replay_per_s=form.replay_per_s, duplicates=form.duplicates,
        )  # fmt: skip

    @property
    def has_link(self) -> bool:
        """Whether no outage holds now."""
        return not holds(self._faults, GATEWAY_OUTAGE, self._elapsed_s / 3600.0)

    def advance(self) -> None:
        """One step of the plant, and a report when one is due."""
        hours = self._elapsed_s / 3600.0
        sample = self._collector.step(self._step_s, world_at(self._faults, hours))
        self._elapsed_s += self._step_s
        self._lowest_psi = min(self._lowest_psi, sample.header_min_psi)
        if self._elapsed_s % self._every_s == 0:
            self.gateway.report(
                sample._replace(header_min_psi=self._lowest_psi),
                (self._start_s + self._elapsed_s) * 1_000_000,
                dp_frozen=holds(self._faults, DP_FROZEN, hours),
                dp_failed=holds(self._faults, DP_FAILED, hours),
            )
            self._lowest_psi = float("inf")


class Fleet:
    """All stations of a scenario with their links."""

    def __init__(
        self, scenario: Scenario, faults: Sequence[Fault], broker: Broker, clock: PlantClock, *, seed: int
    ) -> None:
        """The play begins at the plant's now, on a whole step; fault hours count from there."""
        self._clock, self._step_s = clock, scenario.step_s
        self.start_s = int(clock.plant_s(time.time()) // scenario.step_s) * scenario.step_s
        self._at_s = self.start_s
        self.stations = [
            Station(form, faults, seed=seed, start_s=self.start_s, step_s=scenario.step_s)
            for form in scenario.collector
        ]
        self._links = [Link(broker, each.gateway.name, self._status_of(each.gateway)) for each in self.stations]
        self.published = 0

    def play(self, stop: threading.Event, *, for_s: float | None = None) -> None:
        """Step and publish until `stop` is set or `for_s` wall seconds are over, then disconnect in order."""
        began = time.monotonic()
        told = False
        try:
            while not stop.is_set() and (for_s is None or time.monotonic() - began < for_s):
                late_s = time.time() - self._clock.wall_s(self._at_s + self._step_s)
                if late_s < 0:
                    stop.wait(min(-late_s, LONGEST_SLEEP_S))
                    continue
                self._step()
                if not told and time.monotonic() - began > PATIENCE_S:
                    told = self._complain()
        finally:
            for link in self._links:
                link.down()

    def counts(self) -> dict[str, int]:
        """What has happened so far, in messages."""
        gateways = [each.gateway for each in self.stations]
        return {
            "measured": sum(each.measured for each in gateways),
            "published": self.published,
            "stored": sum(each.stored for each in gateways),
            "dropped": sum(each.dropped for each in gateways),
            "refused": sum(each.refused for each in self._links),
        }

    def _step(self) -> None:
        self._at_s += self._step_s
        for station, link in zip(self.stations, self._links, strict=True):
            station.advance()
            if station.has_link:
                link.up()
                for message in station.gateway.take(self._step_s, link.window):
                    link.publish(message.payload)
                    self.published += 1
            else:
                link.down()

    def _status_of(self, gateway: Gateway) -> Callable[[str], bytes]:
        return lambda state: gateway.status(state, int(self._clock.plant_s(time.time()) * 1e6))

    def _complain(self) -> bool:
        """Tell a person, once, which links have not come up; they go on trying."""
        waiting = [link for link in self._links if link.waiting]
        if waiting:
            broker, why = waiting[0].broker, waiting[0].trouble or "no answer"
            sys.stderr.write(f"{len(waiting)} gateways wait for {broker.host}:{broker.port} ({why}); trying on\n")
        return True

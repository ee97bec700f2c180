"""Long plants: sensor-years of readings through the real pipeline with a kill now and then, beside the columnar engine.

Owns the plant and its made-up days. Plays as many sensor-years as there is time for and says how long a thousand would
take on one core; the columnar engine judges the same arrays, and every alarm must be the same.
"""

from __future__ import annotations

import json
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from rules.collector import CollectorState, advance, new_state
from rules.columnar import Column, replay
from rules.types import AlarmEvent, Change
from service.plant.compile import compile_plant
from service.plant.file import digest, parse
from service.units.times import duration
from tests.property.histories import S
from tests.simulation.broker import Broker
from tests.simulation.checks import LATER_US, opened
from tests.simulation.gateways import BASE_US, Sent
from tests.simulation.kills import POINTS, TORN, Disk, Killed, Kills
from tests.simulation.run import FAR_S, MEMORY
from tests.simulation.service import Life, Outside, Played, Receipts, Time, settings, surroundings
from tests.simulation.world import World, chooser

COLLECTORS, SENSORS = 50, 4  # of each collector
DAY_S = 86_400.0
YEAR_DAYS = 365.25
KILL_EVERY_DAYS = 5
UNITS = {
    "fan": ("current", "A"),
    "dp": ("differential pressure", "Pa"),
    "header": ("gauge pressure", "Pa"),
    "temperature": ("temperature", "degC"),
}
LIMITS: dict[str, dict[str, Any]] = {
    "dp": {
        "high": {"at": 1500.0, "deadband": 50.0, "on_delay": "PT4H"},
        "high-high": {"at": 1700.0, "on_delay": "PT30M"},
    },
    "header": {"low": {"at": 5.2e5, "deadband": 1e4, "on_delay": "PT30M"}},
    "temperature": {"high": {"at": 90.0, "deadband": 2.0, "on_delay": "PT10M", "off_delay": "PT20M"}},
}


class Cell(msgspec.Struct):
    """One reading as it is sent."""

    tag: str
    at: float
    unit: str
    value: float


@dataclass(slots=True)
class Score:
    """How far it came. `pipeline_s` is the service's own time, restarts included."""

    days: int = 0
    readings: int = 0
    kills: int = 0
    pipeline_s: float = 0.0
    columns_s: float = 0.0
    alarms: int = 0
    wrong: list[str] = field(default_factory=list)

    @property
    def sensor_years(self) -> float:
        return self.days * COLLECTORS * SENSORS / YEAR_DAYS


def main(sensor_years: float, interval_s: float, for_s: float, seed: int, *, as_json: bool) -> int:
    """Play, print the figures; 0 where the two agree."""
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="dustcake-years-", dir=MEMORY if MEMORY.is_dir() else None) as folder:
        score = play(sensor_years, interval_s, for_s, seed, Path(folder))
    spent_s = time.monotonic() - began_s
    rate = score.sensor_years / (score.pipeline_s / 60)
    facts = {
        "sensor_years": round(score.sensor_years, 2),
        "interval_s": interval_s,
        "readings": score.readings,
        "kills": score.kills,
        "alarms": score.alarms,
        "agree": not score.wrong,
        "sensor_years_per_minute": round(rate, 1),
        "readings_per_second": round(score.readings / score.pipeline_s),
        "minutes_for_1000_sensor_years": round(1000 / rate, 1),
        "minutes_for_1000_with_making_and_judging": round(spent_s / 60 / score.sensor_years * 1000, 1),
        "columnar_sensor_years_per_minute": round(score.sensor_years / (score.columns_s / 60), 1),
    }
    print(json.dumps(facts) if as_json else "\n".join(f"{name}: {value}" for name, value in facts.items()))
    print("\n".join(score.wrong), end="", file=sys.stderr)
    return int(bool(score.wrong))


def play(sensor_years: float, interval_s: float, for_s: float, seed: int, folder: Path) -> Score:
    """Day after day until so many sensor-years are played or the time is out, then the comparison."""
    run, score, began_s = _Plant(interval_s, seed, folder), Score(), time.monotonic()
    with surroundings(run.outside, lambda: 0.5):
        while score.sensor_years < sensor_years and time.monotonic() - began_s < for_s:
            run.day(score)
            if score.days % 50 == 0:
                print(f"{score.sensor_years:.1f} sensor-years, {score.kills} kills", file=sys.stderr, flush=True)
        run.finish()
    score.kills = run.kills.by_point.total()
    _compare(run, score, folder)
    return score


class _Plant:
    """The plant, the service that watches it, and the columnar engine's states of the same collectors."""

    def __init__(self, interval_s: float, seed: int, folder: Path) -> None:
        self.interval_s, self.seed = interval_s, seed
        plant = parse(_tables(interval_s), "years")
        self.compiled = compile_plant(plant, 1)
        made = World(
            seed=seed,
            kind="stored",
            plant=plant,
            compiled=self.compiled,
            digest=digest(plant),
            messages=(),
            tips_every=64,
            has_history=False,
            has_seals=True,
            has_steps=False,
        )
        points = tuple(point for point in POINTS if point != TORN)
        self.kills = Kills(chooser(seed, "kills"), lambda _: None, points, is_on=False)
        self.time, self.broker = Time(), Broker(lambda _: None, self.kills.at)
        self.disk = Disk(folder, self.kills, chooser(seed, "disk"), lambda _: None, is_large=True)
        self.outside = Outside(
            made, self.time, self.broker, self.kills, self.disk, Receipts(lambda options: options[0], lambda _: None)
        )
        self.settings = settings(folder)
        self.life: Life | None = None
        self.states: dict[str, CollectorState] = {spec.name: new_state(spec) for spec in self.compiled.specs}
        self.events: list[AlarmEvent] = []
        self._seq = 0

    def day(self, score: Score) -> None:
        """One day of every collector: made, taken by the service, and judged by the columnar engine."""
        today = [self._made(n, score.days) for n in range(COLLECTORS)]
        for n, (at_us, columns) in enumerate(today):
            self.broker.accept(Sent(0, f"dustcake/v1/gw-{n}/readings", self._payload(n, at_us, columns)))
        self.time.true_us = BASE_US + round((score.days + 1) * DAY_S * S)
        self.time.monotonic_s += 2.0
        began_s = time.process_time()
        self._taken(kill=score.days % KILL_EVERY_DAYS == KILL_EVERY_DAYS - 1)
        score.pipeline_s += time.process_time() - began_s
        began_s = time.process_time()
        for spec, (at_us, columns) in zip(self.compiled.specs, today, strict=True):
            good = np.ones(len(at_us), bool)
            chunk = {name: Column(at_us, values, good) for name, values in columns.items()}
            self.events += replay(spec, self.states[spec.name], chunk)
        score.columns_s += time.process_time() - began_s
        score.readings += sum(len(at_us) * SENSORS for at_us, _ in today)
        score.days += 1

    def finish(self) -> None:
        """All that is held runs out."""
        self.time.pass_by(FAR_S)
        self._taken(kill=False)
        assert self.life is not None
        self.life.round(1)
        self.disk.pull_the_plug()
        for spec in self.compiled.specs:
            self.events += advance(spec, self.states[spec.name], LATER_US)

    def _taken(self, *, kill: bool) -> None:
        """Rounds until the broker has nothing left, over as many lives as it takes."""
        if kill:
            self.kills.begin_life()
        self.kills.is_on = kill
        while True:
            try:
                if self.life is None:
                    self.life = Life(self.outside, self.settings, dict[int, Played]())
                if not self.life.is_connected:
                    self.life.connect()
                self.broker.deliver(64)
                self.life.round(64)
                self.life._played.clear()
                self.life.notify()
            except Killed:
                self.kills.is_on = self.kills.is_dead = False
                self.life = None
                self.broker.drop()
                self.disk.pull_the_plug()
            if self.life is not None and not self.broker.backlog:
                break
        self.broker.accepted.clear()
        self.broker.deliveries.clear()

    def _made(self, n: int, day: int) -> tuple[Any, dict[str, Any]]:
        """One collector's day: it stands at night, its filters load for weeks, sometimes air or cooling fails."""
        draw = np.random.default_rng((self.seed, n, day))
        at_s = np.arange(day * DAY_S, (day + 1) * DAY_S, self.interval_s)
        hour, size = at_s / 3600 % 24, len(at_s)
        runs = (hour > 5.5 + n % 3) & (hour < 21.5)
        loading = (day + 7 * n) % 60 / 60
        values = {
            "fan": np.where(runs, 40.0, 0.2) + draw.normal(0, 0.1, size),
            "dp": np.where(runs, 900 + 750 * loading + 60 * np.sin(hour), 5.0) + draw.normal(0, 25, size),
            "header": np.where(draw.random() < 0.02, 5.1e5, 6e5) + draw.normal(0, 5e3, size),
            "temperature": np.where(draw.random() < 0.02, 90.0, 50.0) + draw.normal(0, 2, size),
        }
        return BASE_US + (at_s * 1e6).astype(np.int64), {name: np.round(found, 2) for name, found in values.items()}

    def _payload(self, n: int, at_us: Any, columns: dict[str, Any]) -> bytes:
        self._seq += 1
        at = (at_us / S).tolist()
        cells = [
            Cell(name, at_s, UNITS[name][1], value)
            for name, values in columns.items()
            for at_s, value in zip(at, values.tolist(), strict=True)
        ]
        return msgspec.json.encode({"gateway": f"gw-{n}", "readings": cells})


def _tables(interval_s: float) -> dict[str, Any]:
    """The plant file: like collectors, each with a gateway of its own that reports once a day."""
    every = duration(round(interval_s * 1e6))
    return {
        "enterprise": {"id": "alder-pike", "name": "Alder & Pike Works"},
        "site": [{"id": "quay", "name": "Quay Street works", "time_zone": "Europe/Dublin"}],
        "area": [{"id": "quay/hall", "name": "Hall"}],
        "gateway": [
            {"id": f"gw-{n}", "reports_every": every, "silent_after": "P900D", "lateness": "P2D"}
            for n in range(COLLECTORS)
        ],
        "collector": [
            {
                "id": f"quay/hall/c-{n}",
                "name": f"Collector {n}",
                "kind": "baghouse",
                "gateway": f"gw-{n}",
                "running": {"point": "fan", "on": 10.0, "off": 5.0, "unit": "A", "settle": "PT10M"},
                "point": [
                    {"name": name, "quantity": quantity, "unit": unit} | LIMITS.get(name, {})
                    for name, (quantity, unit) in UNITS.items()
                ],
            }
            for n in range(COLLECTORS)
        ],
    }


def _compare(run: _Plant, score: Score, folder: Path) -> None:
    changes = {(event.alarm_id, event.change): event.at_us for event in run.events}
    expected = {
        (name, at_us, changes.get((name, Change.CLEARED)))
        for (name, change), at_us in changes.items()
        if change is Change.RAISED
    }
    with opened(folder) as ledger:
        recorded = set(ledger.execute("SELECT id, raised_us, cleared_us FROM alarm WHERE tier <> 'no-data'").fetchall())
        (rows,) = ledger.execute("SELECT count FROM tally WHERE name = 'readings'").fetchone()
        (late,) = ledger.execute("SELECT coalesce(sum(count), 0) FROM tally WHERE name = 'late'").fetchone()
    score.alarms = len(expected)
    score.wrong += [f"on record, and not right: {alarm}\n" for alarm in sorted(recorded - expected, key=str)[:5]]
    score.wrong += [f"missing: {alarm}\n" for alarm in sorted(expected - recorded, key=str)[:5]]
    if rows - late != score.readings:
        score.wrong.append(f"{rows - late} readings in the journal, expected {score.readings}\n")

"""A seeded story of several collectors that stop, blind and lose air, as native messages and as the rules see it."""

from __future__ import annotations

import math
import random
import tomllib
from dataclasses import dataclass

from rules.collector import advance, new_state, step
from rules.types import AlarmEvent, Change, Reading
from service.plant.compile import compile_plant
from service.plant.file import parse
from service.units.convert import lookup, to_canonical
from tests.parts import UNITS, message

INSTANTS = 5  # per message
QUANTITY = {
    "dp": "differential pressure",
    "header": "gauge pressure",
    "airflow": "airflow",
    "temperature": "temperature",
    "amps": "current",
    "pulses": "count",
}
Row = tuple[str, float, float]


@dataclass(frozen=True)
class Story:
    """`messages` are (gateway number, rows) in the order of publishing; times are Unix seconds on whole seconds."""

    collectors: int
    messages: list[tuple[int, list[Row]]]

    @property
    def readings(self) -> int:
        return sum(len(rows) for _, rows in self.messages)

    def payloads(self) -> list[tuple[str, bytes]]:
        """(topic, payload) of each message."""
        seqs: dict[int, int] = {}
        made = []
        for n, rows in self.messages:
            seqs[n] = seqs.get(n, -1) + 1
            made.append((f"dustcake/v1/gw-{n}/readings", message(f"gw-{n}", seqs[n], rows)))
        return made


def tell(collectors: int, seconds: int, *, start_s: int, seed: int) -> Story:
    """The story from `start_s` on; the same seed tells the same."""
    draw = random.Random(seed)
    phases = [draw.uniform(0, 300) for _ in range(collectors)]
    messages = []
    for first in range(0, seconds, INSTANTS):
        for n in range(collectors):
            rows: list[Row] = []
            for second in range(first, first + INSTANTS):
                rows += _instant(draw, start_s + second, second + phases[n])
            messages.append((n, rows))
    return Story(collectors, messages)


def _instant(draw: random.Random, at_s: int, phase_s: float) -> list[Row]:
    stopped = phase_s % 400 > 350
    dp = 0.0 if stopped else 4.6 + 1.6 * math.sin(phase_s / 40) + draw.gauss(0, 0.1)
    return [
        ("airflow", at_s, 100.0 if stopped else round(draw.gauss(8000, 100), 1)),
        ("dp", at_s, round(dp, 2)),
        ("header", at_s, round(85 + 25 * math.sin(phase_s / 90) + draw.gauss(0, 0.5), 1)),
        ("temperature", at_s, round(draw.gauss(120, 1), 1)),
        ("amps", at_s, round(draw.gauss(27, 0.2), 2)),
        ("pulses", at_s, float(int(phase_s / 10))),
    ]


def truth(story: Story, plant: str, until_us: int) -> dict[str, tuple[int, int | None]]:
    """What the streaming engine says of the story, one reading at a time: alarm id -> (raised, cleared)."""
    compiled = compile_plant(parse(tomllib.loads(plant), "test"), 1)
    specs = {spec.name: spec for spec in compiled.specs}
    states = {name: new_state(spec) for name, spec in specs.items()}
    events: list[AlarmEvent] = []
    for n, rows in story.messages:
        name = f"quay/hall/c-{n}"
        for tag, at_s, value in rows:
            unit = lookup(UNITS[tag], QUANTITY[tag])
            reading = Reading(int(at_s * 1e6), to_canonical(unit, value))
            events += step(specs[name], states[name], {tag: [reading]})[0]
    for name, spec in specs.items():
        events += advance(spec, states[name], until_us)
    alarms: dict[str, tuple[int, int | None]] = {}
    for event in events:
        if event.change is Change.RAISED:
            alarms[event.alarm_id] = (event.at_us, None)
        else:
            alarms[event.alarm_id] = (alarms[event.alarm_id][0], event.at_us)
    return alarms

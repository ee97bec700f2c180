"""Traffic of an invented plant, written by the simulated gateways' encoders, which know nothing of the service."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from random import Random

import numpy as np

import simulators.forms.csv_line
import simulators.forms.mapped
import simulators.forms.native
import simulators.forms.plain
import simulators.forms.senml
import simulators.forms.sparkplug
from service.decode.intake import Intake
from service.discover.draft_plant import plant_text
from service.discover.draft_sources import sources_text
from service.discover.findings import Findings, TagFound
from service.discover.kept import Message
from service.discover.look import find
from service.model import GatewayMessage, Parcel
from service.normalise.bind import Binder, Binding
from service.normalise.columns import Normaliser
from service.plant import file as plant_file
from service.settings import Settings
from service.sources import file as sources_file
from service.sourcing import intake_of
from service.units.convert import lookup
from service.units.table import UNITS

Reading = tuple[str, int, float | None, str]  # tag, microseconds UTC, value, unit
Encode = Callable[[str, str, int, Sequence[Reading]], list[tuple[str, bytes]]]

START_US = 1_795_593_600_000_000  # 2026-11-25T08:00:00Z
EVERY_US = 10_000_000
LATENCY_US = 300_000
TURNS, STOPPED_FROM = 60, 45
GATEWAYS = ("gw-cut-1", "gw-cut-2", "gw-mill-1")
SENT = {"dp": "inH2O", "header": "psi", "airflow": "cfm", "temperature": "degF", "fan_amps": "A", "pulses": "count"}


def encoders() -> dict[str, Callable[[str], Encode]]:
    """For each form a maker of an encoder for one gateway."""
    forms = simulators.forms
    return {
        "native": lambda _: forms.native.encode,
        "mapped": lambda _: forms.mapped.encode,
        "plain": lambda _: forms.plain.encode,
        "csv": lambda _: forms.csv_line.encode,
        "senml json": lambda _: forms.senml.encode_json,
        "senml cbor": lambda _: forms.senml.encode_cbor,
        "sparkplug": lambda gateway: forms.sparkplug.Encoder("quay", gateway).encode,
    }


def rows(gateway: str, turn: int, *, tags: Mapping[str, str] = SENT, at_us: int | None = None) -> list[Reading]:
    """What a gateway measures at one turn: it runs, and stands still from `STOPPED_FROM` on."""
    random = Random(f"{gateway} {turn}")
    runs = turn < STOPPED_FROM
    at_us = START_US + turn * EVERY_US if at_us is None else at_us
    values = {
        "dp": round((2.8 + 0.7 * (turn % 12) / 12 + random.gauss(0, 0.03)) if runs else random.gauss(0, 0.02), 2),
        "header": round(90 + random.gauss(0, 0.3), 1),
        "airflow": round(8000 + random.gauss(0, 150)) if runs else 0,
        "temperature": round(78 + turn / 20 + random.gauss(0, 0.3), 1),
        "fan_amps": round(27.4 + random.gauss(0, 0.2), 2) if runs else 0.0,
        "pulses": float(5000 + 3 * min(turn, STOPPED_FROM)),
    }
    return [(tag, at_us, float(values[tag]), unit) for tag, unit in tags.items()]


def traffic(
    form: str,
    *,
    gateways: Sequence[str] = GATEWAYS,
    change: Callable[[str, list[Reading]], list[Reading]] = lambda _, found: found,
    turns: int = TURNS,
) -> list[Message]:
    """(topic, payload, arrival) of all gateways; `change` may spoil what a gateway measures."""
    made: dict[str, Encode] = {gateway: encoders()[form](gateway) for gateway in gateways}
    found = []
    for turn in range(turns):
        for place, gateway in enumerate(gateways):
            received_us = START_US + turn * EVERY_US + LATENCY_US + place * 50_000
            for topic, payload in made[gateway](gateway, "b41f", turn + 1, change(gateway, rows(gateway, turn))):
                found.append((topic, payload, received_us))
    return found


def tag_of(found: Findings, gateway: str, tag: str) -> TagFound:
    (one,) = [each for each in found.tags if (each.gateway, each.tag) == (gateway, tag)]
    return one


class Played:
    """What the drafts of some traffic make of the same traffic, through the service's own intake and normaliser."""

    def __init__(
        self,
        messages: Sequence[Message],
        folder: Path,
        *,
        heard: Sequence[Message] | None = None,
        mended: Callable[[str], str] = lambda text: text,
    ) -> None:
        """`heard`: what the analysis had, in place of all; `mended`: what a person did to the sources file."""
        self.findings = find(heard or messages)
        self.sources, self.plant = mended(sources_text(self.findings)), plant_text(self.findings)
        (folder / "sources.toml").write_text(self.sources)
        (folder / "plant.toml").write_text(self.plant)
        plant = plant_file.load(folder / "plant.toml")
        self.points: list[tuple[str, str]] = []
        bindings = []
        for collector in plant.collector:
            for point in collector.point:
                gateway = point.gateway or collector.gateway
                bindings.append(Binding(gateway, point.tag or point.name, len(self.points), point.quantity))
                self.points.append((gateway, point.tag or point.name))
        intake = intake_of(Settings(), sources_file.load(folder / "sources.toml"))
        self.values: dict[tuple[str, str], list[float]] = {}
        self.refused: list[str] = []
        self._play(
            intake, Normaliser(Binder(bindings, lookup, {unit.name: n for n, unit in enumerate(UNITS)})), messages
        )

    def _play(self, intake: Intake, normaliser: Normaliser, messages: Sequence[Message]) -> None:
        for topic, payload, received_us in messages:
            taken = intake.take(Parcel(topic, payload, received_us))
            self.refused += [each.reason for each in taken.rejected]
            said: list[GatewayMessage] = taken.messages + taken.waited
            columns = normaliser.normalise(said, received_us + 60_000_000)
            self.refused += [reason for each in columns.refused.values() for _, _, reason in each]
            for point, value in zip(columns.point.tolist(), columns.value.tolist(), strict=True):
                if not np.isnan(value):
                    self.values.setdefault(self.points[point], []).append(value)

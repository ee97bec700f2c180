"""The same day of the simulated plant in every payload form ends in the same readings and the same alarms.

Values are sent in canonical units, so that no form has to round one; the day has a compressor that fails, a cleaning
that stops, and a gateway that is cut off and then sends what it has stored.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

import pytest

import simulators.forms.csv_line
import simulators.forms.mapped
import simulators.forms.native
import simulators.forms.plain
import simulators.forms.senml
import simulators.forms.sparkplug
from service.plant.file import load as load_plant
from service.recording import Reader, Recorded, Writer
from service.replaying import Replay
from service.settings import Settings
from service.sources.file import load as load_sources
from service.store import journal
from service.units.convert import canonical_unit, lookup, to_canonical
from simulators.fleet import Station
from simulators.scenario import load as load_scenario
from tests.integrity.record import connect

Reading = tuple[str, int, float | None, str]
Encode = Callable[[str, str, int, Sequence[Reading]], list[tuple[str, bytes]]]
START_S = 1_795_564_800  # 2026-11-25T00:00:00Z
STEP_S, REPORT_S, HOURS = 10, 120, 24
DEMO = Path(__file__).parents[2] / "deploy" / "demo" / "plant.toml"


class Sent(NamedTuple):
    """One message of a gateway, canonical; `at_us` is when it leaves."""

    at_us: int
    gateway: str
    seq: int
    readings: list[Reading]


class Case(NamedTuple):
    """A payload form as the integrator would write it, and who encodes for it."""

    source: str
    encoder: Callable[[], dict[str, Encode]]


def one(encode: Encode) -> Callable[[], dict[str, Encode]]:
    return lambda: dict.fromkeys(GATEWAYS, encode)


GATEWAYS = ("gw-cut-1", "gw-join-2", "gw-silo-3", "gw-fdy-4")
MAPPED = """mapped = { items = "points", tag = "signal.name", value = "reading", unit = "signal.unit", at = "t",
  gateway = "sender.id", boot = "sender.start", seq = "count", decimal = ",", time_form = "ms" }
""".replace("\n  ", " ")
CSV = 'csv = { columns = ["at", "tag", "value", "unit", "quality"], separator = ";", decimal = ",", header = true, '
CSV += 'time_form = "%d.%m.%Y %H:%M:%S.%f", time_zone = "UTC" }\n'
CASES = {
    "native": Case("", one(simulators.forms.native.encode)),
    "mapped": Case(f'topics = ["{simulators.forms.mapped.TOPIC}"]\n{MAPPED}', one(simulators.forms.mapped.encode)),
    "plain": Case(f'topics = ["{simulators.forms.plain.TOPIC}"]\n', one(simulators.forms.plain.encode)),
    "csv": Case(f'topics = ["{simulators.forms.csv_line.TOPIC}"]\n{CSV}', one(simulators.forms.csv_line.encode)),
    "senml json": Case(f'topics = ["{simulators.forms.senml.TOPIC}"]\n', one(simulators.forms.senml.encode_json)),
    "senml cbor": Case(f'topics = ["{simulators.forms.senml.TOPIC}"]\n', one(simulators.forms.senml.encode_cbor)),
    "sparkplug": Case(
        'topics = ["spBv1.0/{group}/{kind}/{node}"]\n',
        lambda: {name: simulators.forms.sparkplug.Encoder("quay", name).encode for name in GATEWAYS},
    ),
}


def day() -> Iterator[Sent]:
    """What the gateways of the demo send in a day, each message when it is measured."""
    scenario = load_scenario("demo")
    for form in scenario.collector:
        slow = form.model_copy(update={"reports_every_s": REPORT_S, "duplicates": 0.0})
        station = Station(slow, scenario.faults(), seed=7, start_s=START_S, step_s=STEP_S)
        for _ in range(HOURS * 3600 // STEP_S):
            station.advance()
            if station.has_link:
                for message in station.gateway.take(STEP_S, 1000):
                    yield _canonical(message.at_us, json.loads(message.payload))


def _canonical(at_us: int, body: dict[str, Any]) -> Sent:
    readings: list[Reading] = []
    for item in body["readings"]:
        quantity = QUANTITIES[item["tag"]]
        value = None if item["value"] is None else to_canonical(lookup(item["unit"], quantity), item["value"])
        measured_us = round(datetime.fromisoformat(item["at"]).timestamp() * 1e6)
        unit = canonical_unit(quantity).name.replace("1", "ratio")  # a plain "0.9 1" could be one number
        readings.append((item["tag"], measured_us, value, unit))
    return Sent(at_us, body["gateway"], body["seq"], readings)


QUANTITIES = {
    **{"dp": "differential pressure", "header": "gauge pressure", "header_min": "gauge pressure"},
    **{"airflow": "airflow", "temperature": "temperature", "pulses": "count", "fan_amps": "current"},
    "fan_speed": "fraction",
}


@pytest.fixture(scope="module")
def sent() -> list[Sent]:
    return sorted(day(), key=lambda one: (one.at_us, one.gateway))


def record(folder: Path, name: str, sent: list[Sent]) -> tuple[set[tuple[Any, ...]], list[tuple[Any, ...]]]:
    """Readings and alarms of the day in one form: what is in the ledger after it was played."""
    case, folder = CASES[name], folder / name.replace(" ", "-")
    folder.mkdir()
    encoders = case.encoder()
    with (folder / "day.heard").open("wb") as file:
        writer = Writer(file, START_S * 1_000_000)
        for message in sent:
            for topic, payload in encoders[message.gateway](message.gateway, "b1", message.seq, message.readings):
                writer.add(Recorded(message.at_us, "main", topic, payload, 1), message.at_us)
        writer.end(sent[-1].at_us)
    sources = folder / "sources.toml"
    form = name.partition(" ")[0]
    sources.write_text(f'[[source]]\nname = "a"\nform = "{form}"\n{case.source}' if case.source else "")
    plant = folder / "plant.toml"
    plant.write_text(DEMO.read_text().replace('reports_every = "PT10S"', 'reports_every = "PT2M"'))
    replay = Replay(folder, load_plant(plant), SETTINGS, load_sources(sources), started_us=START_S * 1_000_000)
    try:
        with Reader(folder / "day.heard") as reader:
            report = replay.play(reader)
    finally:
        replay.close()
    assert report["refused"] == {}
    with connect(folder / "ledger.sqlite", read_only=True) as ledger:
        points = {number: (c, p) for number, c, p in ledger.execute("SELECT id, collector, name FROM point")}
        rows: set[tuple[Any, ...]] = set()
        for (body,) in ledger.execute("SELECT readings FROM journal WHERE readings IS NOT NULL"):
            batch = journal.plain(journal.decode(body))
            columns = (batch.point, batch.at_us, batch.value, batch.good)
            rows |= {(*points[p], *rest) for p, *rest in zip(*(c.tolist() for c in columns), strict=True)}
        alarms = ledger.execute("SELECT id, collector, point, tier, raised_us, cleared_us FROM alarm ORDER BY id")
        return rows, alarms.fetchall()


SETTINGS = Settings()


@pytest.fixture(scope="module")
def native(sent: list[Sent], tmp_path_factory: pytest.TempPathFactory) -> Any:
    return record(tmp_path_factory.mktemp("forms"), "native", sent)


@pytest.mark.timeout(600)
@pytest.mark.parametrize("name", [name for name in CASES if name != "native"])
def test_the_same_day_in_every_form_is_the_same_record(
    sent: list[Sent], native: tuple[set[Any], list[Any]], tmp_path: Path, name: str
) -> None:
    readings, alarms = native
    assert len(readings) == sum(len(message.readings) for message in sent) > 20_000
    assert {row[3] for row in alarms} >= {"low-low", "high-high"}
    found, told = record(tmp_path, name, sent)
    assert found == readings
    assert told == alarms

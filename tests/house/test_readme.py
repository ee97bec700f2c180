"""What the README shows is what the service takes: its plant file, its message, its units and its verbs."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from service.cli.app import build
from service.decode.native import decode
from service.plant.checks import check
from service.plant.file import parse
from service.units.convert import lookup
from service.units.table import QUANTITIES
from service.units.times import parse_rfc3339

README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")


def block(language: str) -> str:
    found = re.search(rf"```{language}\n(.*?)```", README, re.DOTALL)
    assert found is not None
    return found[1]


def test_the_plant_file_of_the_readme_is_accepted() -> None:
    plant = parse(tomllib.loads(block("toml")), "README")
    check(plant, "README")
    assert [collector.id for collector in plant.collector] == ["quay/cutting/dc-1"]


def test_the_message_of_the_readme_is_read_whole() -> None:
    decoded = decode(block("json").encode())
    assert decoded.faults == []
    assert [reading.quality for reading in decoded.message.readings] == ["good", "good", "bad"]
    first = decoded.message.readings[0].at
    assert isinstance(first, str)
    assert parse_rfc3339(first) == 1_795_593_600_000_000


@pytest.mark.parametrize(
    ("quantity", "names"),
    [
        ("gauge pressure", "Pa kPa hPa mbar bar psi mmH2O inH2O inH2O(4degC) inH2O(60degF) inH2O(20degC) psig"),
        ("absolute pressure", "psia"),
        ("airflow", "m3/s m3/h l/s cfm"),
        ("temperature", "degC degF K"),
        ("fraction", "1 %"),
        ("speed", "%"),
        ("current", "A mA"),
        ("voltage", "V"),
        ("concentration", "mg/m3 gr/ft3"),
        ("rate", "1/h 1/min"),
        ("count", "count"),
    ],
)
def test_the_units_of_the_readme_are_known(quantity: str, names: str) -> None:
    for name in names.split():
        assert lookup(name, quantity).dimension == QUANTITIES[quantity].dimension
        assert name in README


def test_the_verbs_of_the_readme_are_those_of_the_command() -> None:
    named = set(re.findall(r"^\| `([a-z-]+)", README, re.MULTILINE))
    assert named == {name for name in build() if not name.startswith("-")}


def test_the_cautions_are_there() -> None:
    for words in ("not a safety", "never writes to equipment", 'Loss of signal is not "OK"', "lock out", "licensed"):
        assert words in README

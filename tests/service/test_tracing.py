"""A message followed stage by stage shows where a value goes wrong, and never raises for what is in it."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from service.model import Parcel
from service.plant.compile import compile_plant
from service.plant.file import parse
from service.settings import Settings
from service.sources.file import load
from service.sourcing import intake_of
from service.tracing import Tracer, plain, tracer_of
from tests.parts import plant_text

SOURCES = """
[[source]]
name = "cutting"
form = "plain"
topics = ["works/{gateway}/{tag}"]
gateways = { A0 = "gw-0" }
[source.tags]
p = { tag = "dp", unit = "mbar" }
q = { tag = "nothing", unit = "mbar" }
t = { tag = "dp", unit = "degC" }
loop = { tag = "dp", unit = "inH2O", loop = { at_4_mA = 0, at_20_mA = 10 } }
"""
NOW_US = 1_795_593_600_000_000


@pytest.fixture
def tracer(tmp_path: Path) -> Tracer:
    path = tmp_path / "sources.toml"
    path.write_text(SOURCES)
    compiled = compile_plant(parse(tomllib.loads(plant_text(1)), "test"), 1)
    return tracer_of(intake_of(Settings(), load(path)), compiled)


def trace(tracer: Tracer, topic: str, payload: bytes) -> dict[str, object]:
    return plain(tracer.trace(Parcel(topic, payload, NOW_US)))


def test_a_value_is_shown_at_every_stage(tracer: Tracer) -> None:
    found = trace(tracer, "works/A0/p", b"13.7")
    assert (found["source"], found["form"], found["parts"]) == ("cutting", "Plain", {"gateway": "A0", "tag": "p"})
    assert found["readings"] == [
        {
            "gateway": "gw-0",
            "decoded": "p 13.7 (no unit) at arrival",
            "ruled": "dp 13.7 mbar at 1795593600.0",
            "point": "quay/hall/c-0 dp",
            "canonical": "1370 Pa",
            "shown": "5.50004 inH2O",
            "margin": "0.5 beyond high 5 inH2O",
            "refused": "",
        }
    ]


@pytest.mark.parametrize(
    ("topic", "payload", "stage", "says"),
    [
        ("works/A0/q", b"1", "refused", "tag 'nothing' of gateway gw-0: no point has it"),
        ("works/A0/t", b"1", "refused", "unit 'degC' of differential pressure"),
        ("works/A0/x", b"1", "refused", "no unit in the message and none in the sources file"),
        ("works/B7/p", b"1", "refused", "gateway 'B7': no collector has it"),
        ("works/A0/loop", b"3.2", "canonical", "no measurement"),
        ("works/A0/loop", b"12", "shown", "5 inH2O"),
    ],
)
def test_the_stage_at_which_it_goes_wrong_says_why(
    tracer: Tracer, topic: str, payload: bytes, stage: str, says: str
) -> None:
    found = tracer.trace(Parcel(topic, payload, NOW_US))
    (step,) = found.steps
    assert says in getattr(step, stage)


@pytest.mark.parametrize(
    ("topic", "payload", "says"),
    [
        ("else/where", b"1", "no source takes this topic"),
        ("works/A0/p", b"\xff", "expected UTF-8 text"),
        ("dustcake/v1/gw-0/readings", b"{", "expected the native JSON form"),
    ],
)
def test_what_is_no_message_of_a_source_is_said(tracer: Tracer, topic: str, payload: bytes, says: str) -> None:
    found = tracer.trace(Parcel(topic, payload, NOW_US))
    assert says in found.faults[0]


def test_a_will_is_shown_as_a_status(tracer: Tracer) -> None:
    found = tracer.trace(Parcel("dustcake/v1/gw-0/status", b'{"gateway":"gw-0","state":"offline"}', NOW_US))
    assert found.statuses == ["gateway gw-0 is offline"]

"""A message followed stage by stage shows where a value goes wrong, and never raises for what is in it."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.decode.plain import PlainForm
from service.model import Delivery, Parcel
from service.plant.compile import compile_plant
from service.plant.file import parse
from service.settings import Settings
from service.sources.file import load
from service.sources.form import Sources
from service.sourcing import intake_of
from service.tracing import Tracer, plain, tracer_of
from tests.parts import plant_text
from tests.service.decode import test_sparkplug as sparkplug

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
LATEST_US = NOW_US + 60_000_000
COMPILED = compile_plant(parse(tomllib.loads(plant_text(1)), "test"), 1)


def tracer_for(source: dict[str, Any], plant_of: Callable[[int], int] = lambda wall_us: wall_us) -> Tracer:
    sources = Sources.model_validate({"source": [{"name": "line", **source}]})
    return tracer_of(intake_of(Settings(), sources), COMPILED, plant_of=plant_of)


@pytest.fixture
def tracer(tmp_path: Path) -> Tracer:
    path = tmp_path / "sources.toml"
    path.write_text(SOURCES)
    return tracer_of(intake_of(Settings(), load(path)), COMPILED)


def trace(tracer: Tracer, topic: str, payload: bytes) -> dict[str, object]:
    return plain(tracer.trace(Parcel(topic, payload, NOW_US), LATEST_US))


def test_a_value_is_shown_at_every_stage(tracer: Tracer) -> None:
    found = trace(tracer, "works/A0/p", b"13.7")
    assert (found["source"], found["form"], found["parts"]) == ("cutting", "plain", {"gateway": "A0", "tag": "p"})
    assert found["readings"] == [
        {
            "gateway": "gw-0",
            "decoded": "p 13.7 (no unit) at arrival",
            "ruled": "dp 13.7 mbar at 2026-11-25T08:00:00Z",
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
    found = tracer.trace(Parcel(topic, payload, NOW_US), LATEST_US)
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
    found = tracer.trace(Parcel(topic, payload, NOW_US), LATEST_US)
    assert says in found.faults[0]


def test_a_will_is_shown_as_a_status(tracer: Tracer) -> None:
    assert trace(tracer, "dustcake/v1/gw-0/status", b'{"gateway":"gw-0","state":"offline"}')["statuses"] == [
        "gateway gw-0 is offline"
    ]


def native(*rows: tuple[str, str | float, float], gateway: str = "gw-0") -> bytes:
    readings = [{"tag": tag, "at": at, "value": value, "unit": "inH2O"} for tag, at, value in rows]
    return json.dumps({"gateway": gateway, "readings": readings}).encode()


@pytest.mark.parametrize(("ahead_s", "is_refused"), [(0, True), (700, False)])
def test_a_reading_of_later_than_the_latest_is_refused(tracer: Tracer, ahead_s: int, is_refused: bool) -> None:
    parcel = Parcel("dustcake/v1/gw-0/readings", native(("dp", NOW_US / 1e6 + 600, 3.0)), NOW_US)
    (step,) = tracer.trace(parcel, NOW_US + ahead_s * 1_000_000).steps
    assert bool(step.refused) is is_refused


def test_what_is_dated_by_its_arrival_is_of_plant_time_and_against_the_newest_of_its_message() -> None:
    source = {"form": "native", "topics": ["x/{gateway}"], "time": {"by": "arrival"}}
    tracer, day_us = tracer_for(source, lambda wall_us: wall_us + 86_400_000_000), 86_400_000_000
    parcel = Parcel("x/gw-0", native(("dp", 1000.0, 3.0), ("", 1000.0, 3.0), ("dp", 1060.0, 4.0)), NOW_US)
    found = tracer.trace(parcel, LATEST_US + day_us)
    assert [step.ruled for step in found.steps if step.ruled.startswith("dp")] == [
        "dp 3 inH2O at 2026-11-26T07:59:00Z",
        "dp 4 inH2O at 2026-11-26T08:00:00Z",
    ]


def test_what_the_broker_had_kept_is_not_dated_by_its_arrival(tracer: Tracer) -> None:
    found = tracer.trace(Parcel("works/A0/p", b"13.7", NOW_US, delivery=Delivery(is_retained=True)), LATEST_US)
    assert "kept by the broker" in found.steps[0].refused


def test_a_gateway_is_called_by_its_name_in_the_plant_file(tracer: Tracer) -> None:
    refused = tracer.trace(Parcel("works/A0/x", b"1", NOW_US), LATEST_US)
    assert [step.gateway for step in refused.steps] == ["gw-0"]
    renamed = tracer_for({"form": "sparkplug", "topics": ["spBv1.0/works/{kind}/{node}"], "gateways": {"gw-1": "gw-0"}})
    birth = renamed.trace(Parcel(sparkplug.BIRTH, sparkplug.birth(), NOW_US), LATEST_US)
    assert birth.told == ["gateway gw-0 is online"]
    for found, steps, statuses in ((refused, 1, 0), (birth, len(birth.steps), 1)):
        found.keep("gw-0")
        assert (len(found.steps), len(found.statuses)) == (steps, statuses)
        found.keep("gw-1")
        assert (found.steps, found.statuses) == ([], [])


def test_a_fault_of_the_service_is_shown_as_the_pipeline_keeps_it(
    tracer: Tracer, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: object) -> None:
        raise ZeroDivisionError("by nought")

    monkeypatch.setattr(PlainForm, "read", fails)
    monkeypatch.setattr(PlainForm, "due", fails)
    found = tracer.trace(Parcel("works/A0/p", b"1", NOW_US), LATEST_US)
    assert found.faults == ["message: ZeroDivisionError: by nought; this is a fault of the service: please report it"]
    ((due, _),) = tracer.due(NOW_US, LATEST_US)
    assert due.faults == found.faults


NODE = {
    "form": "sparkplug",
    "topics": ["spBv1.0/works/{kind}/{node}"],
    "gateways": {"gw-1": "gw-0"},
    "tags": {"dp": {"unit": "inH2O"}},
}


def waiting() -> Tracer:
    """A tracer with a node whose messages 2 and 3 wait for the first."""
    tracer = tracer_for(NODE)
    tracer.trace(Parcel(sparkplug.BIRTH, sparkplug.birth(), NOW_US), LATEST_US)
    for number in (2, 3):
        found = tracer.trace(Parcel(sparkplug.DATA, sparkplug.data(number), NOW_US + number), LATEST_US)
        assert found.steps == []
    return tracer


def test_messages_that_waited_for_one_that_did_not_come_are_shown_when_they_fall_due() -> None:
    tracer, later_us = waiting(), NOW_US + 3600_000_000
    assert list(tracer.due(NOW_US + 1_000_000, LATEST_US)) == []
    ((due, parcel),) = tracer.due(later_us, LATEST_US)
    assert (due.has_waited, due.source, parcel.received_us) == (True, "line", later_us)
    assert [(step.gateway, step.decoded, step.shown) for step in due.steps] == [
        ("gw-0", "", "2 inH2O"),
        ("gw-0", "", "3 inH2O"),
    ]
    assert [fault for fault in due.faults if sparkplug.ASKED in fault], "what the service would ask for"


def test_messages_that_waited_are_shown_with_the_one_that_they_waited_for() -> None:
    found = waiting().trace(Parcel(sparkplug.DATA, sparkplug.data(1), NOW_US + 4), LATEST_US)
    assert [step.shown for step in found.steps] == ["1 inH2O", "2 inH2O", "3 inH2O"]
    assert all(step.decoded for step in found.steps)

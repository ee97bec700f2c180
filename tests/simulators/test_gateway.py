"""What a gateway says and keeps: messages, units, instruments, the ring buffer."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from random import Random
from statistics import mean, pstdev
from typing import Any

import pytest

from simulators.designs import CARTRIDGE
from simulators.gateway import INSTRUMENTS, Gateway, Message, Tag, instant_text, measured
from simulators.physics import Collector, Sample, World

START_US = 1_795_593_600_000_000  # 2026-11-25T08:00:00Z
SAMPLE = Collector(CARTRIDGE).step(10)


def a_gateway(**changes: Any) -> Gateway:
    options: dict[str, Any] = {
        "boot": "b41f", "random": Random(1), "buffer_messages": 100, "replay_per_s": 10.0,
        "tags": {"dp": Tag("dp", "inH2O"), "air": Tag("header", "psi")},
    } | changes  # fmt: skip
    return Gateway("gw-cut-1", options.pop("tags"), CARTRIDGE, **options)


def readings(message: Message) -> dict[str, dict[str, Any]]:
    return {each["tag"]: each for each in json.loads(message.payload)["readings"]}


def test_a_message_has_the_native_form() -> None:
    message = a_gateway().report(SAMPLE, START_US)
    body = json.loads(message.payload)
    assert list(body) == ["gateway", "boot", "seq", "readings"]
    assert (body["gateway"], body["boot"], body["seq"]) == ("gw-cut-1", "b41f", 1)
    assert [set(each) for each in body["readings"]] == [{"tag", "at", "value", "unit"}] * 2
    assert [(each["tag"], each["unit"]) for each in body["readings"]] == [("dp", "inH2O"), ("air", "psi")]
    assert {each["at"] for each in body["readings"]} == {"2026-11-25T08:00:00.000Z"}


@pytest.mark.parametrize(
    ("at_us", "text"),
    [(START_US, "2026-11-25T08:00:00.000Z"), (START_US + 20_500_000, "2026-11-25T08:00:20.500Z")],
)
def test_instants_are_rfc_3339_in_utc(at_us: int, text: str) -> None:
    assert instant_text(at_us) == text
    assert datetime.fromisoformat(text) == datetime.fromtimestamp(at_us / 1e6, UTC)


@pytest.mark.parametrize(
    ("measures", "unit", "true_value", "tolerance"),
    [
        # NIST SP 811 B.8: 1 inch of water (conventional) is 249.08891 Pa; UNECE Rec 20 prints 2.49089E2
        ("dp", "Pa", 3.0 * 249.08891, 40.0),
        ("dp", "inH2O", 3.0, 0.16),
        # 1 ft is 0.3048 m exactly, so 1 cfm is 1.69901079552 m3/h
        ("airflow", "m3/h", 8_000 * 1.69901079552, 1_700.0),
        ("airflow", "cfm", 8_000.0, 1_000.0),
        ("temperature", "degC", 30.0, 0.9),  # NIST SP 811 B.8: C = (F - 32) / 1.8
        ("temperature", "degF", 86.0, 1.6),
        ("header", "kPa", 90.0 * 6.894757293168, 11.0),  # NIST SP 811 B.8
        ("pulses", "count", 12.0, 0.0),
        ("fan_speed", "%", 91.0, 0.0),
    ],
)
def test_values_are_sent_in_the_unit_of_the_tag(measures: str, unit: str, true_value: float, tolerance: float) -> None:
    sample = SAMPLE._replace(
        dp_inwc=3.0, flow_acfm=8_000.0, gas_degf=86.0, header_between_psi=90.0, pulses=12, fan_speed=0.91
    )
    sent = readings(a_gateway(tags={"x": Tag(measures, unit)}).report(sample, START_US))["x"]
    assert sent["unit"] == unit
    assert sent["value"] == pytest.approx(true_value, abs=tolerance + 1e-9)


@pytest.mark.parametrize(
    ("measures", "noise", "grain"), [("dp", 0.03, 0.01), ("header", 0.3, 0.1), ("temperature", 0.3, 0.1)]
)
def test_instruments_are_noisy_unbiased_and_coarse(measures: str, noise: float, grain: float) -> None:
    random, instrument = Random(7), INSTRUMENTS[measures]
    values = [measured(instrument, SAMPLE, CARTRIDGE, random) for _ in range(4_000)]
    assert pstdev(values) == pytest.approx(noise, rel=0.1)
    assert mean(values) == pytest.approx(instrument.read(SAMPLE), abs=noise / 10)
    assert all(abs(each / grain - round(each / grain)) < 1e-6 for each in values)


def test_airflow_noise_is_two_percent_and_never_negative() -> None:
    random, still = Random(7), SAMPLE._replace(flow_acfm=0.0)
    moving = [measured(INSTRUMENTS["airflow"], SAMPLE, CARTRIDGE, random) for _ in range(4_000)]
    assert pstdev(moving) / mean(moving) == pytest.approx(0.0214, rel=0.1)  # 2 % of reading, 0.75 % of design
    assert min(measured(INSTRUMENTS["airflow"], still, CARTRIDGE, random) for _ in range(500)) == 0.0


def test_a_pulse_kicks_the_sensing_line_for_half_a_second() -> None:
    read = INSTRUMENTS["dp"].read
    assert read(SAMPLE._replace(since_pulse_s=0.4)) == pytest.approx(SAMPLE.dp_inwc + 0.3)
    assert read(SAMPLE._replace(since_pulse_s=0.5)) == SAMPLE.dp_inwc


def test_a_frozen_sensor_repeats_and_a_failed_one_says_bad() -> None:
    gateway, collector = a_gateway(), Collector(CARTRIDGE)
    seen = [readings(gateway.report(collector.step(10), START_US)) for _ in range(2)]
    frozen = [readings(gateway.report(collector.step(10), START_US, dp_frozen=True)) for _ in range(20)]
    assert {each["dp"]["value"] for each in frozen} == {seen[-1]["dp"]["value"]}
    assert len({each["air"]["value"] for each in frozen}) > 1
    failed = readings(gateway.report(collector.step(10), START_US, dp_failed=True))
    assert (failed["dp"]["value"], failed["dp"]["quality"]) == (None, "bad")
    assert "quality" not in failed["air"]


def filled(gateway: Gateway, count: int) -> Gateway:
    for index in range(count):
        gateway.report(SAMPLE, START_US + index * 10_000_000)
    return gateway


def test_a_backlog_leaves_oldest_first_at_its_rate() -> None:
    gateway = filled(a_gateway(replay_per_s=2.0), 50)
    assert [each.seq for each in gateway.take(10, window=200)] == list(range(1, 21))
    assert [each.seq for each in gateway.take(1, window=200)] == [21, 22]
    assert [each.seq for each in gateway.take(0.1, window=200)] == [23]  # at least one, so it always moves
    assert [each.seq for each in gateway.take(10, window=5)] == [24, 25, 26, 27, 28]
    assert gateway.take(10, window=0) == []
    assert gateway.stored == 22


def test_a_full_buffer_drops_the_oldest_and_counts_it() -> None:
    gateway = filled(a_gateway(buffer_messages=10), 25)
    assert (gateway.stored, gateway.dropped) == (10, 15)
    assert [each.seq for each in gateway.take(10, window=200)] == list(range(16, 26))


def test_duplicates_are_the_same_message_sent_again() -> None:
    gateway = filled(a_gateway(duplicates=1.0), 3)
    sent = gateway.take(10, window=200)
    assert [each.seq for each in sent] == [1, 1, 2, 2, 3, 3]
    assert sent[0] == sent[1]


def test_the_status_names_gateway_state_and_boot() -> None:
    assert json.loads(a_gateway().status("offline", START_US)) == {
        "gateway": "gw-cut-1", "state": "offline", "boot": "b41f", "at": "2026-11-25T08:00:00.000Z",
    }  # fmt: skip


def test_the_between_pulse_header_is_what_is_sent() -> None:
    """A collector that cleans all the time still shows its standing pressure, and its dips in the minimum."""
    collector = Collector(CARTRIDGE)
    gateway = a_gateway(tags={"header": Tag("header", "psi"), "low": Tag("header_min", "psi")})
    world = World(dust_factor=8.0)
    samples: list[Sample] = [collector.step(10, world) for _ in range(720)]
    sent = [readings(gateway.report(each, START_US)) for each in samples if each.pulses_in_step]
    assert len(sent) > 100
    assert min(each["header"]["value"] for each in sent) > 87
    assert max(each["low"]["value"] for each in sent) < 75

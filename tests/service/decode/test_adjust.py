"""The rules of a source: names, units, 4-20 mA, bad values, counters with resets and wraps, whose clock counts."""

from __future__ import annotations

import math

import pytest

from service.decode.adjust import (
    OVER_RANGE_MA,
    UNDER_RANGE_MA,
    Adjuster,
    Arrival,
    Rules,
    Scale,
    Tag,
    Timing,
    as_sent,
)
from service.model import BadInput, GatewayMessage, GatewayReading

RECEIVED_US = 1_795_593_600_250_000
AT = 1_795_593_590.0
ARRIVAL = Arrival(RECEIVED_US, RECEIVED_US + 60_000_000)
LOOP = Tag("dp", "inH2O", Scale(4.0, 20.0, 0.0, 10.0), UNDER_RANGE_MA, OVER_RANGE_MA, raw_unit="mA")


def one(rules: Rules, value: float | None, *, tag: str = "x", at: str | float = AT, unit: str = "") -> GatewayReading:
    return only(Adjuster(rules), value, tag=tag, at=at, unit=unit)


def only(
    adjuster: Adjuster, value: float | None, *, tag: str = "x", at: str | float = AT, unit: str = ""
) -> GatewayReading:
    message = GatewayMessage("gw", [GatewayReading(tag, at, unit, value, "bad" if value is None else "good")])
    adjusted, faults = adjuster.adjust(message, ARRIVAL)
    assert not faults, faults
    return adjusted.readings[0]


@pytest.mark.parametrize(
    ("current_ma", "value"),
    [
        *[(4.0, 0.0), (12.0, 5.0), (20.0, 10.0), (3.8, -0.125), (20.5, 10.3125), (3.61, -0.24375), (20.99, 10.61875)],
        *[(3.6, None), (21.0, None), (3.59, None), (21.01, None), (0.0, None)],
    ],
)
def test_a_current_loop_is_scaled_and_fails_out_of_its_range(current_ma: float, value: float | None) -> None:
    """A transmitter that has failed is set to 3.6 mA or less, or to 21 mA or more (NAMUR NE 43, from memory)."""
    found = one(Rules(tags={"x": LOOP}), current_ma)
    assert (found.tag, found.unit) == ("dp", "inH2O")
    assert found.quality == ("bad" if value is None else "good")
    assert found.value is None if value is None else math.isclose(found.value or 0.0, value, abs_tol=1e-12)


@pytest.mark.parametrize("value", [-9999.0, 65535.0, None])
def test_values_that_mean_no_measurement_are_bad(value: float | None) -> None:
    found = one(Rules(tags={"x": Tag(unit="psi", bad=frozenset({-9999.0, 65535.0}))}), value)
    assert (found.value, found.quality) == (None, "bad")


def test_a_tag_may_have_rules_of_its_own_at_one_gateway() -> None:
    rules = Rules(tags={"x": Tag("a", "Pa"), "gw/x": Tag("b", "kPa")})
    assert one(rules, 1.0).tag == "b"
    assert one(Rules(tags={"x": Tag("a", "Pa"), "other/x": Tag("b", "kPa")}), 1.0).unit == "Pa"


def test_the_unit_of_the_sources_file_overrides_that_of_the_message() -> None:
    assert one(Rules(tags={"x": Tag(unit="mbar")}), 1.0, unit="inH2O").unit == "mbar"
    assert one(Rules(tags={"x": Tag("y")}), 1.0, unit="inH2O").unit == "inH2O"


@pytest.mark.parametrize("rules", [Rules(), Rules(tags={"x": Tag("y")})])
def test_a_reading_without_any_unit_is_refused_and_never_guessed(rules: Rules) -> None:
    _, faults = Adjuster(rules).adjust(GatewayMessage("gw", [GatewayReading("x", AT, "", 1.0)]), ARRIVAL)
    assert len(faults) == 1
    assert "add unit" in faults[0]


@pytest.mark.parametrize(
    ("timing", "at", "expected"),
    [
        (Timing(), AT, AT),
        (Timing(), "2026-11-25T08:00:00Z", "2026-11-25T08:00:00Z"),
        (Timing(), "", RECEIVED_US / 1e6),
        (Timing("arrival"), AT, RECEIVED_US / 1e6),
        (Timing(offset_us=-3600 * 10**6), AT, AT - 3600),
        (Timing(offset_us=1), "1970-01-01T00:00:01Z", 1.000001),
    ],
)
def test_whose_clock_dates_a_reading(timing: Timing, at: str | float, expected: str | float) -> None:
    assert one(Rules(timing=timing), 1.0, at=at, unit="Pa").at == expected
    by_gateway = Rules(timings={"gw": timing}, timing=Timing("arrival"))
    assert one(by_gateway, 1.0, at=at, unit="Pa").at == expected


def test_gateways_are_renamed_and_strangers_refused_where_the_file_says_so() -> None:
    message = GatewayMessage("A0B1", [GatewayReading("x", AT, "Pa", 1.0)], "b1", 7)
    adjusted, _ = Adjuster(Rules(gateways={"A0B1": "gw-cut-1"}, only_named=True)).adjust(message, ARRIVAL)
    assert (adjusted.gateway, adjusted.boot, adjusted.seq) == ("gw-cut-1", "b1", 7)
    with pytest.raises(BadInput, match="not one of the source's gateways"):
        Adjuster(Rules(gateways={"other": "gw"}, only_named=True)).adjust(message, ARRIVAL)


def test_a_loop_reads_milliamperes_and_nothing_else() -> None:
    assert one(Rules(tags={"x": LOOP}), 12.0, unit="mA").value == 5.0
    volts = GatewayMessage("gw", [GatewayReading("x", AT, "V", 12.0)])
    (fault,) = Adjuster(Rules(tags={"x": LOOP})).adjust(volts, ARRIVAL)[1]
    assert fault.startswith("tag 'x': sent in 'V'; expected mA")


def test_a_value_that_means_no_measurement_is_known_from_senders_with_32_bits_too() -> None:
    rules = Rules(tags={"x": Tag(unit="psi", bad=as_sent(-999.9))})
    for sent in (-999.9, -999.9000244140625):
        assert one(rules, sent).quality == "bad"
    assert one(rules, -999.8).quality == "good"
    assert as_sent(1e300) == {1e300}


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan])
def test_a_value_that_is_no_number_is_refused_where_a_rule_reads_it(value: float) -> None:
    for tag in (Tag(unit="psi"), Tag(unit="count", is_counter=True)):
        adjuster = Adjuster(Rules(tags={"x": tag}))
        _, faults = adjuster.adjust(GatewayMessage("gw", [GatewayReading("x", AT, "", value)]), ARRIVAL)
        assert "expected a finite number" in faults[0]
        assert adjuster.counters.changed() == {}


def test_by_arrival_readings_keep_their_distances() -> None:
    """Its clock was never set, and yet it knows how long ago each was."""
    sent = [GatewayReading("x", at, "Pa", 1.0) for at in (20.0, "1970-01-01T00:00:50Z", 35.5)]
    adjusted, faults = Adjuster(Rules(timing=Timing("arrival"))).adjust(GatewayMessage("gw", sent), ARRIVAL)
    received_s = RECEIVED_US / 1e6
    assert ([reading.at for reading in adjusted.readings], faults) == (
        [received_s - 30, received_s, received_s - 14.5],
        [],
    )


def test_by_arrival_a_time_that_cannot_be_read_spoils_its_own_reading() -> None:
    sent = [GatewayReading("x", "soon", "Pa", 1.0), GatewayReading("x", 5.0, "Pa", 2.0)]
    adjusted, faults = Adjuster(Rules(timing=Timing("arrival"))).adjust(GatewayMessage("gw", sent), ARRIVAL)
    assert [(reading.value, reading.at) for reading in adjusted.readings] == [(2.0, RECEIVED_US / 1e6)]
    assert len(faults) == 1


@pytest.mark.parametrize(("timing", "at"), [(Timing(), ""), (Timing("arrival"), AT)])
def test_what_the_broker_had_kept_is_not_dated_by_its_arrival(timing: Timing, at: str | float) -> None:
    """With each new subscription the last value of a sensor that died a year ago would be a fresh one."""
    kept = Arrival(ARRIVAL.at_us, ARRIVAL.latest_us, is_retained=True)
    message = GatewayMessage("gw", [GatewayReading("x", at, "Pa", 1.0)])
    adjusted, (fault,) = Adjuster(Rules(timing=timing)).adjust(message, kept)
    assert adjusted.readings == []
    assert "kept by the broker" in fault
    timed = GatewayMessage("gw", [GatewayReading("x", AT, "Pa", 1.0)])
    assert Adjuster(Rules()).adjust(timed, kept) == (timed, [])


COUNTER = Rules(tags={"x": Tag("pulses", "count", is_counter=True)})


def test_two_devices_behind_one_gateway_have_counters_of_their_own() -> None:
    rules = Rules(
        gateways={"A": "gw", "B": "gw"},
        tags={"A/n": Tag("a", "count", is_counter=True), "n": Tag("b", "count", is_counter=True)},
    )
    adjuster, found = Adjuster(rules), []
    for second, (device, raw) in enumerate([("A", 1000.0), ("B", 5.0), ("A", 1001.0), ("B", 6.0)]):
        adjusted, _ = adjuster.adjust(GatewayMessage(device, [GatewayReading("n", AT + second, "", raw)]), ARRIVAL)
        found.append((adjusted.gateway, adjusted.readings[0].tag, adjusted.readings[0].value))
    assert found == [("gw", "a", 1000.0), ("gw", "b", 5.0), ("gw", "a", 1001.0), ("gw", "b", 6.0)]


def test_a_counter_is_scaled_by_nothing_and_keeps_its_name_and_unit() -> None:
    assert only(Adjuster(COUNTER), 7.0) == GatewayReading("pulses", AT, "count", 7.0)

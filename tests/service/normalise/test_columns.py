"""From messages to canonical columns: what is refused and why, and that nothing remembered grows without bound."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.decode import native
from service.model import GatewayMessage, GatewayReading
from service.normalise import bind, columns
from service.normalise.bind import Binder, Binding, Refusal
from service.normalise.columns import Normalised, Normaliser, rejection
from service.units.convert import lookup, units_for
from service.units.table import UNITS

NOW_S = 1_795_593_600
LATEST_US = (NOW_S + 60) * 1_000_000
NUMBERS = {unit.name: number for number, unit in enumerate(UNITS)}
BINDINGS = (
    Binding("gw-1", "dp", 0, "differential pressure"),
    Binding("gw-1", "temp", 1, "temperature"),
    Binding("gw-2", "dp", 2, "differential pressure"),
)


def binder() -> Binder:
    return Binder(BINDINGS, lookup, NUMBERS)


def reading(tag: str = "dp", at: str | float = NOW_S, unit: str = "Pa", **more: Any) -> GatewayReading:
    return GatewayReading(tag, at, unit, **({"value": 1.0} | more))


def normalise(*readings: GatewayReading, gateway: str = "gw-1") -> Normalised:
    return Normaliser(binder()).normalise([GatewayMessage(gateway, list(readings))], LATEST_US)


def test_readings_become_columns_in_order_of_arrival() -> None:
    found = Normaliser(binder()).normalise(
        [
            GatewayMessage("gw-2", [reading(value=2.0)]),
            GatewayMessage(
                "gw-1", [reading("temp", NOW_S + 0.5, "degF", value=212.0), reading(value=None, quality="bad")]
            ),
        ],
        LATEST_US,
    )
    assert found.point.tolist() == [2, 1, 0]
    assert found.at_us.tolist() == [NOW_S * 10**6, NOW_S * 10**6 + 500_000, NOW_S * 10**6]
    assert found.value[:2].tolist() == [2.0, 100.0]
    assert found.original[:2].tolist() == [2.0, 212.0]
    assert found.unit[:2].tolist() == [NUMBERS["Pa"], NUMBERS["degF"]]
    assert found.good.tolist() == [True, True, False]
    assert math.isnan(found.value[2])
    assert math.isnan(found.original[2])
    assert found.refused == {}


REFUSED: dict[str, tuple[str, GatewayReading, str, list[str]]] = {
    # gateway, reading, code, what the text has: what, value, expected, remedy
    "gateway unknown": (
        "gw-9",
        reading(),
        "gateway-unknown",
        ["'gw-9'", "expected a gateway of the plant", "register"],
    ),
    "tag unknown": (
        "gw-1",
        reading("flow"),
        "tag-unknown",
        ["'flow' of gateway gw-1", "one of dp, temp", "add a point"],
    ),
    "unit unknown": ("gw-1", reading(unit="furlong"), "unit-refused", ["'furlong'", "differential pressure", "Pa"]),
    "unit of something else": ("gw-1", reading(unit="degF"), "unit-refused", ["'degF'", "temperature", "check which"]),
    "unit in other letters": ("gw-1", reading(unit="INH2O"), "unit-refused", ["'INH2O'", "write inH2O"]),
    "time in the future": ("gw-1", reading(at=NOW_S + 61), "time-future", ["1795593661", "has passed", "clock"]),
    "milliseconds": ("gw-1", reading(at=NOW_S * 1000.0), "time-invalid", ["milliseconds", "Unix time in seconds"]),
    "time without offset": ("gw-1", reading(at="2026-11-25T08:00:00"), "time-invalid", ["2026-11-25", "RFC 3339"]),
    "no time at all": ("gw-1", reading(at="yesterday"), "time-invalid", ["'yesterday'", "RFC 3339"]),
    "a day that is none": ("gw-1", reading(at="2026-02-30T08:00:00Z"), "time-invalid", ["2026-02-30", "exists"]),
    "good without a value": ("gw-1", reading(value=None), "value-invalid", ["None", "'dp'", "finite", 'quality "bad"']),
    "not finite once converted": ("gw-1", reading(value=1e308, unit="inH2O"), "value-invalid", ["1e+308", "finite"]),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_used_is_refused_with_what_value_expected_and_remedy(name: str) -> None:
    gateway, wrong, code, texts = REFUSED[name]
    mixed = [reading(), wrong, reading(at=NOW_S + 1)] if gateway != "gw-9" else [wrong]
    found = normalise(*mixed, gateway=gateway)
    ((kept, found_code, reason),) = found.refused[0]
    assert kept is wrong
    assert found_code == code
    assert [text for text in texts if text not in reason] == []
    assert len(found.at_us) == len(mixed) - 1


@pytest.mark.parametrize("at", [0, 86_400.0, "1970-01-01T00:00:10Z", "1999-12-31T23:59:59Z", "0001-01-01T00:00:00Z"])
def test_a_time_from_a_clock_that_was_never_set_is_refused(at: str | float) -> None:
    ((_, code, reason),) = normalise(reading(at=at), reading()).refused[0]
    assert code == "time-unset"
    assert "set the gateway's clock" in reason


@pytest.mark.parametrize(("ahead_s", "refused"), [(0, False), (60, False), (60.000001, True)])
def test_a_reading_may_be_as_far_ahead_as_is_allowed(ahead_s: float, refused: bool) -> None:
    assert bool(normalise(reading(at=NOW_S + ahead_s)).refused) is refused


def test_a_bad_reading_needs_no_value_and_may_have_one() -> None:
    found = normalise(reading(value=None, quality="bad"), reading(at=NOW_S + 1, value=5.0, quality="bad"))
    assert found.refused == {}
    assert found.good.tolist() == [False, False]
    assert [math.isnan(value) for value in found.value] == [True, False]


def test_a_bad_reading_whose_value_is_beyond_floats_is_still_a_bad_reading() -> None:
    found = normalise(reading(value=1e308, unit="inH2O", quality="bad"))
    assert found.refused == {}
    assert not found.good[0]


def test_refused_readings_of_several_messages_stay_with_their_own_message() -> None:
    messages = [
        GatewayMessage("gw-1", [reading(), reading("x")]),
        GatewayMessage("gw-1", []),
        GatewayMessage("gw-2", [reading()]),
        GatewayMessage("gw-1", [reading(at=NOW_S + 99), reading(), reading(value=None)]),
    ]
    found = Normaliser(binder()).normalise(messages, LATEST_US)
    assert {index: [code for _, code, _ in items] for index, items in found.refused.items()} == {
        0: ["tag-unknown"],
        3: ["time-future", "value-invalid"],
    }
    assert found.refused[3][0][0] is messages[3].readings[0]
    assert found.refused[3][1][0] is messages[3].readings[2]
    assert found.point.tolist() == [0, 2, 0]


def test_a_batch_of_nothing_but_refusals_is_an_empty_batch() -> None:
    found = normalise(reading("x"), reading("y"))
    assert [len(column) for column in (found.point, found.at_us, found.value, found.original, found.unit)] == [0] * 5
    assert Normaliser(binder()).normalise([], LATEST_US).point.tolist() == []


def test_what_was_refused_is_a_native_message_that_can_be_driven_through_again() -> None:
    """Refused for its tag; once the plant file has the tag, the kept message gives the reading."""
    message = GatewayMessage(
        "gw-1", [reading(), reading("flow", "2026-11-25T07:59:00.5Z", value=4.5, unit="Pa"), reading("flow")], "b1", 7
    )
    found = Normaliser(binder()).normalise([message], LATEST_US)
    kept = rejection("topic", 123, message, found.refused[0])
    assert (kept.topic, kept.received_us, kept.code) == ("topic", 123, "tag-unknown")
    again = native.decode(kept.payload)
    assert again.faults == []
    assert again.message == GatewayMessage("gw-1", message.readings[1:], "b1", 7)
    mended = Normaliser(Binder((*BINDINGS, Binding("gw-1", "flow", 3, "differential pressure")), lookup, NUMBERS))
    after = mended.normalise([again.message], LATEST_US)
    assert after.refused == {}
    assert after.point.tolist() == [3, 3]
    assert after.value.tolist() == [4.5, 1.0]


def test_many_reasons_are_told_once_each_and_the_rest_counted() -> None:
    message = GatewayMessage("gw-1", [reading("x", NOW_S + n) for n in range(9)])
    found = Normaliser(binder()).normalise([message], LATEST_US)
    kept = rejection("t", 0, message, found.refused[0])
    assert kept.reason.count("tag 'x'") == 1
    assert kept.reason.endswith("; and 4 more readings")
    assert len(json.loads(kept.payload)["readings"]) == 9


@pytest.mark.parametrize("quantity", ["differential pressure", "airflow", "temperature"])
def test_one_point_in_mixed_units_has_the_same_canonical_value(quantity: str) -> None:
    """Each unit there and back differs by rounding alone; the same unit gives the same bits alone or in a batch."""
    made = Binder([Binding("g", "t", 0, quantity)], lookup, NUMBERS)
    canonical = 1234.5
    sent = [
        GatewayReading("t", NOW_S, unit.name, canonical * unit.denominator / unit.numerator - unit.shift)
        for unit in units_for(quantity)
    ]
    assert len(sent) > 2
    mixed = Normaliser(made).normalise([GatewayMessage("g", sent)], LATEST_US)
    assert mixed.value.tolist() == pytest.approx([canonical] * len(sent), rel=1e-13)
    for one, value in zip(sent, mixed.value.tolist(), strict=True):
        alone = Normaliser(made).normalise([GatewayMessage("g", [one])], LATEST_US)
        assert alone.value.tolist() == [value]


def test_an_inch_of_water_and_its_pascals_are_the_same_value() -> None:
    """NIST SP 811 B.8: the conventional inch of water is 249.08891 Pa."""
    found = normalise(reading(unit="inH2O", value=1.0), reading(unit="Pa", value=249.08891))
    assert found.value.tolist() == pytest.approx([249.08891, 249.08891], abs=1e-12)


def test_the_same_time_as_text_and_as_number_is_the_same_instant() -> None:
    found = normalise(
        reading(at="2026-11-25T08:00:00.250Z"),
        reading(at="2026-11-25T09:00:00.25+01:00"),
        reading(at=1795593600.25),
    )
    assert len(set(found.at_us.tolist())) == 1


# ---------------------------------------------------------------- what is remembered


def test_times_once_parsed_are_remembered_up_to_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(columns, "TIMES_REMEMBERED", 50)
    normaliser = Normaliser(binder())
    for n in range(300):
        at = f"2026-11-25T07:{n // 60 % 60:02d}:{n % 60:02d}Z"
        found = normaliser.normalise([GatewayMessage("gw-1", [reading(at=at)])], LATEST_US)
        assert found.at_us.tolist() == [(NOW_S - 3600 + n) * 10**6]
        assert len(normaliser._times) <= 51


def test_refusals_are_remembered_up_to_a_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bind, "REFUSED_AT_MOST", 20)
    made = binder()
    for n in range(100):
        for _ in range(2):
            with pytest.raises(Refusal, match=f"tag 'x{n}'") as caught:
                made.slot("gw-1", f"x{n}", "Pa")
            assert caught.value.code == "tag-unknown"
    assert len(made._refused) == 20
    assert made.known == {"gw-1": {}, "gw-2": {}}


def test_the_same_tag_and_unit_are_bound_once() -> None:
    made = binder()
    normaliser = Normaliser(made)
    for n in range(50):
        normaliser.normalise(
            [GatewayMessage("gw-1", [reading(at=NOW_S + n), reading(at=NOW_S + n, unit="inH2O")])], LATEST_US
        )
    assert len(made.slots().point) == 2
    assert made.known["gw-1"] == {("dp", "Pa"): 0, ("dp", "inH2O"): 1}


def test_a_gateway_that_is_not_registered_is_not_remembered_as_known() -> None:
    made = binder()
    for n in range(10):
        with pytest.raises(Refusal):
            made.slot(f"other-{n}", "dp", "Pa")
    assert set(made.known) == {"gw-1", "gw-2"}


READINGS = st.builds(
    GatewayReading,
    st.sampled_from(["dp", "temp", "x", "\x00", "dp "]),
    st.sampled_from(["2026-11-25T08:00:00Z", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59.999999999-23:59", "", "٣"])
    | st.text(max_size=30)
    | st.floats(),
    st.sampled_from(["Pa", "inH2O", "degF", "K", "", "cfm"]),
    st.none() | st.floats(),
    st.sampled_from(["good", "bad"]),
)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.builds(GatewayMessage, st.sampled_from(["gw-1", "gw-2", "z"]), st.lists(READINGS, max_size=5)), max_size=4
    )
)
def test_every_reading_is_either_a_row_or_refused_with_a_reason(messages: list[GatewayMessage]) -> None:
    found = Normaliser(binder()).normalise(messages, LATEST_US)
    refused = [item for items in found.refused.values() for item in items]
    assert len(found.point) + len(refused) == sum(len(message.readings) for message in messages)
    assert all(reason.encode() and code for _, code, reason in refused)
    assert np.isfinite(found.value[found.good]).all()
    assert (found.at_us <= LATEST_US).all()

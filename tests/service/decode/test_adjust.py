"""The rules of a source: names, units, 4-20 mA, bad values, counters with resets and wraps, whose clock counts."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.decode.adjust import Adjuster, Rules, Scale, Tag, Timing
from service.model import BadInput, GatewayMessage, GatewayReading

RECEIVED_US = 1_795_593_600_250_000
AT = 1_795_593_590.0
LOOP = Tag("dp", "inH2O", Scale(4.0, 20.0, 0.0, 10.0), lowest=3.6, highest=21.0)


def one(rules: Rules, value: float | None, *, tag: str = "x", at: str | float = AT, unit: str = "") -> GatewayReading:
    return only(Adjuster(rules), value, tag=tag, at=at, unit=unit)


def only(
    adjuster: Adjuster, value: float | None, *, tag: str = "x", at: str | float = AT, unit: str = ""
) -> GatewayReading:
    message = GatewayMessage("gw", [GatewayReading(tag, at, unit, value, "bad" if value is None else "good")])
    adjusted, faults = adjuster.adjust(message, RECEIVED_US)
    assert not faults, faults
    return adjusted.readings[0]


@pytest.mark.parametrize(
    ("current_ma", "value"),
    [(4.0, 0.0), (12.0, 5.0), (20.0, 10.0), (3.8, -0.125), (20.5, 10.3125), (3.59, None), (21.01, None), (0.0, None)],
)
def test_a_current_loop_is_scaled_and_fails_out_of_its_range(current_ma: float, value: float | None) -> None:
    """The limits of 3.6 and 21 mA are those of NAMUR NE 43 (from memory)."""
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
    _, faults = Adjuster(rules).adjust(GatewayMessage("gw", [GatewayReading("x", AT, "", 1.0)]), RECEIVED_US)
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
    adjusted, _ = Adjuster(Rules(gateways={"A0B1": "gw-cut-1"}, only_named=True)).adjust(message, RECEIVED_US)
    assert (adjusted.gateway, adjusted.boot, adjusted.seq) == ("gw-cut-1", "b1", 7)
    with pytest.raises(BadInput, match="not one of the source's gateways"):
        Adjuster(Rules(gateways={"other": "gw"}, only_named=True)).adjust(message, RECEIVED_US)


COUNTER = Rules(tags={"x": Tag("pulses", "count", is_counter=True)})
WRAPPING = Rules(tags={"x": Tag("pulses", "count", is_counter=True, wraps_at=65_536)})


@pytest.mark.parametrize(
    ("rules", "raw", "totals"),
    [
        (COUNTER, [10, 12, 12, 20], [10, 12, 12, 20]),
        (COUNTER, [10, 3, 5], [10, 13, 15]),  # it began anew: what it shows has been counted since
        (COUNTER, [10, 0, 0, 4], [10, 10, 10, 14]),
        (WRAPPING, [65_530, 4], [65_530, 65_540]),
    ],
)
def test_a_counter_counts_on_over_its_resets(rules: Rules, raw: list[float], totals: list[float]) -> None:
    adjuster = Adjuster(rules)
    assert [only(adjuster, value, at=AT + n).value for n, value in enumerate(raw)] == totals


def test_a_counter_reading_that_comes_again_or_late_changes_nothing() -> None:
    adjuster = Adjuster(COUNTER)
    values = [
        only(adjuster, raw, at=AT + at).value for at, raw in [(0, 10.0), (2, 14.0), (1, 12.0), (2, 14.0), (3, 15.0)]
    ]
    assert values == [10, 14, 12, 14, 15]


@given(st.lists(st.integers(0, 50), min_size=1, max_size=30), st.data())
def test_a_counter_that_is_saved_and_loaded_anywhere_counts_the_same(steps: list[int], data: st.DataObject) -> None:
    cut = data.draw(st.integers(0, len(steps)))
    whole, first, second = Adjuster(COUNTER), Adjuster(COUNTER), Adjuster(COUNTER)
    raw, total = 0, 0
    for n, step in enumerate(steps):
        raw = step if step > 40 else raw + step  # now and then it begins anew
        total = only(whole, float(raw), at=AT + n).value or 0
        if n == cut:
            second.load(first.changed())
        assert only(first if n < cut else second, float(raw), at=AT + n).value == total


def test_only_what_changed_is_saved() -> None:
    adjuster = Adjuster(COUNTER)
    only(adjuster, 1.0)
    assert set(adjuster.changed()) == {"gw/x"}
    only(adjuster, 1.0)  # the same again
    assert adjuster.changed() == {}

"""Units are never guessed, and converting never moves a reading across a limit that it is equal to."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.model import BadInput
from service.units.convert import (
    difference_to_canonical,
    from_canonical,
    limit_edges,
    lookup,
    to_canonical,
    units_for,
)
from service.units.table import QUANTITIES, UNITS, Unit

UNHURRIED = settings(deadline=None)  # other work shares the machine

units = st.sampled_from(UNITS)
plain_units = st.sampled_from([unit for unit in UNITS if unit.shift == 0.0])
values = st.floats(-1e6, 1e6)
written = st.decimals(-10_000, 10_000, places=3).map(float)  # as people write limits
widths = st.decimals(0, 500, places=3).map(float)


def unit(name: str) -> Unit:
    return next(one for one in UNITS if one.name == name)


def ulps(a: float, b: float) -> float:
    return abs(a - b) / math.ulp(b)


# ---------------------------------------------------------------- looking up


@pytest.mark.parametrize(
    ("text", "quantity", "name"),
    [
        ("inH2O", "differential pressure", "inH2O"),
        ("in.wg", "differential pressure", "inH2O"),
        ("in. w.c.", "differential pressure", "inH2O"),
        ("inH2O(60degF)", "differential pressure", "inH2O(60degF)"),
        ("psi", "gauge pressure", "psi"),
        ("psig", "gauge pressure", "psi(g)"),
        ("psi(g)", "gauge pressure", "psi(g)"),
        ("kPa(a)", "absolute pressure", "kPa(a)"),
        ("bara", "absolute pressure", "bar(a)"),
        ("1", "fraction", "1"),
        ("1", "count", "count"),
        ("%", "speed", "%"),
        ("acfm", "airflow", "cfm"),
    ],
)
def test_spellings_are_understood(text: str, quantity: str, name: str) -> None:
    assert lookup(text, quantity).name == name


@pytest.mark.parametrize(
    ("text", "quantity", "remedy"),
    [
        ("psig", "differential pressure", "psi(g) says gauge"),
        ("kPa(a)", "gauge pressure", "kPa(a) says absolute"),
        ("kPa", "absolute pressure", "if the pressure is absolute, say so"),
        ("kPa(g)", "absolute pressure", "kPa(g) says gauge"),
        ("cfm", "temperature", "this one measures flow"),
        ("kpa", "differential pressure", "write kPa"),
        ("mpa", "differential pressure", "capital letters count"),
        ("INH2O", "differential pressure", "write inH2O"),
        ("scfm", "airflow", "write one of these"),
        ("", "airflow", "write one of these"),
        (" cfm", "airflow", "write one of these"),
        ("C", "temperature", "write one of these"),
        ("%", "count", "this one measures fraction"),
        ("IF", "differential pressure", "write one of these"),  # Rec 20: withdrawn
    ],
)
def test_what_does_not_fit_is_refused_with_the_remedy(text: str, quantity: str, remedy: str) -> None:
    with pytest.raises(BadInput) as refused:
        lookup(text, quantity)
    said = str(refused.value)
    assert said.startswith(f"unit {text!r} of {quantity}: expected one of ")
    assert units_for(quantity)[0].name in said
    assert remedy in said


def test_an_unknown_quantity_is_refused_with_the_known_ones() -> None:
    with pytest.raises(BadInput, match=r"quantity 'pressure': expected one of differential pressure, gauge pressure"):
        lookup("Pa", "pressure")


def test_a_long_text_is_cut_in_the_error() -> None:
    with pytest.raises(BadInput) as refused:
        lookup("x" * 10_000, "airflow")
    assert len(str(refused.value)) < 200


@UNHURRIED
@given(st.text(max_size=8), st.sampled_from(sorted(QUANTITIES)))
def test_whatever_the_text_the_answer_is_a_unit_of_the_quantity_or_bad_input(text: str, quantity: str) -> None:
    try:
        found = lookup(text, quantity)
    except BadInput:
        return
    assert text in found.texts
    assert found in units_for(quantity)


# ---------------------------------------------------------------- converting


@pytest.mark.parametrize(
    ("name", "value", "canonical"),
    [
        ("degF", 14.0, -10.0),
        ("degF", -40.0, -40.0),
        ("degF", 32.0, 0.0),
        ("degF", 212.0, 100.0),
        ("inH2O", 6.0, 1494.53346),
        ("mbar", 2.5, 250.0),
        ("%", 50.0, 0.5),
        ("mA", 4.0, 0.004),
        ("1/min", 2.0, 120.0),
        ("m3/h", 3600.0, 1.0),
        ("psi", 1.0, 6894.757293168362),
    ],
)
def test_known_values(name: str, value: float, canonical: float) -> None:
    assert to_canonical(unit(name), value) == canonical


def test_375_degrees_fahrenheit_are_190_5556_degrees_celsius() -> None:
    assert round(to_canonical(unit("degF"), 375.0), 4) == 190.5556


def test_a_difference_of_nine_degrees_fahrenheit_is_five_degrees_celsius() -> None:
    assert difference_to_canonical(unit("degF"), 9.0) == 5.0
    assert difference_to_canonical(unit("K"), 9.0) == 9.0


@UNHURRIED
@given(st.floats(-400, 1000))
def test_pint_agrees_on_fahrenheit_to_its_own_noise(value: float) -> None:
    theirs = pint.application_registry.Quantity(value, "degF").to("degC").magnitude
    assert to_canonical(unit("degF"), value) == pytest.approx(theirs, abs=1e-12)


@UNHURRIED
@given(units, values)
def test_a_conversion_is_the_exact_value_to_two_roundings(one: Unit, value: float) -> None:
    if one.shift == 0.0:
        exact = Fraction(value) * one.factor
        assert abs(Fraction(to_canonical(one, value)) - exact) <= abs(exact) * Fraction(1, 2**52) * (
            1 + Fraction(1, 2**50)
        ) + Fraction(5e-324)


@UNHURRIED
@given(units, st.lists(values, min_size=1, max_size=20))
def test_an_array_gives_the_bits_of_its_scalars(one: Unit, several: list[float]) -> None:
    array = np.array(several)
    assert to_canonical(one, array).tolist() == [to_canonical(one, value) for value in several]
    assert from_canonical(one, array).tolist() == [from_canonical(one, value) for value in several]


@UNHURRIED
@given(units, values, values)
def test_converting_keeps_the_order(one: Unit, a: float, b: float) -> None:
    low, high = sorted((a, b))
    assert to_canonical(one, low) <= to_canonical(one, high)


@UNHURRIED
@given(plain_units, st.floats(1e-6, 1e6))
def test_there_and_back_is_within_four_roundings(one: Unit, value: float) -> None:
    """2**-51 of the value by counting roundings; the next test has the ulps."""
    back = from_canonical(one, to_canonical(one, value))
    assert abs(Fraction(back) - Fraction(value)) <= Fraction(value) * Fraction(1, 2**51) * (1 + Fraction(1, 2**50))


@pytest.mark.parametrize("one", [one for one in UNITS if one.shift == 0.0], ids=lambda one: one.name)
def test_two_decimals_come_back_within_two_ulp_and_are_shown_unchanged(one: Unit) -> None:
    for hundredths in range(1, 2001):
        value = hundredths / 100
        back = from_canonical(one, to_canonical(one, value))
        assert ulps(back, value) <= 2
        assert f"{back:.12g}" == f"{value:.12g}"


@UNHURRIED
@given(st.floats(-459, 1000))
def test_fahrenheit_there_and_back_is_within_a_few_roundings_of_its_largest_step(value: float) -> None:
    back = from_canonical(unit("degF"), to_canonical(unit("degF"), value))
    assert abs(back - value) <= 4 * math.ulp(max(abs(value), abs(value - 32.0), 32.0))


# ---------------------------------------------------------------- limits


def test_six_inches_with_two_tenths_turn_back_at_exactly_five_point_eight() -> None:
    one = unit("inH2O")
    assert 0.3 - 0.1 != 0.2  # in floats: the trap
    for at, deadband, back in ((6.0, 0.2, 5.8), (115.3, 0.1, 115.2), (0.3, 0.1, 0.2), (5.0, 0.0, 5.0)):
        assert limit_edges(one, at, deadband, is_high=True) == (to_canonical(one, at), to_canonical(one, back))
    assert limit_edges(one, 0.1, 0.2, is_high=False) == (to_canonical(one, 0.1), to_canonical(one, 0.3))


@UNHURRIED
@given(units, written, widths, st.booleans())
def test_edges_are_what_readings_of_those_numbers_become(one: Unit, at: float, width: float, is_high: bool) -> None:
    threshold, back = limit_edges(one, at, width, is_high=is_high)
    exact = Decimal(repr(at)) - Decimal(repr(width)) * (1 if is_high else -1)
    assert threshold == to_canonical(one, at)
    assert back == to_canonical(one, float(exact))
    assert back <= threshold if is_high else back >= threshold


@UNHURRIED
@given(units, written, st.integers(1, 1000))
def test_a_reading_at_the_limit_is_never_beyond_it_and_the_next_shown_digit_always_is(
    one: Unit, at: float, steps: int
) -> None:
    threshold, _ = limit_edges(one, at, 0.0, is_high=True)
    above = float(Fraction(repr(at)) + Fraction(steps, 1000))
    below = float(Fraction(repr(at)) - Fraction(steps, 1000))
    assert not to_canonical(one, at) > threshold
    assert to_canonical(one, above) > threshold
    assert not to_canonical(one, below) > threshold


@UNHURRIED
@given(written.filter(lambda value: abs(value) >= 0.001))
def test_a_limit_in_inches_does_not_flip_for_a_reading_that_went_to_pascal_and_back(at: float) -> None:
    """Shown to twelve digits, as people and messages are."""
    one = unit("inH2O")
    shown = float(f"{from_canonical(one, to_canonical(one, at)):.12g}")
    assert shown == at


def test_the_choice_of_60_degf_would_move_six_inches_by_1_49_pascal() -> None:
    """NIST SP 811 B.8 (from memory) and Rec 20 N19: the two inches differ by 0.0999 %."""
    moved = to_canonical(unit("inH2O"), 6.0) - to_canonical(unit("inH2O(60degF)"), 6.0)
    assert round(moved, 2) == 1.49
    assert round(moved / to_canonical(unit("inH2O"), 6.0) * 100, 4) == 0.0999
    assert round(from_canonical(unit("inH2O"), moved), 3) == 0.006  # below a display of two decimals

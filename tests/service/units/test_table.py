"""The table of units against published factors, other libraries, and itself."""

from __future__ import annotations

from collections import Counter
from fractions import Fraction

import pint
import pytest
import scipy.constants  # type: ignore[import-untyped]

from service.units.convert import canonical_unit, lookup
from service.units.table import EXACT_BELOW, QUANTITIES, UNITS, Unit

BY_NAME = {unit.name: unit for unit in UNITS}

# name, printed factor, its last printed digit, where it is printed. A printed factor is right to half of that digit.
PRINTED = [
    ("inH2O", "249.0889", "0.0001", "NIST SP 811 B.8, conventional inch of water 2.490889 E+02 (from memory)"),
    ("inH2O", "249.089", "0.001", "UNECE Rec 20 F78, 2.49089 x 10^2"),
    ("inH2O(4degC)", "249.082", "0.001", "UNECE Rec 20 N18, inch of water (39.2 degF), 2.49082 x 10^2"),
    ("inH2O(60degF)", "248.84", "0.01", "UNECE Rec 20 N19, inch of water (60 degF), 2.4884 x 10^2"),
    ("inH2O(20degC)", "248.642", "0.001", "density of water at 20 degC 998.2071 kg/m3, computed"),
    ("mmH2O", "9.80665", "0", "UNECE Rec 20 HP; exactly standard gravity"),
    ("psi", "6894.757", "0.001", "UNECE Rec 20 PS, 6.894757 x 10^3"),
    ("hPa", "100", "0", "UNECE Rec 20 A97"),
    ("kPa", "1000", "0", "UNECE Rec 20 KPA"),
    ("MPa", "1000000", "0", "UNECE Rec 20 MPA"),
    ("mbar", "100", "0", "UNECE Rec 20 MBR"),
    ("bar", "100000", "0", "UNECE Rec 20 BAR"),
    ("cfm", "4.719474e-4", "1e-10", "UNECE Rec 20 2L, 4.719474 x 10^-4 m3/s"),
    ("m3/h", "2.77778e-4", "1e-9", "UNECE Rec 20 MQH, 2.77778 x 10^-4 m3/s"),
    (
        "gr/ft3",
        "2288.352",
        "0.001",
        "NIST SP 811 B.8: grain 6.479891 E-02 g, cubic foot 2.831685 E-02 m3 (from memory)",
    ),
]


@pytest.mark.parametrize(("name", "printed", "digit", "source"), PRINTED)
def test_factors_are_those_that_are_printed(name: str, printed: str, digit: str, source: str) -> None:
    assert abs(BY_NAME[name].factor - Fraction(printed)) <= Fraction(digit) / 2, source


# What pint 0.25.3 calls them. Its "cfm" is a length (centi-femto-metre), so the unit is spelled out.
PINT = [
    ("inH2O", "inH2O", "pascal"),
    ("inH2O(4degC)", "inH2O_4C", "pascal"),
    ("inH2O(60degF)", "inH2O_60F", "pascal"),
    ("mmH2O", "mmH2O", "pascal"),
    ("psi", "psi", "pascal"),
    ("mbar", "mbar", "pascal"),
    ("cfm", "ft**3/min", "meter**3/second"),
    ("m3/h", "meter**3/hour", "meter**3/second"),
    ("l/s", "liter/second", "meter**3/second"),
    ("gr/ft3", "grain/ft**3", "milligram/meter**3"),
    ("mA", "milliampere", "ampere"),
    ("mV", "millivolt", "volt"),
    ("ug/m3", "microgram/meter**3", "milligram/meter**3"),
    ("kg/m3", "kilogram/meter**3", "milligram/meter**3"),
    ("1/min", "1/minute", "1/hour"),
    ("%", "percent", "dimensionless"),
    ("degF", "delta_degF", "delta_degC"),
]


@pytest.fixture(scope="module")
def pint_units() -> pint.UnitRegistry[float]:
    return pint.UnitRegistry()


@pytest.mark.parametrize(("name", "theirs", "canonical"), PINT)
def test_factors_are_those_of_pint(
    pint_units: pint.UnitRegistry[float], name: str, theirs: str, canonical: str
) -> None:
    found = pint_units.Quantity(1.0, theirs).to(canonical).magnitude
    assert float(BY_NAME[name].factor) == pytest.approx(found, rel=1e-14)


@pytest.mark.parametrize(
    ("name", "constant"),
    [("psi", scipy.constants.psi), ("bar", scipy.constants.bar), ("cfm", scipy.constants.foot**3 / 60)],
)
def test_factors_are_those_of_scipy(name: str, constant: float) -> None:
    assert float(BY_NAME[name].factor) == pytest.approx(constant, rel=1e-15)


def test_one_cubic_foot_a_minute_is_exactly_1_69901079552_m3_an_hour() -> None:
    assert BY_NAME["cfm"].factor / BY_NAME["m3/h"].factor == Fraction("1.69901079552")


def test_ten_milligrams_a_cubic_metre_are_0_0044_grains_a_cubic_foot() -> None:
    """40 CFR prints 10 mg/m3 as 0.0044 gr/ft3."""
    assert round(float(10 / BY_NAME["gr/ft3"].factor), 4) == 0.0044


@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_numerators_and_denominators_are_whole_and_exact(unit: Unit) -> None:
    for number in (unit.numerator, unit.denominator):
        assert isinstance(number, float)
        assert number == int(number)
        assert 0 < number < EXACT_BELOW


def test_names_are_unique_because_the_record_numbers_them() -> None:
    assert [name for name, count in Counter(unit.name for unit in UNITS).items() if count > 1] == []


def test_no_text_means_two_units_of_one_dimension() -> None:
    texts = Counter((unit.dimension, text) for unit in UNITS for text in unit.texts)
    assert [text for text, count in texts.items() if count > 1] == []


# UNECE Rec 20 (revision 17) and UCUM 2.2.
CODES = [
    ("inH2O", "[in_i'H2O]", "F78"),
    ("inH2O(4degC)", None, "N18"),
    ("inH2O(60degF)", None, "N19"),
    ("mmH2O", "mm[H2O]", "HP"),
    ("Pa", "Pa", "PAL"),
    ("hPa", "hPa", "A97"),
    ("kPa", "kPa", "KPA"),
    ("mbar", "mbar", "MBR"),
    ("bar", "bar", "BAR"),
    ("psi", "[psi]", "PS"),
    ("m3/s", "m3/s", "MQS"),
    ("m3/h", "m3/h", "MQH"),
    ("cfm", "[cft_i]/min", "2L"),
    ("degC", "Cel", "CEL"),
    ("degF", "[degF]", "FAH"),
    ("K", "K", "KEL"),
    ("%", "%", "P1"),
    ("mA", "mA", "4K"),
    ("A", "A", "AMP"),
    ("V", "V", "VLT"),
    ("mg/m3", "mg/m3", "GP"),
    ("1/h", "/h", "H10"),
    ("1/min", "/min", "C94"),
]


@pytest.mark.parametrize(("name", "ucum", "rec20"), CODES)
def test_codes_are_accepted_as_names(name: str, ucum: str | None, rec20: str) -> None:
    unit = BY_NAME[name]
    assert (unit.ucum, unit.rec20) == (ucum, rec20)
    quantity = next(
        q.name for q in QUANTITIES.values() if q.dimension == unit.dimension and unit.reference in q.references
    )
    assert lookup(rec20, quantity) is unit
    assert ucum is None or lookup(ucum, quantity) is unit


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_every_quantity_has_a_canonical_unit_that_changes_nothing_and_that_it_accepts(quantity: str) -> None:
    unit = canonical_unit(quantity)
    assert (unit.numerator, unit.denominator, unit.shift) == (1.0, 1.0, 0.0)
    assert lookup(unit.name, quantity) is unit

"""The units that are understood, exactly, as data. It converts nothing; an unknown unit is refused, never guessed.

canonical = (value + shift) * numerator / denominator, in that order, in binary floats. Every numerator and denominator
is a whole number below 2**53, which a float holds exactly, so one reading and an array of readings convert to the same
bits. (The shift of the kelvin, 273.15, is the one number here that a float only comes near to.)

Exact by definition (NIST SP 811 B.8, from memory): inch 25.4 mm, foot 304.8 mm, pound 0.45359237 kg, standard gravity
9.80665 m/s2, grain 1/7000 lb. The codes are those of UNECE Recommendation 20 and the texts those of UCUM 2.2; None
where there is none, or where none was found.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

EXACT_BELOW = 2**53

INCH, FOOT, POUND, GRAVITY = Fraction("0.0254"), Fraction("0.3048"), Fraction("0.45359237"), Fraction("9.80665")
GRAIN_MG = POUND / 7000 * 1_000_000

# Density of water, kg/m3. Conventional water is 1000 by definition and has no temperature: Rec 20 F78, UCUM
# [in_i'H2O]. The next two give N18 and N19 of Rec 20. The last is in no table, but transmitters are sold with it.
CONVENTIONAL, AT_4_DEGC, AT_60_DEGF = Fraction(1000), Fraction("999.972"), Fraction("999.001")
AT_20_DEGC = Fraction("998.2071")


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit. `reference` is "gauge" or "absolute" where the name says what a pressure is measured against.

    Texts are compared letter by letter: "mPa" is not "MPa".
    """

    name: str
    dimension: str
    numerator: float
    denominator: float
    shift: float = 0.0
    reference: str | None = None
    ucum: str | None = None
    rec20: str | None = None
    aliases: tuple[str, ...] = ()  # other spellings

    @property
    def factor(self) -> Fraction:
        """Canonical units in one of this unit, exactly."""
        return Fraction(self.numerator) / Fraction(self.denominator)

    @property
    def texts(self) -> tuple[str, ...]:
        """Every text that means this unit, its name first."""
        found = (self.name, self.ucum, self.rec20, *self.aliases)
        return tuple(dict.fromkeys(text for text in found if text is not None))


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a point may measure: its dimension, its canonical unit, and which references a unit may name."""

    name: str
    dimension: str
    canonical: str
    references: tuple[str | None, ...] = (None,)


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of the table, before its factor is split. `suffixed`: the spellings that end in g or a, without it."""

    name: str
    factor: Fraction | int
    ucum: str | None = None
    rec20: str | None = None
    aliases: tuple[str, ...] = ()
    shift: float = 0.0
    suffixed: tuple[str, ...] = ()


# In the trade all of these are one unit, and none of them names the temperature of the water (common practice).
_INCH_OF_WATER = (
    *("in H2O", "in.H2O", "in. H2O", "inwc", "inwg", "inWC", "inWG", "in.wc", "in.wg", "in.WC", "in.WG", "in wc"),
    *("in wg", "in WC", "in WG", "in. wc", "in. wg", "in. WC", "in. WG", "in.w.c.", "in.w.g.", "in. w.c.", "in. w.g."),
)

_PRESSURES = (  # canonical: pascal
    _Row("Pa", 1, "Pa", "PAL"),
    _Row("hPa", 100, "hPa", "A97"),
    _Row("kPa", 1000, "kPa", "KPA", suffixed=("kPa",)),
    _Row("MPa", 1_000_000, "MPa", "MPA", suffixed=("MPa",)),
    _Row("mbar", 100, "mbar", "MBR", suffixed=("mbar",)),
    _Row("bar", 100_000, "bar", "BAR", suffixed=("bar",)),
    _Row("psi", POUND * GRAVITY / INCH**2, "[psi]", "PS", ("lbf/in2",), suffixed=("psi",)),
    _Row("inH2O", INCH * GRAVITY * CONVENTIONAL, "[in_i'H2O]", "F78", _INCH_OF_WATER),
    _Row("inH2O(4degC)", INCH * GRAVITY * AT_4_DEGC, None, "N18", ("inH2O(39.2degF)",)),
    _Row("inH2O(60degF)", INCH * GRAVITY * AT_60_DEGF, None, "N19"),
    _Row("inH2O(20degC)", INCH * GRAVITY * AT_20_DEGC, None, None, ("inH2O(68degF)",)),
    _Row("mmH2O", GRAVITY, "mm[H2O]", "HP", ("mm H2O", "mmwc", "mmwg", "mmWC", "mmWG", "mm.wc", "mm.wg")),
)

_OTHERS: dict[str, tuple[_Row, ...]] = {
    "flow": (
        _Row("m3/s", 1, "m3/s", "MQS", ("m³/s",)),
        _Row("m3/h", Fraction(1, 3600), "m3/h", "MQH", ("m³/h",)),
        _Row("l/s", Fraction(1, 1000), "l/s", "G51", ("L/s",)),  # the code from memory
        # Actual cubic feet. "scfm" is left out on purpose: it needs a density that nobody has sent.
        _Row("cfm", FOOT**3 / 60, "[cft_i]/min", "2L", ("acfm", "ft3/min", "ft³/min")),
    ),
    "temperature": (
        _Row("degC", 1, "Cel", "CEL", ("°C",)),
        _Row("degF", Fraction(5, 9), "[degF]", "FAH", ("°F",), shift=-32.0),
        _Row("K", 1, "K", "KEL", shift=-273.15),
    ),
    "fraction": (
        _Row("1", 1, "1", "C62", ("ratio", "/")),  # the last in SenML, RFC 8428 12.1
        # Per hundred, always. (In SenML the same sign means a ratio: its form says "/" in place of it.)
        _Row("%", Fraction(1, 100), "%", "P1", ("percent", "/100")),  # the last in SenML, RFC 8798
    ),
    "current": (_Row("A", 1, "A", "AMP"), _Row("mA", Fraction(1, 1000), "mA", "4K")),
    "voltage": (_Row("V", 1, "V", "VLT"), _Row("mV", Fraction(1, 1000), "mV", "2Z")),
    "concentration": (
        _Row("mg/m3", 1, "mg/m3", "GP", ("mg/m³",)),
        _Row("ug/m3", Fraction(1, 1000), "ug/m3", "GQ", ("µg/m³",)),  # this code and the next from memory
        _Row("kg/m3", 1_000_000, "kg/m3", "KMQ", ("kg/m³",)),  # as SenML has it
        _Row("gr/ft3", GRAIN_MG / FOOT**3, "[gr]/[cft_i]", None, ("gr/ft³", "gr/cf", "gr/acf")),
    ),
    "rate": (_Row("1/h", 1, "/h", "H10"), _Row("1/min", 60, "/min", "C94")),
    "count": (_Row("count", 1, "1", "C62", ("counts", "{count}")),),
}


def _unit(dimension: str, row: _Row) -> Unit:
    exact = Fraction(row.factor)
    assert 0 < exact.numerator < EXACT_BELOW, row.name
    assert exact.denominator < EXACT_BELOW, row.name
    numerator, denominator = float(exact.numerator), float(exact.denominator)
    return Unit(row.name, dimension, numerator, denominator, row.shift, None, row.ucum, row.rec20, row.aliases)


def _with_reference(row: _Row, reference: str, letter: str) -> Unit:
    """The same pressure with a suffix: "kPa(g)", which codes do not tell apart and people also write "kPag"."""
    plain = _unit("pressure", row)
    short = tuple(text + letter for text in row.suffixed)
    name = f"{row.name}({letter})"
    return Unit(name, "pressure", plain.numerator, plain.denominator, reference=reference, aliases=short)


UNITS: tuple[Unit, ...] = (
    *(_unit("pressure", row) for row in _PRESSURES),
    *(_with_reference(row, "gauge", "g") for row in _PRESSURES),
    *(_with_reference(row, "absolute", "a") for row in _PRESSURES),
    *(_unit(dimension, row) for dimension, rows in _OTHERS.items() for row in rows),
)

QUANTITIES: dict[str, Quantity] = {
    quantity.name: quantity
    for quantity in (
        # A difference of two pressures has no reference; "psig" would claim one.
        Quantity("differential pressure", "pressure", "Pa"),
        Quantity("gauge pressure", "pressure", "Pa", (None, "gauge")),
        # Only a text that says so: a gauge reading taken as absolute is wrong by an atmosphere.
        Quantity("absolute pressure", "pressure", "Pa(a)", ("absolute",)),
        Quantity("airflow", "flow", "m3/s"),
        Quantity("temperature", "temperature", "degC"),
        Quantity("fraction", "fraction", "1"),
        Quantity("speed", "fraction", "1"),  # of a fan, as a part of its full speed
        Quantity("current", "current", "A"),
        Quantity("voltage", "voltage", "V"),
        Quantity("concentration", "concentration", "mg/m3"),
        Quantity("rate", "rate", "1/h"),
        Quantity("count", "count", "count"),
    )
}

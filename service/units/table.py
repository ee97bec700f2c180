"""The units that are understood, exactly, as data. An unknown unit is refused, never guessed.

canonical = (value + shift) * numerator / denominator, in that order, in binary floats: every number below
is an integer that a float holds exactly, so one reading and an array of readings convert to the same bits.

Definitions (exact): inch 25.4 mm, foot 304.8 mm, pound 0.45359237 kg, standard gravity 9.80665 m/s2,
grain 1/7000 lb. Conventional inch of water 249.08891 Pa (UNECE Rec 20 F78; UCUM [in_i'H2O]; NIST SP 811
B.8). Inches of water at a stated temperature are other units and have other names: Rec 20 N18 (4 degC,
249.082 Pa) and N19 (60 degF, 248.84 Pa) as printed there; 20 degC computed from a density of 998.2071
kg/m3.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit. `reference` is "gauge" or "absolute" where the name says so, else empty."""

    name: str
    dimension: str
    numerator: float
    denominator: float
    shift: float = 0.0
    reference: str = ""
    aliases: tuple[str, ...] = ()  # other spellings, UCUM and Rec 20 codes among them


_PRESSURE = (
    # name, numerator, denominator, aliases; each also as gauge and absolute
    ("Pa", 1, 1, ("PAL",)),
    ("hPa", 100, 1, ("A97",)),
    ("kPa", 1_000, 1, ("KPA",)),
    ("mbar", 100, 1, ("MBR",)),
    ("bar", 100_000, 1, ("BAR",)),
    ("psi", 44_482_216_152_605, 6_451_600_000, ("[psi]", "PS", "lbf/in2")),
    ("inH2O", 24_908_891, 100_000, ("in.wc", "in.wg", "in. w.c.", "in. w.g.", "inWC", "inWG", "[in_i'H2O]", "F78")),
    ("inH2O(4degC)", 249_082, 1_000, ("inH2O(39.2degF)", "N18")),
    ("inH2O(60degF)", 24_884, 100, ("N19",)),
    ("inH2O(20degC)", 248_641_654_228, 1_000_000_000, ("inH2O(68degF)",)),
    ("mmH2O", 980_665, 100_000, ("mm[H2O]", "HP", "mm.wc", "mm.wg")),
)

_OTHERS = (
    Unit("m3/s", "flow", 1, 1, aliases=("MQS",)),
    Unit("m3/h", "flow", 1, 3_600, aliases=("MQH",)),
    Unit("l/s", "flow", 1, 1_000, aliases=("L/s", "G51")),
    Unit("cfm", "flow", 4_719_474_432, 10_000_000_000_000, aliases=("acfm", "ft3/min", "[cft_i]/min", "2L")),
    Unit("degC", "temperature", 1, 1, aliases=("Cel", "CEL", "\u00b0C")),
    Unit("degF", "temperature", 5, 9, shift=-32, aliases=("[degF]", "FAH", "\u00b0F")),
    Unit("K", "temperature", 1, 1, shift=-273.15, aliases=("KEL",)),
    Unit("1", "fraction", 1, 1, aliases=("ratio", "C62")),
    Unit("%", "fraction", 1, 100, aliases=("percent", "P1")),
    Unit("A", "current", 1, 1, aliases=("AMP",)),
    Unit("mA", "current", 1, 1_000, aliases=("4K",)),
    Unit("V", "voltage", 1, 1, aliases=("VLT",)),
    Unit("mg/m3", "concentration", 1, 1, aliases=("GP",)),
    Unit("gr/ft3", "concentration", 6_479_891_000_000, 2_831_684_659.2, aliases=("[gr]/[cft_i]", "gr/cf", "gr/acf")),
    Unit("1/h", "rate", 1, 1, aliases=("/h",)),
    Unit("1/min", "rate", 60, 1, aliases=("/min",)),
    Unit("count", "count", 1, 1, aliases=("{count}", "counts")),
)


def _pressures() -> tuple[Unit, ...]:
    made = []
    for name, numerator, denominator, aliases in _PRESSURE:
        made.append(Unit(name, "pressure", numerator, denominator, aliases=aliases))
        for reference, letter in (("gauge", "g"), ("absolute", "a")):
            short = (f"psi{letter}",) if name == "psi" else ()
            made.append(Unit(f"{name}({letter})", "pressure", numerator, denominator, 0.0, reference, short))
    return tuple(made)


UNITS: tuple[Unit, ...] = (*_pressures(), *_OTHERS)

BY_NAME: dict[str, Unit] = {text: unit for unit in UNITS for text in (unit.name, *unit.aliases)}


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a point may measure: its dimension, its canonical unit, and which references a unit may name."""

    dimension: str
    canonical: str
    references: tuple[str, ...] = ("",)


QUANTITIES: dict[str, Quantity] = {
    "differential pressure": Quantity("pressure", "Pa"),
    "gauge pressure": Quantity("pressure", "Pa", ("", "gauge")),
    "absolute pressure": Quantity("pressure", "Pa", ("absolute",)),
    "airflow": Quantity("flow", "m3/s"),
    "temperature": Quantity("temperature", "degC"),
    "fraction": Quantity("fraction", "1"),
    "speed": Quantity("fraction", "1"),
    "current": Quantity("current", "A"),
    "voltage": Quantity("voltage", "V"),
    "concentration": Quantity("concentration", "mg/m3"),
    "rate": Quantity("rate", "1/h"),
    "count": Quantity("count", "count"),
}

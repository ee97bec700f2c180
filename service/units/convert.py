"""Looks units up and converts. One expression converts readings, limits and arrays alike, to the same bits."""

from __future__ import annotations

from fractions import Fraction

from service.model import BadInput
from service.units.table import BY_NAME, QUANTITIES, UNITS, Unit


def lookup(text: str, quantity: str) -> Unit:
    """The unit that `text` names, for a point of this quantity; BadInput when it is unknown or does not fit."""
    wanted = QUANTITIES[quantity]
    unit = BY_NAME.get(text)
    if unit is not None and unit.dimension == wanted.dimension and unit.reference in wanted.references:
        return unit
    expected = ", ".join(
        item.name for item in UNITS if item.dimension == wanted.dimension and item.reference in wanted.references
    )
    shown = text if len(text) <= 40 else text[:40] + "..."
    if unit is None:
        raise BadInput(f"unit {shown!r}: not known; expected for {quantity} one of {expected}; correct the unit's name")
    if unit.dimension != wanted.dimension:
        raise BadInput(
            f"unit {shown!r}: measures {unit.dimension}; expected for {quantity} one of {expected}; "
            "check which value is sent under this tag"
        )
    raise BadInput(
        f"unit {shown!r}: {unit.reference or 'says neither gauge nor absolute'}; expected for {quantity} one of "
        f"{expected}; gauge and absolute differ by the air pressure and are never converted: correct the unit, "
        "or the point's quantity"
    )


def to_canonical(unit: Unit, value: float) -> float:
    """The value in the canonical unit of its dimension."""
    return (value + unit.shift) * unit.numerator / unit.denominator


def from_canonical(unit: Unit, value: float) -> float:
    """The canonical value in `unit`."""
    return value * unit.denominator / unit.numerator - unit.shift


def limit_edges(unit: Unit, at: float, deadband: float, *, is_high: bool) -> tuple[float, float]:
    """(threshold, back) in the canonical unit, of a limit that a person wrote in `unit`.

    The deadband is taken off (or put on) exactly, in the decimals that were written, and only then converted
    like a reading: with a limit of 6.0 and a deadband of 0.2 a reading of 5.8 has returned, to the bit.
    """
    exact = Fraction(repr(at)) - Fraction(repr(deadband)) * (1 if is_high else -1)
    return to_canonical(unit, at), to_canonical(unit, float(exact))

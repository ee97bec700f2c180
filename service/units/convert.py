"""Looks units up and converts. One expression converts readings, limits and arrays alike, to the same bits.

It has the two roundings of a product and a quotient, because both factors are exact; and it is monotone, so a limit and
a reading that are equal in one unit stay equal.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from service.model import BadInput
from service.units.table import QUANTITIES, UNITS, Quantity, Unit

TEXT_SHOWN = 40  # characters of a text that nobody knows
Number = TypeVar("Number", float, npt.NDArray[np.float64])

_BY_TEXT: dict[tuple[str, str], Unit] = {(unit.dimension, text): unit for unit in UNITS for text in unit.texts}


_DIMENSIONS = frozenset(unit.dimension for unit in UNITS)
_BY_SMALL_LETTERS: dict[tuple[str, str], list[Unit]] = {}
for _unit in UNITS:
    for _text in _unit.texts:
        _BY_SMALL_LETTERS.setdefault((_unit.dimension, _text.lower()), []).append(_unit)


def quantity_of(name: str) -> Quantity:
    """The quantity of that name; BadInput when there is none."""
    found = QUANTITIES.get(name)
    if found is None:
        raise BadInput(f"quantity {_shown(name)}: expected one of {', '.join(QUANTITIES)}; correct it")
    return found


def lookup(text: str, quantity: str) -> Unit:
    """The unit that `text` means for a point of this quantity; BadInput when it is unknown or does not fit."""
    asked = quantity_of(quantity)
    found = _BY_TEXT.get((asked.dimension, text))
    if found is not None and found.reference in asked.references:
        return found
    expected = ", ".join(unit.name for unit in units_for(quantity))
    raise BadInput(f"unit {_shown(text)} of {quantity}: expected one of {expected}; {_remedy(text, asked, found)}")


def units_for(quantity: str) -> tuple[Unit, ...]:
    """The units that this quantity accepts, in the order of the table."""
    asked = quantity_of(quantity)
    return tuple(unit for unit in UNITS if _fits(unit, asked))


def canonical_unit(quantity: str) -> Unit:
    """The unit in which values of this quantity are kept and judged."""
    asked = quantity_of(quantity)
    return _BY_TEXT[asked.dimension, asked.canonical]


def to_canonical(unit: Unit, value: Number) -> Number:
    """`value` of `unit` in the canonical unit of its dimension."""
    return (value + unit.shift) * unit.numerator / unit.denominator


def from_canonical(unit: Unit, value: Number) -> Number:
    """A canonical `value` in `unit`. There and back are four roundings: at most 2**-51 of it where nothing shifts."""
    return value * unit.denominator / unit.numerator - unit.shift


def difference_to_canonical(unit: Unit, value: Number) -> Number:
    """A difference of two values of `unit` (a deadband, a spread) in the canonical unit: no shift."""
    return value * unit.numerator / unit.denominator


def limit_edges(unit: Unit, at: float, deadband: float, *, is_high: bool) -> tuple[float, float]:
    """(threshold, back) in the canonical unit, of a limit that a person wrote in `unit`.

    The deadband is taken off (or put on) exactly, in the decimals that were written, rounded once, and then converted
    like a reading: with a limit of 6.0 and a deadband of 0.2 a reading of 5.8 has returned, to the bit.
    """
    back = float(written_back(at, deadband, is_high=is_high))
    return to_canonical(unit, float(at)), to_canonical(unit, back)


def written_back(at: float, deadband: float, *, is_high: bool) -> Fraction:
    """The value at which the comparator returns, in the unit of `at`, exactly as the decimals were written."""
    exact, width = Fraction(repr(at)), Fraction(repr(deadband))
    return exact - width if is_high else exact + width


def _remedy(text: str, asked: Quantity, found: Unit | None) -> str:
    if found is not None and found.reference is None:
        return "if the pressure is absolute, say so in the unit; gauge is never turned into absolute"
    if found is not None:
        return f"{found.name} says {found.reference}: correct the unit, or the quantity of the point"
    elsewhere = sorted(dimension for dimension in _DIMENSIONS if (dimension, text) in _BY_TEXT)
    if elsewhere:
        return f"this one measures {' or '.join(elsewhere)}: check which value has this tag"
    near = [unit.name for unit in _BY_SMALL_LETTERS.get((asked.dimension, text.lower()), ()) if _fits(unit, asked)]
    return f"capital letters count: write {near[0]} if you mean it" if near else "write one of these"


def _fits(unit: Unit, asked: Quantity) -> bool:
    return unit.dimension == asked.dimension and unit.reference in asked.references


def _shown(text: str) -> str:
    return repr(text if len(text) <= TEXT_SHOWN else text[:TEXT_SHOWN] + "...")

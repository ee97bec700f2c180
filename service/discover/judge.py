"""What one series of values probably is, and whether the unit that its sender claims can be right.

A claim is tried against what is usual and what is possible for its kind of value, and against the units that are mixed
up in the trade (domain ratios such as 2.49 and 14.7). An unknown unit stays unknown: here are only candidates.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from service.discover.figures import Levels, codes_of, goes_up, levels_of, raw_full
from service.discover.findings import Candidate, TagFound
from service.discover.readings import Series
from service.discover.words import KINDS, STRONG, Kind, hinted
from service.model import BadInput
from service.units.convert import canonical_unit, from_canonical, lookup, to_canonical
from service.units.table import UNITS, Unit

ATMOSPHERE_PA = 101_325.0  # the standard atmosphere (NIST SP 811 B.8)
NEAR_ATMOSPHERE_PA = 10_300.0  # 1.5 psi: weather and height above the sea, common practice
LOOP_MA = (3.6, 21.0)  # NAMUR NE 43
STUCK_FROM = 35  # equal readings, with the coarsest usual noise and resolution; trade knowledge from memory
RISES_LEAST, UNNAMED_RISES_LEAST = 3, 10  # of a counter, and of one whose name says nothing
_MILLIAMPS = re.compile(r"(?<![A-Za-z])(?:mA|MA|ma)(?![A-Za-z])|(?<=[a-z])mA(?![a-z])")

PROOFS = {
    "dp": "compare with a manometer teed into the lines, fan running: sent by shown must be 0.95 to 1.05; "
    "with the fan off both are within 0.1 inH2O of zero",
    "header": "compare with the gauge on the header: within 3 psi; 14.7 +/- 1.5 psi more means an absolute sensor, "
    "and with the air off and the header bled it shows 14.7 psi in place of 0",
    "airflow": "compare with a pitot traverse or the fan curve: within 10 %",
}
PERHAPS_BAD = "perhaps it stands for no measurement, and belongs in bad"
PROOF = "compare with a handheld instrument at the same moment: sent by shown must be 0.95 to 1.05"


def judge(series: Series) -> TagFound:
    """What one series says."""
    units = {unit: count for unit, count in series.units.items() if unit}
    codes, maybe = codes_of(series)
    values = [value for _, value in series.values if value not in codes]
    found = TagFound("", series.tag, readings=series.readings, bad=series.bad, bad_codes=codes, maybe_bad=maybe)
    found.sent_units = tuple(sorted(units, key=lambda unit: (-units[unit], unit)))
    found.is_unit_sometimes = bool(units) and "" in series.units
    found.distinct = len(set(values))
    levels = levels_of(series, values, codes)
    if levels is not None:
        found.lowest, found.highest, found.working = levels.lowest, levels.highest, levels.working
    found.is_counter = _is_counter(series.tag, values, found.sent_units)
    if len(found.sent_units) > 1:
        found.questions.append(f"it comes in several units ({', '.join(found.sent_units)}): let it send one")
    elif levels is not None and _is_loop(found, levels):
        _loop(found)
    elif found.sent_units:
        _claimed(found, found.sent_units[0], levels)
    else:
        _unclaimed(found, levels)
        _unnamed(found, [value for value in values if value not in maybe])
    if found.maybe_bad:
        codes_said = ", ".join(f"{code:g}" for code in found.maybe_bad)
        found.questions.append(f"{codes_said} comes again and again, apart from the rest: {PERHAPS_BAD}")
    if found.is_unit_sometimes:
        found.questions.append(f"{series.units['']} of {series.readings} readings come without a unit")
    _notes(found, values)
    return found


def known_unit(text: str, quantity: str) -> Unit | None:
    """The unit that a text means for a quantity; None when it means none."""
    try:
        return lookup(text, quantity)
    except BadInput:
        return None


def in_unit(kind: Kind, text: str, value: float) -> float | None:
    """A value of a unit in the unit of its kind; an absolute pressure as gauge, at the standard atmosphere."""
    seen = lookup(kind.unit, kind.quantity)
    unit = known_unit(text, kind.quantity)
    if unit is not None:
        return from_canonical(seen, to_canonical(unit, value))
    unit = known_unit(text, "absolute pressure")
    if unit is None or kind.quantity != "gauge pressure":
        return None
    return from_canonical(seen, to_canonical(unit, value) - ATMOSPHERE_PA)


# ---------------------------------------------------------------- with a unit, and without


def _claimed(found: TagFound, text: str, levels: Levels | None) -> None:
    kind = _kind(found, text, levels)
    if kind is None:
        return
    found.kind, found.quantity = kind.name, kind.quantity
    unit = known_unit(text, kind.quantity)
    if unit is None:  # an absolute pressure
        unit, found.quantity = lookup(text, "absolute pressure"), "absolute pressure"
    found.unit = unit.name
    if levels is not None:
        _try(found, kind, text, levels)


def _kind(found: TagFound, text: str, levels: Levels | None) -> Kind | None:
    """The kind of a value whose unit is named; None, with the question, when unit and name do not go together."""
    fitting = [kind for kind in KINDS if _takes(kind, text)]
    hints, strong = hinted(found.tag), hinted(found.tag, STRONG)
    if not fitting:
        near = sorted({unit.name for unit in UNITS for each in unit.texts if each.lower() == text.lower()})
        found.questions.append(
            f"unit {text!r} is not known" + (f": capital letters count, perhaps {' or '.join(near)}" if near else "")
        )
        _hints_only(found, hints, levels)
        return None
    both = [kind for kind in hints if kind in fitting]
    if strong and not both:
        found.kind, found.quantity = strong[0].name, strong[0].quantity
        found.questions.append(f"its name hints at {found.quantity}, its unit {text!r} is of something else")
        return None
    choice = both or fitting
    if len(choice) > 1 and levels is not None:
        usual = [kind for kind in choice if _is_usual(kind, text, levels.working)]
        if len(usual) == 1:
            found.notes.append(f"taken for {usual[0].quantity} because its values are usual for it")
            return usual[0]
    if len({kind.quantity for kind in choice}) > 1:
        found.notes.append(f"may also be {', '.join(kind.quantity for kind in choice[1:])}")
    return choice[0]


def _takes(kind: Kind, text: str) -> bool:
    is_header_absolute = kind.name == "header" and known_unit(text, "absolute pressure") is not None
    return known_unit(text, kind.quantity) is not None or is_header_absolute


def _in_milliamps(found: TagFound) -> bool:
    """Whether the unit, or for want of one the name, says mA, of something that is no current by its name."""
    if any(kind.name == "current" for kind in hinted(found.tag, STRONG)):
        return False
    return found.sent_units == ("mA",) or (not found.sent_units and _MILLIAMPS.search(found.tag) is not None)


def _is_loop(found: TagFound, levels: Levels) -> bool:
    return _in_milliamps(found) and LOOP_MA[0] <= levels.lowest and levels.highest <= LOOP_MA[1]


def _loop(found: TagFound) -> None:
    """The signal of a transmitter; what it stands for is the rest of its name."""
    kinds = hinted(_MILLIAMPS.sub(" ", found.tag))
    found.is_loop = True
    if not found.sent_units:
        found.questions.append("no unit is sent, and its name says mA")
    perhaps = "" if kinds else "perhaps "
    found.questions.append(f"{perhaps}a 4-20 mA signal: its range is on the transmitter's nameplate")
    if len(kinds) == 1:
        found.kind, found.quantity = kinds[0].name, kinds[0].quantity


def _unclaimed(found: TagFound, levels: Levels | None) -> None:
    found.questions.append("no unit is sent")
    if _in_milliamps(found):
        outside = "" if levels is None else f", and its values are not within {LOOP_MA[0]:g} to {LOOP_MA[1]:g}"
        found.questions.append(f"its name says mA{outside}")
        levels = None  # no unit of what it stands for would be right
    _hints_only(found, hinted(found.tag), levels)


def _unnamed(found: TagFound, values: Sequence[float]) -> None:
    """What whole numbers may be to which nobody gave a unit."""
    if found.is_counter or _in_milliamps(found):
        return
    found.may_count = not hinted(found.tag) and goes_up(values, UNNAMED_RISES_LEAST)
    if found.may_count:
        found.questions.append("whole numbers that only go up: perhaps a count, or the number of the message")
        return
    found.raw_full = raw_full(values)
    if found.raw_full:
        found.questions.append("whole numbers: perhaps raw counts, which need a line")


def _hints_only(found: TagFound, hints: Sequence[Kind], levels: Levels | None) -> None:
    """Candidates of the kinds that the name hints at; the kind when they are of one."""
    usable = hints if levels is None else [kind for kind in hints if _candidates(kind, levels.working)] or hints
    for kind in usable:
        if levels is not None:
            found.candidates += _candidates(kind, levels.working)
    if len(usable) == 1:
        found.kind, found.quantity = usable[0].name, usable[0].quantity
    elif usable:
        found.questions.append(f"it may be {' or '.join(kind.quantity for kind in usable)}")
    else:
        found.questions.append("its name does not say what it measures")


# ---------------------------------------------------------------- plausibility


def _try(found: TagFound, kind: Kind, text: str, levels: Levels) -> None:
    """Try a claim against what is usual and possible."""
    working = in_unit(kind, text, levels.working)
    lowest, highest = in_unit(kind, text, levels.lowest), in_unit(kind, text, levels.highest)
    assert working is not None
    assert lowest is not None
    assert highest is not None
    low, high = kind.usual
    others = [each for each in _candidates(kind, levels.working) if not _same(kind, each.unit, text)]
    seen = "" if _same(kind, text, kind.unit) else f", here {working:.4g}"
    said = f"it works outside what is usual ({low:g} to {high:g} {kind.unit}{seen})"
    beyond = [f"{seen:.6g}" for seen in dict.fromkeys((lowest, highest)) if not _is_possible(kind, seen)]
    if low <= _sized(kind, working) <= high:
        if others:
            found.notes.append(f"its values alone cannot tell {text} from {', '.join(each.unit for each in others)}")
        if working < 0 and kind.name == "dp":
            found.notes.append("negative while running: the two tubes may be swapped")
    elif others:
        found.candidates = others
        found.questions.append(f"{said}, where another unit would put it")
    elif not beyond:
        found.notes.append(f"{said}; perhaps the collector or the air is off: nothing proves the unit")
    if beyond:
        least, most = kind.possible
        found.questions.append(
            f"it goes to {' and '.join(beyond)} {kind.unit}, beyond what a sound sensor shows ({least:g} to {most:g}): "
            "a wrong unit, a failed sensor, or a number that stands for no measurement and belongs in bad"
        )
    if kind.name == "header" and found.quantity == "gauge pressure":
        _rests_at_atmosphere(found, text, levels)


def _rests_at_atmosphere(found: TagFound, text: str, levels: Levels) -> None:
    """A header that is bled shows 0 gauge; one that stops at 14.7 psi is measured against vacuum."""
    unit = lookup(text, "gauge pressure")
    lowest_pa, working_pa = to_canonical(unit, levels.lowest), to_canonical(unit, levels.working)
    if abs(lowest_pa - ATMOSPHERE_PA) <= NEAR_ATMOSPHERE_PA and working_pa > 3 * ATMOSPHERE_PA:
        found.questions.append(
            f"with the air off it falls to {levels.lowest:.4g} {text} and no further: that is the atmosphere, "
            "so the sensor may be absolute"
        )
        found.candidates += [
            each for each in _candidates(_HEADER, levels.working) if each.unit.endswith("(a)")
            and each not in found.candidates and each.unit.removesuffix("(a)") == found.unit.removesuffix("(g)")
        ]  # fmt: skip


_HEADER = next(kind for kind in KINDS if kind.name == "header")


def _candidates(kind: Kind, working: float) -> list[Candidate]:
    """The units in which this value would be usual for its kind."""
    found = []
    for text in kind.senders:
        value = in_unit(kind, text, working)
        if value is not None and kind.usual[0] <= _sized(kind, value) <= kind.usual[1]:
            found.append(Candidate(text, value, kind.unit))
    return found


def _is_usual(kind: Kind, text: str, working: float) -> bool:
    value = in_unit(kind, text, working)
    return value is not None and kind.usual[0] <= _sized(kind, value) <= kind.usual[1]


def _is_possible(kind: Kind, value: float) -> bool:
    return kind.possible[0] <= value <= kind.possible[1]


def _sized(kind: Kind, value: float) -> float:
    """The value; of a differential pressure its size, for the two tubes may be swapped."""
    return abs(value) if kind.name == "dp" else value


def _same(kind: Kind, one: str, other: str) -> bool:
    """Whether two texts mean the same of a value: psi and psi(g) do, psi and psi(a) do not."""
    return in_unit(kind, one, 1.0) == in_unit(kind, other, 1.0)


# ---------------------------------------------------------------- values


def _is_counter(tag: str, values: Sequence[float], units: Sequence[str]) -> bool:
    """Whole numbers that only go up, but for a restart from near nought, and that are called or counted so."""
    is_called = any(kind.name == "pulses" for kind in hinted(tag)) or "count" in units
    return is_called and goes_up(values, RISES_LEAST)


def _notes(found: TagFound, values: Sequence[float]) -> None:
    if found.bad_codes:
        codes = ", ".join(f"{code:g}" for code in found.bad_codes)
        found.notes.append(f"{codes} stands for no measurement: all other values are far from it")
    if len(values) >= STUCK_FROM and found.distinct == 1 and values[0] != 0:
        found.notes.append(f"it never moved: {len(values)} equal readings; perhaps a frozen or heavily damped sensor")
    if not values and found.readings:
        found.notes.append("not one good value was heard")
    if found.readings and found.bad > found.readings / 10:
        found.notes.append(f"{found.bad} of {found.readings} readings are bad")


def seen_unit(found: TagFound) -> str:
    """The unit in which the plant file shows it: as it is sent, else the usual one of its kind; empty when unknown."""
    if found.unit and not found.questions:
        return found.unit
    kind = next((kind for kind in KINDS if kind.name == found.kind), None)
    if kind is None:
        return ""
    return canonical_unit(found.quantity).name if found.quantity != kind.quantity else kind.unit

"""What the fields of many like records are: the time, the tag, the value, its unit, its quality.

A column is all that was seen under one path of keys, of JSON documents and of separated lines alike. Knows no topic.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.decode import texts
from service.decode.adjust import as_sent
from service.discover.words import BAD_CODES, GOOD_TEXTS, QUALITY, TIME, hinted, is_named
from service.model import BadInput
from service.units.table import UNITS
from service.units.times import DAY_US, EARLIEST_US, parse_rfc3339, parse_unix_s

VALUES_MOST = 400  # of one column with their arrivals: the first
DISTINCT_MOST = 4_000  # different ones of one column, wherever they stand
VALUES_SAID = 8  # of a quality, different ones
TIMES_MOST = 60  # of a column that are read as times
LATEST_S = 4_102_444_800  # 2100-01-01: no device's clock is there yet
LARGEST = 1e308
NEAR_US = 2 * DAY_US  # a number so near to its arrival is a time whatever its name is

Path = tuple[str, ...]
NUMBER = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]+)?")
UNIT_TEXTS = frozenset(text for unit in UNITS for text in unit.texts if not text.isdigit())
_CODES = {sent: code for code in BAD_CODES for sent in as_sent(code)}
_SCALES = {"s": 1, "ms": 1000, "us": 1_000_000}
_DAYS = ("%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y/%m/%d", "%d-%m-%Y")
_HOURS = (" %H:%M:%S.%f", " %H:%M:%S", "T%H:%M:%S.%f", "T%H:%M:%S", " %H:%M")
PATTERNS = tuple(f"{day}{hour}{zone}" for day in _DAYS for hour in _HOURS for zone in ("", "%z"))


@dataclass(frozen=True, slots=True)
class TimeForm:
    """How times are written. `lag_us`: how long before its arrival a message says to be measured, in the middle."""

    form: str
    zone: str
    lag_us: int


@dataclass(slots=True)
class Column:
    """The values under one path; `records` counts the records, with the path or without."""

    path: Path
    values: list[tuple[Any, int]] = field(default_factory=list)  # with the arrival
    records: int = 0
    seen: int = 0
    distinct: dict[tuple[type, Any], None] = field(default_factory=dict)  # true is another than 1

    def add(self, value: Any, received_us: int) -> None:
        self.seen += 1
        if len(self.values) < VALUES_MOST:
            self.values.append((value, received_us))
        for each in value if isinstance(value, list) else [value]:
            if each is not None and each != "" and len(self.distinct) < DISTINCT_MOST:
                self.distinct[type(each), each] = None

    @property
    def plain(self) -> list[Any]:
        """Its different values without nulls, in the order of their coming; the values of a list each by itself."""
        return [value for _, value in self.distinct]

    @property
    def is_numeric(self) -> bool:
        found = self.plain
        return bool(found) and all(is_number(each) for each in found)

    @property
    def is_text(self) -> bool:
        found = self.plain
        return bool(found) and all(isinstance(each, str) for each in found)

    @property
    def is_named_time(self) -> bool:
        return is_named(self.path[-1], TIME)


def is_number(value: Any) -> bool:
    """Whether a value is a finite number, or the text of one; true and false are none."""
    if isinstance(value, str):
        text = value.strip()
        if len(text) > texts.NUMBER_LONGEST or NUMBER.fullmatch(text) is None:
            return False
        value = float(text.replace(",", "."))
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < LARGEST


def decimal_of(values: Iterable[Any]) -> str:
    """The decimal mark of numbers that are texts: a comma if some have one and none has a point."""
    found = [each for each in values if isinstance(each, str)]
    return "," if any("," in each for each in found) and not any("." in each for each in found) else "."


def time_of(column: Column) -> TimeForm | None:
    """The form of a column of times; None when it is none."""
    rows = [(value, at) for value, at in column.values if value not in (None, "")][:TIMES_MOST]
    rows = [(value[-1] if isinstance(value, list) and value else value, at) for value, at in rows]
    if not rows:
        return None
    if all(is_number(value) for value, _ in rows):
        return _number_form(rows, is_named_time=column.is_named_time)
    return _text_form(rows) if all(isinstance(value, str) for value, _ in rows) else None


def best_time(columns: Sequence[Column]) -> tuple[Column, TimeForm] | None:
    """The column that dates the others: one named so before one that only looks so."""
    found = [(column, form) for column in columns if (form := time_of(column)) is not None]
    found.sort(key=lambda each: not each[0].is_named_time)
    return found[0] if found else None


def quality_of(column: Column, expression: str) -> dict[str, str]:
    """Where the quality is, as keys of a mapping; empty when it is not understood."""
    seen = column.plain
    if all(isinstance(each, bool) for each in seen):
        return {"good": expression} if not is_named(column.path[-1], frozenset(("bad", "fault", "error"))) else {}
    words = {str(each).lower() for each in seen}
    if words <= {"good", "bad"} and column.is_text:
        return {"quality": expression}
    good = [each for each in dict.fromkeys(seen) if str(each).lower() in GOOD_TEXTS]
    if len(good) != 1 or isinstance(good[0], bool):
        return {}
    literal = f"'{good[0]}'" if isinstance(good[0], str) else f"`{good[0]}`"
    return {"good": f"{expression} == {literal}"}


def good_said(column: Column, expression: str) -> str:
    """What is taken for good, for a person to review."""
    seen = [str(each).lower() if isinstance(each, bool) else str(each) for each in column.plain[:VALUES_SAID]]
    if len(seen) == 1:
        return (
            f"REVIEW: good is {expression}: it was {seen[0]} in all that was heard, so nothing shows what else it may "
            "be, nor that it says whether the values are good"
        )
    good = ", ".join(each for each in seen if each.lower() in GOOD_TEXTS)
    bad = ", ".join(each for each in seen if each.lower() not in GOOD_TEXTS)
    return f"REVIEW: good is {expression}: {good} is taken for good, {bad} for bad"


def is_quality(column: Column) -> bool:
    """A state or status is a quality only when it speaks of good ones."""
    if not is_named(column.path[-1], QUALITY) or not column.plain:
        return False
    words = {str(each).lower() for each in column.plain}
    return bool(words & GOOD_TEXTS) or words <= {"bad"} or all(isinstance(each, bool) for each in column.plain)


def tells_kinds(values: Iterable[Any]) -> float:
    """The part of these names that hint at what is measured, 0 to 1."""
    names = {str(each) for each in values}
    return sum(bool(hinted(name)) for name in names) / len(names) if names else 0.0


def code_of(value: float) -> float | None:
    """The number that devices use for "no measurement", if this is one, also as a sender with 32-bit floats has it."""
    return _CODES.get(value)


def _number_form(rows: Sequence[tuple[Any, int]], *, is_named_time: bool) -> TimeForm | None:
    numbers = [texts.number(value, decimal_of([value])) for value, _ in rows]
    for form, scale in _SCALES.items():
        if all(EARLIEST_US / 1e6 <= number / scale < LATEST_S for number in numbers):
            lag_us = _middle([at - round(n / scale * 1e6) for n, (_, at) in zip(numbers, rows, strict=True)])
            return TimeForm(form, "", lag_us) if is_named_time or abs(lag_us) < NEAR_US else None
    if is_named_time and all(0 <= number < EARLIEST_US / 1e6 for number in numbers):  # a clock that was never set
        return TimeForm("s", "", _middle([at - round(n * 1e6) for n, (_, at) in zip(numbers, rows, strict=True)]))
    return None


def _text_form(rows: Sequence[tuple[Any, int]]) -> TimeForm | None:
    """Of several patterns that fit (day before month, or after) the one that is nearest to the arrivals."""
    found = [form for pattern in ("rfc3339", *PATTERNS) if (form := _fits(rows, pattern)) is not None]
    return min(found, key=lambda form: abs(form.lag_us)) if found else None


def _fits(rows: Sequence[tuple[Any, int]], pattern: str) -> TimeForm | None:
    zone = "" if pattern == "rfc3339" or "%z" in pattern else "UTC"
    lags = []
    for value, received_us in rows:
        try:
            at = texts.instant(value, pattern, zone)
            lags.append(received_us - (parse_rfc3339(at) if isinstance(at, str) else parse_unix_s(at)))
        except BadInput:
            return None
    return TimeForm(pattern, zone, _middle(lags))


def _middle(numbers: list[int]) -> int:
    return sorted(numbers)[len(numbers) // 2]

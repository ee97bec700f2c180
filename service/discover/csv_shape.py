"""The shape of separated lines: separator, decimal mark, header and columns, as a `csv` table of the sources file."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.discover.columns import UNIT_TEXTS, Column, TimeForm, best_time, decimal_of, is_number, tells_kinds
from service.discover.words import QUALITY, TAG, UNIT, VALUE, is_named

SEPARATORS = (";", "\t", "|", ",")
LINES_MOST = 400
COLUMNS_MOST = 200
SKIPPED = "-"


@dataclass(slots=True)
class CsvShape:
    """`keys` are those of a `csv` table."""

    keys: dict[str, Any] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)

    @property
    def key(self) -> tuple[Any, ...]:
        """Equal for lines that one table reads."""
        return tuple(sorted((name, str(value)) for name, value in self.keys.items() if name != "decimal"))


def separator_of(text: str) -> str | None:
    """The separator of lines, each with as many cells of which one is a number; None when they are none."""
    lines = [line for line in text.splitlines() if line.strip()][:LINES_MOST]
    for separator in SEPARATORS:
        counts = {line.count(separator) for line in lines}
        if len(counts) == 1 and 0 < min(counts) < COLUMNS_MOST:
            cells = [cell.strip() for line in lines for cell in line.split(separator)]
            is_decimal = separator == "," and len(lines) == 1 and counts == {1} and is_number(lines[0])
            if any(is_number(cell) for cell in cells) and not is_decimal:
                return separator
    return None


def shape_of(payloads: Sequence[tuple[int, bytes]]) -> CsvShape | None:
    """The shape of the lines of some payloads, each with its arrival; None when they have no value."""
    decoded = [(at, payload.decode("utf-8-sig", "replace")) for at, payload in payloads]
    separators = Counter(found for _, text in decoded if (found := separator_of(text)) is not None)
    if not separators:
        return None
    separator = separators.most_common(1)[0][0]
    parts = [(at, _rows(text, separator)) for at, text in decoded]
    header = _header(parts)
    width = Counter(len(row) for _, rows in parts for row in rows).most_common(1)[0][0]
    columns = [Column((header[place] if header else f"column-{place + 1}",)) for place in range(width)]
    for at, rows in parts:
        for row in rows[1 if header else 0 :]:
            for column, cell in zip(columns, row, strict=False):
                column.records += 1
                column.add(cell.strip(), at)
    return _shape(columns, separator, header)


def _rows(text: str, separator: str) -> list[list[str]]:
    lines = [line for line in text.splitlines() if line.strip()][:LINES_MOST]
    try:
        return [row for row in csv.reader(lines, delimiter=separator, skipinitialspace=True) if row]
    except csv.Error:
        return []


def _header(parts: Sequence[tuple[int, list[list[str]]]]) -> list[str]:
    """The names of the columns, if every payload begins with the same line of them and has more lines."""
    firsts = {tuple(rows[0]) for _, rows in parts if rows}
    if len(firsts) != 1 or any(len(rows) < 2 for _, rows in parts if rows):
        return []
    first = [cell.strip() for cell in firsts.pop()]
    return first if not any(is_number(cell) or not cell for cell in first) and len(set(first)) == len(first) else []


def _shape(columns: Sequence[Column], separator: str, header: Sequence[str]) -> CsvShape | None:
    timed = best_time(columns)
    rest = [column for column in columns if timed is None or column is not timed[0]]
    roles = _long(rest)
    shape = CsvShape()
    names = [_name(column, timed, roles, shape) for column in columns]
    if not any(name not in ("at", SKIPPED) for name in names):
        return None
    values = [column for column, name in zip(columns, names, strict=True) if name not in ("at", SKIPPED, "tag", "unit")]
    shape.keys = {"columns": names, "separator": separator}
    if decimal_of([each for column in values for each in column.plain if is_number(each)]) == ",":
        shape.keys["decimal"] = ","
    if timed is not None:
        shape.keys |= _time(timed[1])
    if header:
        shape.keys["header"] = True
    elif not roles:
        shape.notes.append("the lines have no header: name the columns as tags")
    return shape


def _time(form: TimeForm) -> dict[str, str]:
    keys = {} if form.form == "rfc3339" else {"time_form": form.form}
    return keys | ({"time_zone": form.zone} if form.zone else {})


def _long(columns: Sequence[Column]) -> Mapping[str, Column]:
    """Tag and value, perhaps unit and quality, by role; empty when each column is a tag of its own."""
    texts = [column for column in columns if column.is_text and not column.is_numeric]
    units = [c for c in texts if is_named(c.path[-1], UNIT) or all(each in UNIT_TEXTS for each in c.plain)]
    qualities = [c for c in texts if {str(each).lower() for each in c.plain} <= {"good", "bad"}]
    tags = [c for c in texts if c not in units and c not in qualities]
    tags = [c for c in tags if is_named(c.path[-1], TAG) or tells_kinds(c.plain) >= 0.5]
    values = [c for c in columns if c.is_numeric]
    named = [c for c in values if is_named(c.path[-1], VALUE)]
    value = named[0] if named else values[0] if len(values) == 1 else None
    if not tags or value is None:
        return {}
    roles = {"tag": tags[0], "value": value}
    roles |= {"unit": units[0]} if units else {}
    return roles | ({"quality": qualities[0]} if qualities else {})


def _name(column: Column, timed: tuple[Column, TimeForm] | None, roles: Mapping[str, Column], shape: CsvShape) -> str:
    if timed is not None and column is timed[0]:
        return "at"
    if roles:
        role = next((name for name, found in roles.items() if found is column), SKIPPED)
        if role == SKIPPED and is_named(column.path[-1], QUALITY):
            shape.notes.append(f"column {column.path[-1]!r} may be a quality; it is not understood, and skipped")
        return role
    return column.path[-1] if column.is_numeric else SKIPPED

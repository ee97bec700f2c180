"""Lines of separated values: several readings per line by tag (wide), or one reading per line (long).

Owns the reading of lines into cells and of cells into readings; must never fill a cell that is empty or missing.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from contextlib import suppress

from service.decode import texts
from service.decode.form import READINGS_MOST, TEXT_MOST, Arrived, Read, Stateless, named
from service.model import BadInput, GatewayMessage, GatewayReading
from service.units.times import parse_rfc3339

UNIT_MOST = 32  # characters, as `GatewayReading.unit`
LONG = ("at", "tag", "value", "unit", "quality")  # the columns of the long form
SKIPPED = "-"

_LONG_FORM = "tag and value, and of at, unit, quality and - what the lines have"


class Misplaced(BadInput):
    """The columns are not where the source says: nothing of the message can be trusted."""


class CsvForm(Stateless):
    """Reads one or several lines as of RFC 4180; a line break ends the line, within quotes too.

    Long: columns "tag" and "value", if the lines have them "at", "unit" and "quality" (good or bad). A cell may be
    empty for the unit, and for the value of a bad reading. Wide: "at", and a tag for each other column, where an empty
    cell was not measured. "-" skips a column. Without "at" the time is the arrival's, and a tag may come only once.
    """

    def __init__(
        self,
        columns: Sequence[str],
        *,
        separator: str = ",",
        decimal: str = ".",
        time_form: str = "rfc3339",
        time_zone: str = "",
        header: bool = False,
        gateway_part: str = "gateway",
    ) -> None:
        """`header`: the first line of each payload names the columns, in this order. ValueError as told."""
        texts.check_number_form(decimal)
        if len(separator) != 1 or separator in '"\r\n ' or separator == decimal:
            raise ValueError(f"separator {separator!r}: expected one character, not the decimal mark; correct it")
        self._columns, self._is_long = tuple(columns), "tag" in columns or "value" in columns
        self._check_columns()
        if "at" in columns:
            texts.check_time_form(time_form, time_zone)
        self._separator, self._decimal, self._header = separator, decimal, header
        self._time_form, self._time_zone, self._gateway_part = time_form, time_zone, gateway_part

    def read(self, arrived: Arrived) -> Read:
        """The readings of all lines, a fault for each line or cell that has none; BadInput when there is no line."""
        gateway = named(arrived, self._gateway_part, "name the gateway in the source's topic")
        lines = _lines(arrived.payload)
        read, readings = Read(), _Readings(is_timed="at" in self._columns)
        for index, (place, line) in enumerate(lines):
            try:
                cells = self._cells(line)
                if index == 0 and self._header:
                    self._check_header([cell.strip() for cell in cells])
                    continue
                for reading in self._line(cells, f"line {place}: ", read.faults):
                    readings.add(reading)
            except Misplaced:
                raise
            except BadInput as error:
                read.faults.append(f"line {place}: {error}")
            if len(readings.found) > READINGS_MOST:
                raise BadInput(f"message: expected at most {READINGS_MOST} readings; send fewer in a message")
        read.messages.append(GatewayMessage(gateway, readings.found))
        return read

    def _check_columns(self) -> None:
        used = [name for name in self._columns if name != SKIPPED]
        if len(set(used)) != len(used):
            raise ValueError(f"columns {self._columns}: expected each name once; rename one, or skip it with -")
        if self._is_long and not {"tag", "value"} <= set(used) <= set(LONG):
            raise ValueError(f"columns {self._columns}: expected {_LONG_FORM}; correct them")
        if not self._is_long and (not set(used) - {"at"} or set(used) & {"unit", "quality"}):
            raise ValueError(f"columns {self._columns}: expected at and tags, or {_LONG_FORM}; correct them")
        if any(not 1 <= len(name) <= TEXT_MOST for name in used):
            raise ValueError(f"columns {self._columns}: expected names of 1 to {TEXT_MOST} characters; correct them")

    def _cells(self, line: str) -> list[str]:
        try:
            (cells,) = csv.reader([line], delimiter=self._separator, strict=True, skipinitialspace=True)
        except csv.Error as error:
            raise BadInput(f"{error}; expected separated values with paired quotes; correct the sender") from error
        if len(cells) != len(self._columns):
            raise BadInput(
                f"{len(cells)} cells between {self._separator!r}: expected {len(self._columns)}; "
                "correct the sender, or the columns of the source"
            )
        return cells

    def _check_header(self, cells: list[str]) -> None:
        """BadInput when the line is none, whose readings would be lost; Misplaced when it names columns elsewhere."""
        for name, cell in zip(self._columns, cells, strict=True):
            if name not in (cell, SKIPPED) and name in cells:
                raise Misplaced(
                    f"header: {texts.shown(cell)} where the source has the column {texts.shown(name)}, which stands "
                    "elsewhere in it; expected the columns in the order of the source; correct columns"
                )
            if cell != name and self._is_value(cell):
                raise BadInput(
                    f"{texts.shown(cell)} where the header is expected; expected the names of the columns; "
                    "let the sender write them, or set header to false"
                )

    def _is_value(self, cell: str) -> bool:
        """Whether a cell is a number or a time, and so no name."""
        with suppress(BadInput):
            texts.number(cell, self._decimal)
            return True
        if "at" not in self._columns:
            return False
        with suppress(BadInput):
            at = texts.instant(cell, self._time_form, self._time_zone, self._decimal)
            return isinstance(at, float) or bool(parse_rfc3339(at))
        return False

    def _line(self, cells: list[str], where: str, faults: list[str]) -> Iterator[GatewayReading]:
        """The readings of a line. A wrong cell of the wide form is a fault by itself; BadInput spoils the line."""
        named_cells = dict(zip(self._columns, (cell.strip() for cell in cells), strict=True))
        named_cells.pop(SKIPPED, None)
        at: str | float = ""
        if "at" in named_cells:
            at = texts.instant(named_cells.pop("at"), self._time_form, self._time_zone, self._decimal)
        if self._is_long:
            yield self._long(named_cells, at)
            return
        for tag, cell in named_cells.items():
            try:
                if cell:
                    yield GatewayReading(tag, at, "", texts.number(cell, self._decimal), "good")
            except BadInput as error:
                faults.append(f"{where}column {texts.shown(tag)}: {error}")

    def _long(self, cells: dict[str, str], at: str | float) -> GatewayReading:
        tag, unit, quality = cells["tag"], cells.get("unit", ""), cells.get("quality", "good").lower()
        if not 1 <= len(tag) <= TEXT_MOST or len(unit) > UNIT_MOST:
            raise BadInput(
                f"tag {texts.shown(tag)}, unit {texts.shown(unit)}: expected a tag of 1 to {TEXT_MOST} characters and "
                f"a unit of at most {UNIT_MOST}; correct the sender"
            )
        if quality == "bad":
            value = texts.number(cells["value"], self._decimal) if cells["value"] else None
            return GatewayReading(tag, at, unit, value, "bad")
        if quality != "good":
            raise BadInput(f"quality {texts.shown(quality)}: expected good or bad; correct the sender")
        return GatewayReading(tag, at, unit, texts.number(cells["value"], self._decimal), "good")


class _Readings:
    """The readings of one message; without times, two of one tag would be the same instant's."""

    def __init__(self, *, is_timed: bool) -> None:
        self.found: list[GatewayReading] = []
        self._seen: set[str] | None = None if is_timed else set()

    def add(self, reading: GatewayReading) -> None:
        if self._seen is not None:
            if reading.tag in self._seen:
                raise BadInput(
                    f"tag {texts.shown(reading.tag)}: comes again without a time; expected a column at; send one"
                )
            self._seen.add(reading.tag)
        self.found.append(reading)


def _lines(payload: bytes) -> list[tuple[int, str]]:
    """The lines that are not blank, each with its place from 1; a byte order mark at the beginning is passed over."""
    try:
        text = payload.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadInput(f"lines: byte {error.start}: {error.reason}; expected UTF-8; correct the sender") from error
    every = enumerate(text.replace("\r\n", "\n").replace("\r", "\n").split("\n"), 1)
    lines = [(place, line) for place, line in every if line.strip(" ")]
    if not lines:
        raise BadInput("lines: none in the payload; expected one or several; correct the sender")
    if len(lines) > READINGS_MOST + 1:
        raise BadInput(f"{len(lines)} lines: expected at most {READINGS_MOST}; send fewer in a message")
    return lines

"""Readings of many messages as columns: point, UTC microseconds, canonical and original value, quality.

Python runs once over the readings, to bind them; all arithmetic is on arrays. What cannot be used is
returned with its reason, message by message, in a form that can be driven through again.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import chain

import msgspec
import numpy as np
import numpy.typing as npt

from service.model import BadInput, GatewayMessage, GatewayReading, Rejected, summed_up
from service.normalise.bind import Binder, Refusal
from service.units.times import EARLIEST_US, iso, parse_rfc3339, parse_unix_s

TIMES_REMEMBERED = 50_000


@dataclass(slots=True)
class Normalised:
    """Columns of equal length in order of arrival. `message` is the index of the message that brought a row."""

    point: npt.NDArray[np.int64]
    at_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    original: npt.NDArray[np.float64]
    unit: npt.NDArray[np.int64]
    good: npt.NDArray[np.bool_]
    refused: dict[int, list[tuple[GatewayReading, str, str]]] = field(default_factory=dict)


class Normaliser:
    """Owns the memory of time texts already parsed, which is bounded."""

    def __init__(self, binder: Binder) -> None:
        self._binder = binder
        self._times: dict[str, int] = {}

    def normalise(self, messages: Sequence[GatewayMessage], latest_us: int) -> Normalised:
        """Columns of the readings of `messages`; readings later than `latest_us` are refused."""
        if len(self._times) > TIMES_REMEMBERED:
            self._times.clear()
        slots: list[int] = []
        at_us: list[int] = []
        kept: list[list[GatewayReading]] = []
        refused: dict[int, list[tuple[GatewayReading, str, str]]] = {}
        for index, message in enumerate(messages):
            readings = self._bind(message, slots, at_us, refused.setdefault(index, []))
            kept.append(readings)
            if not refused[index]:
                del refused[index]
        columns = self._columns(slots, at_us, list(chain.from_iterable(kept)))
        return _check(columns, kept, refused, latest_us)

    def _bind(
        self,
        message: GatewayMessage,
        slots: list[int],
        at_us: list[int],
        refused: list[tuple[GatewayReading, str, str]],
    ) -> list[GatewayReading]:
        """Append the slot and instant of each reading; the readings that could be bound."""
        known, times = self._binder.known.get(message.gateway, {}), self._times
        try:
            bound = [known[reading.tag, reading.unit] for reading in message.readings]
            instants = [times[reading.at] for reading in message.readings]  # type: ignore[index]  # misses raise
        except KeyError:
            return self._bind_each(message, slots, at_us, refused)
        slots += bound
        at_us += instants
        return message.readings

    def _bind_each(
        self,
        message: GatewayMessage,
        slots: list[int],
        at_us: list[int],
        refused: list[tuple[GatewayReading, str, str]],
    ) -> list[GatewayReading]:
        kept = []
        known = self._binder.known.get(message.gateway, {})
        for reading in message.readings:
            try:
                slot = known.get((reading.tag, reading.unit))
                if slot is None:
                    slot = self._binder.slot(message.gateway, reading.tag, reading.unit)
                instant = self._instant(reading.at)
            except BadInput as error:
                code = error.code if isinstance(error, Refusal) else "time-invalid"
                refused.append((reading, code, str(error)))
                continue
            slots.append(slot)
            at_us.append(instant)
            kept.append(reading)
        return kept

    def _instant(self, at: str | float) -> int:
        if not isinstance(at, str):
            return parse_unix_s(at)
        instant = self._times.get(at)
        if instant is None:
            instant = self._times[at] = parse_rfc3339(at)
        return instant

    def _columns(self, slots: list[int], at_us: list[int], readings: list[GatewayReading]) -> Normalised:
        table, slot = self._binder.slots(), np.array(slots, np.int64)
        original = np.array([reading.value for reading in readings], np.float64)  # None becomes NaN
        with np.errstate(over="ignore", invalid="ignore"):
            value = (original + table.shift[slot]) * table.numerator[slot] / table.denominator[slot]
        good = np.array([reading.quality == "good" for reading in readings], np.bool_)
        return Normalised(table.point[slot], np.array(at_us, np.int64), value, original, table.unit[slot], good)


def _check(
    columns: Normalised,
    kept: list[list[GatewayReading]],
    refused: dict[int, list[tuple[GatewayReading, str, str]]],
    latest_us: int,
) -> Normalised:
    """Refuse what only the arrays show: times in the future, good readings without a finite value."""
    early = columns.at_us > latest_us
    unset = columns.at_us < EARLIEST_US
    hollow = columns.good & ~np.isfinite(columns.value)
    columns.refused = refused
    wrong = early | unset | hollow
    if not wrong.any():
        return columns
    ends = np.cumsum([len(readings) for readings in kept])
    for row in np.flatnonzero(wrong).tolist():
        message = int(np.searchsorted(ends, row, side="right"))
        reading = kept[message][row - int(ends[message]) + len(kept[message])]
        why = _future(reading, latest_us) if early[row] else _unset(reading) if unset[row] else _hollow(reading)
        refused.setdefault(message, []).append((reading, *why))
    return _rows(columns, ~wrong)


def _rows(columns: Normalised, mask: npt.NDArray[np.bool_]) -> Normalised:
    return Normalised(
        columns.point[mask],
        columns.at_us[mask],
        columns.value[mask],
        columns.original[mask],
        columns.unit[mask],
        columns.good[mask],
        columns.refused,
    )


def _future(reading: GatewayReading, latest_us: int) -> tuple[str, str]:
    hint = " (milliseconds? this form takes seconds)" if isinstance(reading.at, float) and reading.at > 1e11 else ""
    return "time-future", (
        f"at {_said(reading)} of tag {reading.tag!r}{hint}: later than {iso(latest_us)}, which the service's clock "
        f"allows; expected a time that has passed; {_REMEDY}"
    )


def _unset(reading: GatewayReading) -> tuple[str, str]:
    return "time-unset", (
        f"at {_said(reading)} of tag {reading.tag!r}: before the year 2000; expected the time of the measurement; "
        f"{_REMEDY}"
    )


_REMEDY = "set the gateway's clock; or, where it is right, correct time_form, time_zone or offset_s of the source"


def _said(reading: GatewayReading) -> str:
    """A time as it was sent and, of a number, which it is."""
    with suppress(BadInput, OverflowError, ValueError):
        if isinstance(reading.at, float):
            return f"{reading.at!r} ({iso(parse_unix_s(reading.at))})"
    return repr(reading.at)


def _hollow(reading: GatewayReading) -> tuple[str, str]:
    return "value-invalid", (
        f"value {reading.value!r} of tag {reading.tag!r}: expected a finite number; "
        'send quality "bad" when there is no measurement'
    )


def rejection(
    topic: str, received_us: int, message: GatewayMessage, refused: list[tuple[GatewayReading, str, str]]
) -> Rejected:
    """What goes to quarantine: a message with the refused readings alone, and why each was refused."""
    part = msgspec.structs.replace(message, readings=[reading for reading, _, _ in refused])
    reason = summed_up([reason for _, _, reason in refused])
    return Rejected(topic, msgspec.json.encode(part), received_us, refused[0][1], reason, len(refused))

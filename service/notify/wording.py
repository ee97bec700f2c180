"""Numbers, spans of time and instants as people read them. Pure.

Owns how figures look in a message; it must never round a value onto its limit.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

SECOND_US = 1_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

# Decimals that a person would read off an instrument of this kind (common practice, no source).
DECIMALS: Mapping[str, int] = {
    "Pa": 0,
    "hPa": 1,
    "mbar": 1,
    "kPa": 2,
    "bar": 2,
    "psi": 1,
    "inH2O": 2,
    "mmH2O": 0,
    "cfm": 0,
    "m3/h": 0,
    "m3/s": 2,
    "degC": 1,
    "degF": 1,
    "K": 1,
    "%": 1,
    "1": 2,
    "A": 1,
    "mA": 2,
    "V": 1,
    "mg/m3": 2,
    "1/h": 1,
    "1/min": 1,
}
UNITLESS = ("", "1", "count")
MOST_DECIMALS = 6


def figures(value: float, unit: str, beside: float | None = None) -> str:
    """`value` in the decimals of its unit, without the unit; more of them while it would look equal to `beside`.

    6.004 beside a limit of 6 is "6.004" and not "6.00". Six decimals at most; from 1e9 on in powers of ten.
    """
    if abs(value) >= 1e9:
        return f"{value:.6g}"
    decimals = DECIMALS.get(unit)
    if decimals is None:
        decimals = 0 if abs(value) >= 1000 else 1 if abs(value) >= 100 else 2
    if beside is not None and beside != value:
        while decimals < MOST_DECIMALS and _fixed(value, decimals) == _fixed(beside, decimals):
            decimals += 1
    return _fixed(value, decimals)


def measured(value: float, unit: str, beside: float | None = None) -> str:
    """`value` with its unit, as `figures` writes it."""
    return f"{figures(value, unit, beside)} {'' if unit in UNITLESS else unit}".rstrip()


def span(span_us: int) -> str:
    """A length of time in its two largest parts: "4 h", "1 h 30 min", "2 d 3 h", "45 s", "0 s"."""
    left_s = round(max(span_us, 0) / SECOND_US)
    parts = []
    for name, size_s in (("d", 86_400), ("h", 3600), ("min", 60), ("s", 1)):
        count, left_s = divmod(left_s, size_s)
        if count:
            parts.append((name, count))
    if not parts:
        return "0 s"
    order = ("d", "h", "min", "s")
    largest = order.index(parts[0][0])
    return " ".join(f"{count} {name}" for name, count in parts if order.index(name) <= largest + 1)


def instant(at_us: int, time_zone: str) -> str:
    """Site time with its abbreviation and offset, then UTC: both readings of a repeated hour stay distinct."""
    utc = EPOCH + timedelta(microseconds=at_us)
    universal = f"{utc:%Y-%m-%d %H:%M:%S} UTC"
    try:
        local = utc.astimezone(ZoneInfo(time_zone))
    except (LookupError, ValueError, OSError):  # no such zone on this machine: say less, never nothing
        return universal
    name = local.tzname() or ""
    offset = f"{local:%z}"
    offset = f"{offset[:3]}:{offset[3:5]}"
    label = f"UTC{offset}" if not name or name[0] in "+-" else f"{name}, UTC{offset}"
    return f"{local:%Y-%m-%d %H:%M:%S} ({label}) = {universal}"


def rfc3339(at_us: int) -> str:
    """UTC with microseconds and "Z"."""
    return f"{EPOCH + timedelta(microseconds=at_us):%Y-%m-%dT%H:%M:%S.%fZ}"


def one_line(text: str) -> str:
    """`text` without control characters and line ends, so that it can be one header or one line."""
    printable = "".join(char if char.isprintable() else " " for char in text)
    return re.sub(r" +", " ", printable).strip()


def clip(text: str, width: int) -> str:
    """`text` in at most `width` characters, with "..." where something is missing."""
    return text if len(text) <= width else text[: max(0, width - 3)].rstrip() + "..."


def _fixed(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}"
    return text[1:] if re.fullmatch(r"-0(\.0*)?", text) else text

"""Instants and durations as text: RFC 3339 and ISO 8601, strictly. Instants are UTC microseconds."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime, timedelta

from service.model import BadInput

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
EARLIEST_US = 946_684_800_000_000  # 2000-01-01: an earlier reading comes from a clock that was never set
_INSTANT = re.compile(
    r"(\d{4})-(\d{2})-(\d{2})[Tt](\d{2}):(\d{2}):(\d{2})(?:\.(\d+))?(?:[Zz]|([+-])(\d{2}):(\d{2}))", re.ASCII
)
_DURATION = re.compile(r"P(?:(\d+)D)?(?:T(?:(\d+)H)?(?:(\d+)M)?(?:(\d+(?:\.\d+)?)S)?)?", re.ASCII)


def parse_rfc3339(text: str) -> int:
    """UTC microseconds of an RFC 3339 instant (section 5.6). Digits beyond microseconds are cut off.

    A leap second (:60) is the first instant of the next minute, as Unix time has it. `t`, `z` and an
    unknown offset (-00:00) are accepted as the RFC allows; anything else is BadInput.
    """
    match = _INSTANT.fullmatch(text)
    if match is None:
        raise _bad_instant(text)
    year, month, day, hour, minute, second = (int(part) for part in match.group(1, 2, 3, 4, 5, 6))
    leap = second == 60
    try:
        whole = datetime(year, month, day, hour, minute, 59 if leap else second, tzinfo=UTC) - EPOCH
    except ValueError as error:
        raise _bad_instant(text) from error
    fraction = "" if match[7] is None else match[7]
    us = (whole.days * 86_400 + whole.seconds + leap) * 1_000_000 + int(fraction[:6].ljust(6, "0"))
    if match[8] is not None:
        offset_h, offset_min = int(match[9]), int(match[10])
        if offset_h > 23 or offset_min > 59:
            raise _bad_instant(text)
        us -= (offset_h * 60 + offset_min) * 60_000_000 * (-1 if match[8] == "-" else 1)
    return us


def parse_unix_s(number: float) -> int:
    """UTC microseconds of a Unix time in seconds; BadInput when it is not finite or out of the calendar."""
    if not math.isfinite(number) or not -62_135_596_800 <= number < 253_402_300_800:
        raise BadInput(
            f"time {number!r}: expected Unix time in seconds (a number of milliseconds is a thousand times too "
            "large), or RFC 3339 text; correct the gateway's template"
        )
    return round(number * 1_000_000)


def iso(us: int) -> str:
    """RFC 3339 text in UTC, with as many digits as the instant has, six or none."""
    return (EPOCH + timedelta(microseconds=us)).isoformat().replace("+00:00", "Z")


def as_datetime(us: int) -> datetime:
    """The instant as an aware datetime in UTC."""
    return EPOCH + timedelta(microseconds=us)


def parse_duration_us(text: str) -> int:
    """Microseconds of an ISO 8601 duration in days, hours, minutes and seconds (PnDTnHnMnS).

    Months, years and weeks are refused: P1M is a month and PT1M a minute, and a delay has no calendar.
    """
    match = _DURATION.fullmatch(text)
    if match is None or text.endswith(("P", "T")):
        raise BadInput(
            f"duration {text!r}: expected ISO 8601 days, hours, minutes and seconds such as PT15M, PT4H or P1DT12H; "
            "months, years and weeks are not accepted"
        )
    days, hours, minutes = (int(part or 0) for part in match.group(1, 2, 3))
    seconds = (days * 24 + hours) * 3600 + minutes * 60
    return seconds * 1_000_000 + round(float(match[4] or 0) * 1_000_000)


def _bad_instant(text: str) -> BadInput:
    shown = text if len(text) <= 60 else text[:60] + "..."
    return BadInput(
        f"time {shown!r}: expected RFC 3339 such as 2026-11-25T08:00:00.000Z; correct the gateway's template"
    )

"""Instants and durations as text: RFC 3339 and ISO 8601, strictly, to whole microseconds and back.

Instants are microseconds since 1970-01-01T00:00:00Z without leap seconds, negative before it. Reads no clock and keeps
no cache: the caller knows which texts repeat.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

from service.model import BadInput

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
SECOND_US = 1_000_000
DAY_US = 86_400 * SECOND_US
EARLIEST_US = 946_684_800_000_000  # 2000-01-01: an earlier reading comes from a clock that was never set
DURATION_LONGEST_US = 36_600 * DAY_US  # about a century
TEXT_SHOWN = 60  # characters of a text that is no time

_FIRST_S, _END_S = -62_135_596_800, 253_402_300_800  # Unix time of the years 1 to 9999
_MILLISECONDS_FROM = 100_000_000_000  # as seconds it is the year 5138

# RFC 3339 5.6. T and Z may be small letters; a space for T, a missing offset or a week date may not be.
_INSTANT = re.compile(
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt](?:[01][0-9]|2[0-3]):[0-5][0-9]:(?:[0-5][0-9]|(60))(?:\.[0-9]{1,9})?"
    r"([Zz]|[+-](?:[01][0-9]|2[0-3]):[0-5][0-9])"
).fullmatch
_from_iso = datetime.fromisoformat

_DURATION = re.compile(
    r"P(?=[0-9T])(?:([0-9]{1,9})D)?"
    r"(?:T(?=[0-9])(?:([0-9]{1,9})H)?(?:([0-9]{1,9})M)?(?:([0-9]{1,9})(?:[.,]([0-9]{1,6}))?S)?)?"
)


def parse_rfc3339(text: str) -> int:
    """Microseconds UTC of an RFC 3339 date-time; BadInput when it is not one.

    A fraction has 1 to 9 digits; what is finer than a microsecond is cut off. An offset of -00:00 (local offset not
    known) is UTC. A leap second, :60 on the last of June or December in UTC, becomes the last microsecond before it:
    so readings keep their order, and none takes the place of one in the second that follows.
    """
    found = _INSTANT(text)
    if found is None:
        raise _no_instant(text)
    if found[1] is not None:
        return _leap_second(text, found[2])
    try:
        since = _from_iso(text) - EPOCH
    except (ValueError, OverflowError):
        since = _spelled_out(text)
    return (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds


def parse_unix_s(number: float) -> int:
    """Microseconds UTC of Unix time in seconds, to the nearest microsecond; BadInput outside the years 1 to 9999."""
    if not isinstance(number, bool) and _FIRST_S <= number < _END_S:
        return round(number * 1_000_000)
    hint = " (it looks like milliseconds)" if number >= _MILLISECONDS_FROM else ""
    raise BadInput(
        f"time {number!r}{hint}: expected Unix time in seconds, such as 1795593600.25; send seconds, or RFC 3339 text"
    )


def as_datetime(us: int) -> datetime:
    """The instant as an aware datetime in UTC."""
    return EPOCH + timedelta(microseconds=us)


def iso(us: int) -> str:
    """RFC 3339 text of an instant in UTC, with no more digits than it has: "2026-11-25T08:00:00.5Z"."""
    at = as_datetime(us)
    text = at.isoformat(timespec="microseconds" if at.microsecond else "seconds").removesuffix("+00:00")
    return (text.rstrip("0") if at.microsecond else text) + "Z"


def parse_duration_us(text: str) -> int:
    """Microseconds of an ISO 8601 duration PnDTnHnMnS; BadInput otherwise. A day is 24 hours.

    Years and months have no fixed length, and P1M is too easily written for PT1M: both are refused. So are weeks,
    which ISO 8601 does not let stand beside other parts, signs, and what is longer than a century.
    """
    found = _DURATION.fullmatch(text)
    if found is None:
        raise BadInput(f"duration {text!r}: expected ISO 8601 such as PT10M, PT4H or P1DT12H; {_duration_remedy(text)}")
    days, hours, minutes, seconds = (int(part or 0) for part in found.groups()[:4])
    us = (((days * 24 + hours) * 60 + minutes) * 60 + seconds) * SECOND_US + int((found[5] or "").ljust(6, "0"))
    if us > DURATION_LONGEST_US:
        raise BadInput(f"duration {text!r}: expected at most P36600D, about a century; write a shorter one")
    return us


def duration(us: int) -> str:
    """The ISO 8601 text of a duration of at least 0, in hours, minutes and seconds: "PT36H", "PT1M30S", "PT0S"."""
    whole_s, fraction_us = divmod(us, SECOND_US)
    hours, minutes, seconds = whole_s // 3600, whole_s // 60 % 60, whole_s % 60
    fraction = f".{fraction_us:06d}".rstrip("0") if fraction_us else ""
    parts = [f"{hours}H" if hours else "", f"{minutes}M" if minutes else ""]
    parts.append(f"{seconds}{fraction}S" if seconds or fraction or not whole_s else "")
    return "PT" + "".join(parts)


def _spelled_out(text: str) -> timedelta:
    """The same in capital letters; BadInput when that is no instant either (30 February, the year 0)."""
    try:
        return _from_iso(text.upper()) - EPOCH
    except (ValueError, OverflowError) as error:
        raise BadInput(f"time {text!r}: {error}; expected an instant that exists; correct the sender") from error


def _leap_second(text: str, offset: str) -> int:
    before_us = parse_rfc3339(text[:17] + "59.999999" + offset)
    try:
        at = as_datetime(before_us)
    except OverflowError as error:  # an offset can lead out of the calendar
        raise _no_instant(text) from error
    if (at.month, at.day) in ((6, 30), (12, 31)) and (at.hour, at.minute) == (23, 59):
        return before_us
    raise BadInput(
        f"time {text!r}: expected second 60 only at 23:59 UTC on 30 June or 31 December; set the sender's clock"
    )


def _no_instant(text: str) -> BadInput:
    shown = repr(text if len(text) <= TEXT_SHOWN else text[:TEXT_SHOWN] + "...")
    return BadInput(
        f"time {shown}: expected RFC 3339 with seconds and an offset, such as 2026-11-25T08:00:00.25Z or "
        "2026-11-25T09:00:00+01:00; send one of these forms, or Unix time in seconds as a number"
    )


def _duration_remedy(text: str) -> str:
    before_t = text.partition("T")[0]
    if re.fullmatch(r"P[0-9]+M", before_t):
        return f"months have no fixed length; for minutes write PT{before_t[1:]}"
    if text.startswith("P") and ("Y" in before_t or "M" in before_t):
        return "years and months have no fixed length; write days"
    if "W" in before_t:
        return "write days for weeks, such as P7D"
    return "write hours, minutes and seconds after a T"

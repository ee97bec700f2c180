"""Numbers and times out of what a payload holds, for the forms that carry them as text or as plain JSON numbers.

Owns how a number and an instant may be written. It must never guess: what can be read in two ways, such as a comma that
may be a decimal comma or mark thousands, or a local time that comes twice, is refused with the reason.
"""

from __future__ import annotations

import math
import re
import reprlib
from datetime import UTC, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from service.model import BadInput
from service.units.times import EPOCH

NUMBER_LONGEST = 400  # characters: every double fits, written out without an exponent
TIME_LONGEST = 64  # characters
DECIMALS = (".", ",")

_PER_SECOND = {"s": 1, "ms": 1000, "us": 1_000_000}
_NUMBERS = {
    mark: re.compile(rf"[+-]?(?:[0-9]+(?:{re.escape(mark)}[0-9]*)?|{re.escape(mark)}[0-9]+)(?:[eE][+-]?[0-9]+)?")
    for mark in DECIMALS
}
# What a pattern must be able to say: a day, and a time of day to the minute.
_SAMPLE = datetime(2003, 10, 29, 13, 37, tzinfo=UTC)


def shown(value: object) -> str:
    """A value as an error names it: short, whatever it is, and without characters that cannot be written."""
    if isinstance(value, dict | list):
        return f"a list of {len(value)}" if isinstance(value, list) else "an object"
    if isinstance(value, int) and value.bit_length() > 256:
        return "a whole number of very many digits"  # Python itself refuses to write out the longest
    return reprlib.repr(value)


def number(value: object, decimal: str = ".", what: str = "value") -> float:
    """The finite number that a text or a JSON number is; true is 1, false is 0. BadInput when it is none.

    `decimal` is the decimal mark of texts, "." or ",". Marks of thousands are refused: they could be decimal marks.
    `what` is how an error names it.
    """
    if isinstance(value, str):
        text = value.strip() if len(value) <= NUMBER_LONGEST else ""
        if _NUMBERS[decimal].fullmatch(text) is None:
            raise BadInput(
                f"{what} {shown(value)}: expected a number with decimal mark {decimal!r} and no mark of thousands; "
                "correct the sender, or set decimal to the mark that it writes"
            )
        found = float(text.replace(",", "."))
    elif isinstance(value, int | float):
        found = _as_float(value)
    else:
        raise BadInput(f"{what} {shown(value)}: expected a number; correct the sender, or the mapping")
    if not math.isfinite(found):
        raise BadInput(f"{what} {shown(value)}: expected a finite number; correct the sender")
    return found


def check_number_form(decimal: str) -> None:
    """ValueError when `decimal` is no decimal mark."""
    if decimal not in DECIMALS:
        raise ValueError(f'decimal {decimal!r}: expected "." or ","; write the mark that the sender writes')


def instant(value: object, form: str, time_zone: str = "", decimal: str = ".") -> str | float:
    """An instant as `GatewayReading.at` takes it: RFC 3339 text, or Unix time in seconds. BadInput when it is none.

    `form` is "rfc3339" (passed on as it is, judged where it is used), "s", "ms" or "us" (Unix time as a number or its
    text), or a pattern as of datetime.strptime. A pattern without %z is local time in `time_zone` (IANA name or "UTC"):
    a time that a change of the clocks skips or repeats is refused.
    """
    if form in _PER_SECOND:
        if isinstance(value, bool):
            raise BadInput(f"time {shown(value)}: expected Unix time in {form}; correct the sender, or the mapping")
        return number(value, decimal, "time") / _PER_SECOND[form]
    if not isinstance(value, str) or not value.strip() or len(value) > TIME_LONGEST:
        raise BadInput(
            f"time {shown(value)}: expected a text of 1 to {TIME_LONGEST} characters in the form {form!r}; "
            "correct the sender, or set time_form to the form that it writes"
        )
    return value.strip() if form == "rfc3339" else _from_pattern(value.strip(), form, time_zone)


def check_time_form(form: str, time_zone: str) -> None:
    """ValueError when times cannot be read so: no such pattern or zone, or a pattern whose zone is not said once."""
    says_zone = form == "rfc3339" or form in _PER_SECOND or "%z" in form.replace("%%", "")
    if says_zone and time_zone:
        raise ValueError(
            f"time_zone {time_zone!r}: times in the form {form!r} say their offset themselves; leave it out"
        )
    if not says_zone:
        if "%" not in form:
            _check_pattern(form)
        if not time_zone:
            raise ValueError(f'time_form {form!r}: expected a time_zone beside it; name it, such as "Europe/Dublin"')
        _zone(time_zone)
    if form != "rfc3339" and form not in _PER_SECOND:
        _check_pattern(form)


def _as_float(value: int | float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf


def _check_pattern(form: str) -> None:
    try:
        again = datetime.strptime(_SAMPLE.strftime(form), form)  # noqa: DTZ007 - only its digits are compared
        fits = again.replace(second=0, tzinfo=UTC) == _SAMPLE and "%Z" not in form.replace("%%", "")
    except (ValueError, re.error):  # the second of a directive that is there twice
        fits = False
    if not fits:
        raise ValueError(
            f'time_form {form!r}: expected "rfc3339", "s", "ms", "us", or a pattern of a date and a time to the '
            'minute, such as "%d.%m.%Y %H:%M:%S" (with %z where the text has an offset, never %Z); correct it'
        )


def _zone(name: str) -> tzinfo:
    try:
        return UTC if name == "UTC" else ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:
        raise ValueError(
            f'time_zone {name!r}: expected an IANA name such as "Europe/Dublin", or "UTC"; correct it'
        ) from error


def _from_pattern(text: str, form: str, time_zone: str) -> float:
    """Unix seconds of a text in a strptime pattern."""
    try:
        at = datetime.strptime(text, form)  # noqa: DTZ007 - the zone is the pattern's own, or is set below
        if at.tzinfo is None:
            at = _placed(at, text, time_zone)
        return (at - EPOCH) // timedelta(microseconds=1) / 1_000_000
    except (ValueError, OverflowError, re.error) as error:
        raise BadInput(
            f"time {shown(text)}: expected the form {form!r}; "
            "correct the sender, or set time_form to the form that it writes"
        ) from error


def _placed(local: datetime, text: str, time_zone: str) -> datetime:
    """A local time in its zone. Its two readings differ only where a change of the clocks skips or repeats it."""
    zone = _zone(time_zone)
    first, second = local.replace(tzinfo=zone), local.replace(tzinfo=zone, fold=1)
    before, after = first.utcoffset(), second.utcoffset()
    assert before is not None
    assert after is not None
    if before == after:
        return first
    why = (
        "comes twice, as the clocks are put back and it may be before or after"
        if before > after
        else "does not exist, as the clocks are put forward over it"
    )
    raise BadInput(
        f"time {shown(text)} in {time_zone}: it {why}; expected a time that says which instant it is; "
        "let the sender write UTC or an offset"
    )

"""Numbers and times from texts: what is read, what is refused, and that nothing is guessed."""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.decode import texts
from service.model import BadInput
from service.units.times import parse_unix_s


@pytest.mark.parametrize(
    ("value", "decimal", "expected"),
    [
        ("3.14", ".", 3.14),
        ("3,14", ",", 3.14),
        ("-0,5e-3", ",", -0.0005),
        ("1e3", ".", 1000.0),
        ("1E+3", ",", 1000.0),
        ("+5", ".", 5.0),
        (" \t7 \n", ".", 7.0),
        (".5", ".", 0.5),
        ("5.", ".", 5.0),
        ("5e-324", ".", 5e-324),
        ("0" * 300 + "1", ".", 1.0),
        (3, ",", 3.0),
        (2.5, ",", 2.5),
        (10**300, ".", 1e300),
        (True, ".", 1.0),
        (False, ".", 0.0),
    ],
)
def test_a_number_is_read(value: Any, decimal: str, expected: float) -> None:
    assert texts.number(value, decimal) == expected


NO_NUMBERS: list[Any] = [
    *("", "  ", "NaN", "nan", "inf", "-Infinity", "1e999", "0x10", "1_000", "1 000", "1\u00a0000", "1'000", "1,234.5"),
    *("1.234,5", "1.2.3", "1,2,3", "--5", "e3", "5e", ".", ",", "on", "3.14 Pa", "\u0663", "0" * 401, "\0", "1\0"),
    *(None, [], {}, [1], b"1", float("nan"), float("inf"), 10**400, -(10**5000)),
]


@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("value", NO_NUMBERS, ids=texts.shown)
def test_what_is_no_number_is_refused(value: Any, decimal: str) -> None:
    with pytest.raises(BadInput, match=r"^value .+; correct the sender"):
        texts.number(value, decimal)


@pytest.mark.parametrize(("value", "decimal"), [("1,234", "."), ("1.234", ",")])
def test_the_other_mark_is_refused_for_it_may_be_one_of_thousands(value: str, decimal: str) -> None:
    with pytest.raises(BadInput, match="no mark of thousands"):
        texts.number(value, decimal)


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from([".", ","]))
def test_every_double_is_read_as_it_was_written(value: float, decimal: str) -> None:
    assert texts.number(repr(value).replace(".", decimal), decimal) == value
    assert texts.number(f"{value:.3f}".replace(".", decimal), decimal) == float(f"{value:.3f}")


@given(st.none() | st.booleans() | st.integers() | st.floats() | st.text(st.characters(exclude_categories=())))
@example("1" * 200_000)
@example(10**5000)
def test_any_value_is_a_number_or_bad_input_and_can_be_shown(value: Any) -> None:
    texts.shown(value).encode()
    with contextlib.suppress(BadInput):
        texts.number(value)


def test_what_is_shown_is_short() -> None:
    values: list[Any] = ["x" * 10_000, {"k": 1}, list(range(1000)), 10**5000, b"x" * 10_000]
    assert max(len(texts.shown(value)) for value in values) < 60


# ---------------------------------------------------------------- times

AT = 1_795_593_600.25  # 2026-11-25T08:00:00.25Z


@pytest.mark.parametrize(
    ("value", "form", "zone", "expected"),
    [
        ("2026-11-25T08:00:00.25Z", "rfc3339", "", "2026-11-25T08:00:00.25Z"),
        (" 2026-11-25T08:00:00.25Z ", "rfc3339", "", "2026-11-25T08:00:00.25Z"),
        ("not a time", "rfc3339", "", "not a time"),  # judged where it is used
        (AT, "s", "", AT),
        ("1795593600.25", "s", "", AT),
        (1_795_593_600_250, "ms", "", AT),
        ("1795593600250", "ms", "", AT),
        (1_795_593_600_250_000, "us", "", AT),
        (-1, "s", "", -1.0),
        ("25.11.2026 08:00:00.25", "%d.%m.%Y %H:%M:%S.%f", "UTC", AT),
        ("2026-11-25 08:00:00.25", "%Y-%m-%d %H:%M:%S.%f", "Europe/Dublin", AT),
        ("2026-07-25 08:00:00", "%Y-%m-%d %H:%M:%S", "Europe/Dublin", 1_784_962_800.0),  # summer: UTC+1
        ("2026-11-25 09:00:00.25 +0100", "%Y-%m-%d %H:%M:%S.%f %z", "", AT),
        ("11/25/26 08:00 AM", "%m/%d/%y %I:%M %p", "UTC", 1_795_593_600.0),
        ("0001-01-01 00:00", "%Y-%m-%d %H:%M", "Asia/Tokyo", -62_135_596_800.0 - 33_539),  # local mean time then
    ],
)
def test_an_instant_is_read(value: Any, form: str, zone: str, expected: str | float) -> None:
    texts.check_time_form(form, zone)
    assert texts.instant(value, form, zone) == expected


@pytest.mark.parametrize(
    ("value", "form"),
    [
        *((value, "rfc3339") for value in ("", " ", None, True, AT, [1], "2" * 65)),
        *((value, "s") for value in ("", None, True, "soon", "2026-11-25T08:00:00Z", [1], float("nan"), "1,5")),
        *((value, "ms") for value in ("", None, False, {"s": 1}, 10**400)),
        *((value, "%Y-%m-%d %H:%M") for value in ("", None, 20261125, "2026-11-25", "2026-02-30 08:00", "x" * 65)),
        *((value, "%Y-%m-%d %H:%M") for value in ("2026-11-25 08:00:01", "2026-11-25 24:00", "2026-11-25 08:00Z")),
    ],
)
def test_what_is_no_instant_is_refused(value: Any, form: str) -> None:
    with pytest.raises(BadInput, match=r"^time .+: expected .+; correct the sender"):
        texts.instant(value, form, "UTC")


def test_a_decimal_comma_stands_in_times_too() -> None:
    assert texts.instant("1795593600,25", "s", "", ",") == AT


# Ireland's clocks, IANA time zone database: forward on 29 March 2026 at 01:00, back on 25 October 2026 at 02:00.
# Lord Howe Island moves its clocks by half an hour: back on 5 April 2026 at 02:00, forward on 4 October at 02:00.
CHANGES = [
    ("2026-03-29 01:30", "Europe/Dublin", "does not exist, as the clocks are put forward"),
    ("2026-03-29 01:00", "Europe/Dublin", "does not exist, as the clocks are put forward"),
    ("2026-10-25 01:30", "Europe/Dublin", "comes twice, as the clocks are put back"),
    ("2026-10-25 01:00", "Europe/Dublin", "comes twice, as the clocks are put back"),
    ("2026-04-05 01:45", "Australia/Lord_Howe", "comes twice, as the clocks are put back"),
    ("2026-10-04 02:15", "Australia/Lord_Howe", "does not exist, as the clocks are put forward"),
]


@pytest.mark.parametrize(("value", "zone", "why"), CHANGES)
def test_a_local_time_that_a_change_of_the_clocks_skips_or_repeats_is_refused(value: str, zone: str, why: str) -> None:
    with pytest.raises(BadInput, match=why) as caught:
        texts.instant(value, "%Y-%m-%d %H:%M", zone)
    assert "let the sender write UTC or an offset" in str(caught.value)


@pytest.mark.parametrize(
    ("value", "zone", "utc"),
    [
        ("2026-03-29 00:59", "Europe/Dublin", "2026-03-29T00:59+00:00"),
        ("2026-03-29 02:00", "Europe/Dublin", "2026-03-29T01:00+00:00"),
        ("2026-10-25 00:59", "Europe/Dublin", "2026-10-24T23:59+00:00"),
        ("2026-10-25 02:00", "Europe/Dublin", "2026-10-25T02:00+00:00"),
        ("2026-04-05 01:29", "Australia/Lord_Howe", "2026-04-04T14:29+00:00"),
        ("2026-04-05 02:00", "Australia/Lord_Howe", "2026-04-04T15:30+00:00"),
    ],
)
def test_the_times_beside_a_change_are_read(value: str, zone: str, utc: str) -> None:
    assert texts.instant(value, "%Y-%m-%d %H:%M", zone) == datetime.fromisoformat(utc).timestamp()


@pytest.mark.parametrize(
    ("form", "zone", "why"),
    [
        ("s", "UTC", "leave it out"),
        ("rfc3339", "Europe/Dublin", "leave it out"),
        ("%Y-%m-%d %H:%M %z", "UTC", "leave it out"),
        ("%Y-%m-%d %H:%M", "", "expected a time_zone"),
        ("%Y-%m-%d %H:%M %%z", "", "expected a time_zone"),
        ("%Y-%m-%d %H:%M", "Europe/Nowhere", "IANA"),
        ("%Y-%m-%d %H:%M", "Europe", "IANA"),
        ("%Y-%m-%d %H:%M", "../etc/passwd", "IANA"),
        ("%Y-%m-%d %H:%M %Z", "UTC", "never %Z"),
        ("%H:%M:%S", "UTC", "a date and a time"),
        ("%Y-%m-%d", "UTC", "a date and a time"),
        ("%Y-%m-%d %I:%M", "UTC", "a date and a time"),  # morning or afternoon?
        ("%Y-%m-%d %H:%M %", "UTC", "a date and a time"),
        ("%Y-%m-%d %H:%M %Q", "UTC", "a date and a time"),
        ("", "UTC", "a date and a time"),
        ("iso", "UTC", "a date and a time"),
    ],
)
def test_a_form_of_times_that_cannot_be_followed_is_refused_at_once(form: str, zone: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        texts.check_time_form(form, zone)


def test_a_decimal_mark_is_a_point_or_a_comma() -> None:
    texts.check_number_form(",")
    with pytest.raises(ValueError, match="decimal"):
        texts.check_number_form("'")


@given(st.integers(-(2**33) * 1_000_000, 2**33 * 1_000_000))
def test_whole_microseconds_and_milliseconds_come_back_exactly(at_us: int) -> None:
    """A double of seconds is near enough to the microsecond up to 2**33 s, the year 2242."""
    assert parse_unix_s(float(texts.instant(at_us, "us"))) == at_us
    at_ms = at_us // 1000
    assert parse_unix_s(float(texts.instant(at_ms, "ms"))) == at_ms * 1000


@given(st.datetimes(datetime(1950, 1, 1), datetime(2100, 1, 1)), st.sampled_from(["Europe/Dublin", "America/Chicago"]))  # noqa: DTZ001 - local times
def test_a_local_time_is_the_one_instant_that_shows_it_or_refused(local: datetime, zone: str) -> None:
    form = "%Y-%m-%d %H:%M:%S.%f"
    try:
        at = texts.instant(local.strftime(form), form, zone)
    except BadInput:
        instants = {local.replace(tzinfo=ZoneInfo(zone), fold=fold).astimezone(UTC) for fold in (0, 1)}
        shown = [at.astimezone(ZoneInfo(zone)).replace(tzinfo=None) for at in instants]
        assert shown.count(local) != 1
    else:
        assert datetime.fromtimestamp(float(at), ZoneInfo(zone)).replace(tzinfo=None) == local


@given(st.text(max_size=70), st.sampled_from(["rfc3339", "s", "us", "%Y-%m-%d %H:%M", "%d.%m.%y %H:%M %z"]))
def test_any_text_is_an_instant_or_bad_input(text: str, form: str) -> None:
    with contextlib.suppress(BadInput):
        texts.instant(text, form, "Europe/Dublin")

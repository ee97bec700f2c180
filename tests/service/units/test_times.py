"""Instants and durations are read strictly, and written back the same."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.model import BadInput
from service.units.times import (
    DURATION_LONGEST_US,
    EPOCH,
    as_datetime,
    duration,
    iso,
    parse_duration_us,
    parse_rfc3339,
    parse_unix_s,
)

UNHURRIED = settings(deadline=None)  # other work shares the machine

instants = st.integers(-62_135_596_800_000_000, 253_402_300_799_999_999)


def us(*parts: int) -> int:
    return (datetime(*parts, tzinfo=UTC) - EPOCH) // timedelta(microseconds=1)  # type: ignore[misc,arg-type]


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        # RFC 3339 5.8, all of its examples (from memory).
        ("1985-04-12T23:20:50.52Z", us(1985, 4, 12, 23, 20, 50, 520_000)),
        ("1996-12-19T16:39:57-08:00", us(1996, 12, 20, 0, 39, 57)),
        ("1990-12-31T23:59:60Z", us(1990, 12, 31, 23, 59, 59, 999_999)),
        ("1990-12-31T15:59:60-08:00", us(1990, 12, 31, 23, 59, 59, 999_999)),
        ("1937-01-01T12:00:27.87+00:20", us(1937, 1, 1, 11, 40, 27, 870_000)),
        # RFC 3339 5.6: small letters may be accepted. 4.3: -00:00 is UTC with the local offset unknown.
        ("2026-11-25t08:00:00z", us(2026, 11, 25, 8)),
        ("2026-11-25T08:00:00-00:00", us(2026, 11, 25, 8)),
        ("2026-11-25T08:00:00+23:59", us(2026, 11, 24, 8, 1)),
        ("2026-11-25T08:00:00.1Z", us(2026, 11, 25, 8, 0, 0, 100_000)),
        ("2026-11-25T08:00:00.1234569Z", us(2026, 11, 25, 8, 0, 0, 123_456)),  # cut off, not rounded
        ("2026-11-25T08:00:00.999999999Z", us(2026, 11, 25, 8, 0, 0, 999_999)),
        ("2024-02-29T00:00:00Z", us(2024, 2, 29)),
        ("2016-12-31T23:59:60.75z", us(2016, 12, 31, 23, 59, 59, 999_999)),
        ("2015-07-01T01:59:60+02:00", us(2015, 6, 30, 23, 59, 59, 999_999)),
        ("0001-01-01T00:00:00Z", us(1, 1, 1)),
        ("9999-12-31T23:59:59.999999Z", us(9999, 12, 31, 23, 59, 59, 999_999)),
    ],
)
def test_instants_that_are_understood(text: str, instant: int) -> None:
    assert parse_rfc3339(text) == instant


@pytest.mark.parametrize(
    "text",
    [
        "",
        "20190101",  # Python's fromisoformat takes these two
        "2019-W01-1",
        "2019-01-01",
        "2019-01-01 00:00:00Z",
        "2019-01-01T00:00Z",
        "2019-01-01T00:00:00",
        "2019-01-01T00:00:00+0100",
        "2019-01-01T00:00:00+01",
        "2019-01-01T00:00:00+24:00",
        "2019-01-01T00:00:00+01:60",
        "2019-01-01T00:00:00,5Z",
        "2019-01-01T00:00:00.Z",
        "2019-01-01T00:00:00.1234567891Z",
        "2019-02-29T00:00:00Z",
        "2019-13-01T00:00:00Z",
        "2019-01-01T24:00:00Z",
        "2019-01-01T00:00:61Z",
        "2019-03-31T23:59:60Z",  # no leap second can be there
        "2019-12-31T22:59:60Z",
        "2019-12-31T23:59:60-01:00",
        "0000-01-01T00:00:00Z",
        "٢٠١٩-01-01T00:00:00Z",  # digits, but not ASCII
        "2019-01-01T00:00:00Z\n",
        " 2019-01-01T00:00:00Z",
        "-2019-01-01T00:00:00Z",
        "1795593600",
    ],
)
def test_other_texts_are_refused_with_the_expected_form(text: str) -> None:
    with pytest.raises(BadInput, match=r"^time .*expected"):
        parse_rfc3339(text)


def test_a_leap_second_comes_after_the_second_before_and_before_the_second_after() -> None:
    order = ["2016-12-31T23:59:59.5Z", "2016-12-31T23:59:60.5Z", "2017-01-01T00:00:00Z"]
    assert sorted(order, key=parse_rfc3339) == order
    assert len({parse_rfc3339(text) for text in order}) == 3


@UNHURRIED
@given(instants)
def test_an_instant_comes_back_from_its_text(instant: int) -> None:
    text = iso(instant)
    assert text.endswith("Z")
    assert not text.endswith(("0Z", ".Z")) or "." not in text
    assert parse_rfc3339(text) == instant
    assert parse_rfc3339(text.lower()) == instant


@UNHURRIED
@given(
    st.datetimes(datetime(1900, 1, 2), datetime(2100, 1, 1)),  # noqa: DTZ001 - the zone is drawn beside it
    st.integers(-1439, 1439),
)
def test_python_agrees_on_offsets(at: datetime, offset_min: int) -> None:
    aware = at.replace(tzinfo=timezone(timedelta(minutes=offset_min)))
    assert as_datetime(parse_rfc3339(aware.isoformat())) == aware


@UNHURRIED
@given(st.text(max_size=30))
def test_a_text_that_is_not_refused_is_an_instant_within_a_day_of_the_calendar(text: str) -> None:
    try:
        found = parse_rfc3339(text)
    except BadInput:
        return
    assert us(1, 1, 1) - 86_400_000_000 <= found <= us(9999, 12, 31, 23, 59, 59) + 2 * 86_400_000_000


@pytest.mark.parametrize(
    ("instant", "text"),
    [
        (0, "1970-01-01T00:00:00Z"),
        (1, "1970-01-01T00:00:00.000001Z"),
        (500_000, "1970-01-01T00:00:00.5Z"),
        (-1, "1969-12-31T23:59:59.999999Z"),
    ],
)
def test_instants_are_written_with_no_more_digits_than_they_have(instant: int, text: str) -> None:
    assert iso(instant) == text


# ---------------------------------------------------------------- Unix time


@UNHURRIED
@given(st.integers(0, 4_000_000_000_000_000))
def test_unix_seconds_written_to_the_microsecond_give_that_microsecond(instant: int) -> None:
    assert parse_unix_s(float(Fraction(instant, 1_000_000))) == instant


def test_whole_unix_seconds_are_exact() -> None:
    assert parse_unix_s(1_795_593_600) == 1_795_593_600_000_000
    assert parse_unix_s(-1) == -1_000_000


@pytest.mark.parametrize("number", [float("nan"), float("inf"), -1e12, 1e300, True])
def test_numbers_that_are_no_unix_time_are_refused(number: float) -> None:
    with pytest.raises(BadInput, match="expected Unix time in seconds"):
        parse_unix_s(number)


def test_milliseconds_are_refused_by_name() -> None:
    with pytest.raises(BadInput, match="looks like milliseconds"):
        parse_unix_s(1_795_593_600_000)


# ---------------------------------------------------------------- durations

MINUTE_US = 60_000_000


@pytest.mark.parametrize(
    ("text", "expected_us"),
    [
        ("PT15M", 15 * MINUTE_US),
        ("PT4H", 240 * MINUTE_US),
        ("PT0S", 0),
        ("P1D", 1440 * MINUTE_US),
        ("P1DT12H", 2160 * MINUTE_US),
        ("PT1H30M15S", 90 * MINUTE_US + 15_000_000),
        ("PT240M", 240 * MINUTE_US),
        ("PT0.5S", 500_000),
        ("PT0,25S", 250_000),
        ("P0D", 0),
    ],
)
def test_durations_that_are_understood(text: str, expected_us: int) -> None:
    assert parse_duration_us(text) == expected_us


@pytest.mark.parametrize(
    ("text", "remedy"),
    [
        ("P1M", "for minutes write PT1M"),
        ("P10M", "for minutes write PT10M"),
        ("P1Y", "years and months have no fixed length"),
        ("P1Y2M", "years and months have no fixed length"),
        ("P1M2DT3H", "years and months have no fixed length"),
        ("P1W", "write days for weeks"),
        ("P", "after a T"),
        ("PT", "after a T"),
        ("P1DT", "after a T"),
        ("10M", "after a T"),
        ("P4H", "after a T"),
        ("-PT1M", "after a T"),
        ("PT1.5M", "after a T"),
        ("PT-1M", "after a T"),
        ("pt1m", "after a T"),
        ("PT1M1H", "after a T"),
        ("P99999D", "at most P36600D"),
        ("PT1M\n", "after a T"),
    ],
)
def test_other_durations_are_refused_with_the_remedy(text: str, remedy: str) -> None:
    with pytest.raises(BadInput, match=r"^duration .*expected") as refused:
        parse_duration_us(text)
    assert remedy in str(refused.value)


@UNHURRIED
@given(st.integers(0, DURATION_LONGEST_US))
def test_a_duration_comes_back_from_its_text(duration_us: int) -> None:
    assert parse_duration_us(duration(duration_us)) == duration_us


@pytest.mark.parametrize(
    ("duration_us", "text"),
    [(0, "PT0S"), (36 * 60 * MINUTE_US, "PT36H"), (90_000_000, "PT1M30S"), (1_500_000, "PT1.5S"), (1, "PT0.000001S")],
)
def test_durations_are_written_in_hours_minutes_and_seconds(duration_us: int, text: str) -> None:
    assert duration(duration_us) == text

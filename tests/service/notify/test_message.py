"""The words of a notification: complete, short at the top, never rounded onto the limit, never saying "OK"."""

from __future__ import annotations

import json
import os
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.model import Told
from service.notify.advice import ADVICE, NO_DATA, OTHERWISE, SAFETY_LINES, advice_for
from service.notify.message import STEPS, body_json, subject, text
from service.notify.wording import DECIMALS, clip, figures, instant, measured, one_line, rfc3339, span
from tests.service.notify.made import MINUTE_US, TOLD, told, us

GOLDEN = Path(__file__).parents[2] / "golden" / "messages"
HOUR_US = 60 * MINUTE_US

CASES: dict[str, dict[str, Any]] = {
    "raised-dp-high-high": {},
    "escalated-dp": {"step": "escalated"},
    "eased-dp": {"step": "eased", "at_us": us("2026-07-08T11:00:00")},
    "cleared-dp": {"step": "cleared", "at_us": us("2026-07-08T12:30:00"), "unknown_us": 15 * MINUTE_US},
    "closed-dp": {"step": "closed", "note": "limit changed"},
    "raised-dp-low": {"limit": "low", "threshold": 1.0, "extreme": 0.996, "on_delay_us": 4 * HOUR_US},
    "raised-header-low-found-late": {
        "point": "header",
        "quantity": "gauge pressure",
        "limit": "low-low",
        "unit": "psi",
        "threshold": 65.0,
        "extreme": 58.25,
        "stopped_us": 0,
        "from_stored_data": True,
        "recorded_us": us("2026-07-08T16:00:00"),
    },
    "raised-header-high": {
        "point": "header",
        "quantity": "gauge pressure",
        "limit": "high-high",
        "unit": "psi",
        "threshold": 115.0,
        "extreme": 121.8,
    },
    "raised-airflow-low-winter": {
        "point": "airflow",
        "quantity": "airflow",
        "limit": "low-low",
        "unit": "cfm",
        "threshold": 7500.0,
        "extreme": 6812.4,
        "on_delay_us": 0,
        "began_us": us("2026-11-25T08:00:00"),
        "at_us": us("2026-11-25T08:00:00"),
        "recorded_us": us("2026-11-25T08:00:02"),
        "extreme_at_us": us("2026-11-25T08:00:00"),
        "stopped_us": 0,
        "readings": 1,
    },
    "raised-airflow-high": {"point": "airflow", "quantity": "airflow", "unit": "m3/s", "threshold": 5.0, "extreme": 6},
    "raised-temperature-high": {
        "point": "inlet",
        "quantity": "temperature",
        "unit": "degC",
        "threshold": 90.0,
        "extreme": 101.26,
        "unknown_us": 3 * MINUTE_US,
    },
    "no-data": {
        "step": "no-data",
        "collector": "quay/cutting/dc-1",
        "point": "",
        "quantity": "",
        "limit": "no-data",
        "unit": "",
        "threshold": None,
        "on_delay_us": None,
        "extreme": None,
        "extreme_at_us": None,
        "stopped_us": 0,
        "readings": 0,
        "note": "gateway gw-cut-1 said good-bye (last will)",
    },
    "test": {
        "step": "test",
        "point": "",
        "quantity": "",
        "limit": "",
        "unit": "",
        "threshold": None,
        "on_delay_us": None,
        "extreme": None,
        "extreme_at_us": None,
        "began_us": None,
        "stopped_us": 0,
        "readings": 0,
    },
}


@pytest.mark.parametrize("name", CASES)
def test_messages_read_as_they_were_reviewed(name: str) -> None:
    """Set DUSTCAKE_REWRITE_GOLDEN=1 to write the files again, and read the difference."""
    one = told(**CASES[name])
    said = f"Subject: {subject(one)}\n\n{text(one)}"
    path = GOLDEN / f"{name}.txt"
    if os.environ.get("DUSTCAKE_REWRITE_GOLDEN") == "1":
        path.write_text(said, encoding="utf-8")
    assert said == path.read_text(encoding="utf-8")


def test_no_golden_message_is_left_over() -> None:
    assert {path.stem for path in GOLDEN.glob("*.txt")} == set(CASES)


@pytest.mark.parametrize("name", CASES)
def test_every_message_carries_the_safety_lines_within_78_columns(name: str) -> None:
    said = text(told(**CASES[name]))
    assert all(line in " ".join(said.split()) for line in SAFETY_LINES)
    assert max(map(len, said.splitlines())) <= 78
    assert 'Loss of signal is not "OK"' in said


def test_what_alarms_says_what_to_check_and_what_ends_does_not() -> None:
    for step in STEPS:
        assert ("Check first" in text(told(step=step))) == (step in ("raised", "escalated", "eased", "no-data"))


@pytest.mark.parametrize(("quantity", "side"), ADVICE)
def test_both_tiers_of_a_side_have_the_same_advice(quantity: str, side: str) -> None:
    advice = ADVICE[(quantity, side)]
    assert advice.check
    assert advice.caution
    assert advice_for(quantity, side) is advice
    assert advice_for(quantity, f"{side}-{side}") is advice


def test_an_unlisted_quantity_still_has_advice_and_silence_has_its_own() -> None:
    assert advice_for("voltage", "low") is OTHERWISE
    assert advice_for("absolute pressure", "low-low") is ADVICE[("gauge pressure", "low")]
    assert advice_for("airflow", "no-data") is NO_DATA
    assert "not safe" in NO_DATA.caution[0]


def test_no_text_invites_anybody_to_open_or_reach_into_the_machine() -> None:
    """The words may only stand where they forbid it or ask for isolation first (a reading of 29 CFR 1910.147)."""
    guards = ("not ", "never ", "isolate", "lock out", "should be shut", "stuck open")
    for advice in (*ADVICE.values(), NO_DATA, OTHERWISE):
        for line in (*advice.check, *advice.caution):
            if any(word in line.lower() for word in ("open", "reach", "bypass", "override")):
                assert any(guard in line.lower() for guard in guards), line


names = st.text(max_size=120)


@given(site=names, collector=names, point=names, step=st.sampled_from(sorted(STEPS)), late=st.booleans())
def test_a_subject_fits_one_header_line_for_any_names(
    site: str, collector: str, point: str, step: str, late: bool
) -> None:
    line = subject(
        told(site_name=site, collector_name=collector, point=point, step=step, from_stored_data=late, unit=point)
    )
    assert len(f"Subject: {line}") <= 78  # RFC 5322 2.1.1
    assert line.isprintable()
    assert line.startswith(STEPS[step][0])


@pytest.mark.parametrize(
    ("value", "unit", "beside", "said"),
    [
        (6.42, "inH2O", 6.0, "6.42"),
        (6.004, "inH2O", 6.0, "6.004"),  # two decimals would say that it is at its limit
        (6.0, "inH2O", 6.0, "6.00"),
        (1499.4, "Pa", 1499.0, "1499.4"),
        (1494.53, "Pa", None, "1495"),
        (6812.4, "cfm", 7500.0, "6812"),
        (-0.001, "inH2O", None, "0.00"),
        (0.00000001, "inH2O", 0.0, "0.000000"),  # six decimals are enough
        (101.26, "degC", 90.0, "101.3"),
        (12.3456, "furlong", None, "12.35"),
        (1234.5, "furlong", None, "1234"),
        (1.5e300, "Pa", 1.0, "1.5e+300"),
    ],
)
def test_figures_follow_the_unit_and_never_hide_the_difference(
    value: float, unit: str, beside: float | None, said: str
) -> None:
    assert figures(value, unit, beside) == said


def test_units_stand_behind_the_figure_and_a_ratio_has_none() -> None:
    assert measured(6.42, "inH2O") == "6.42 inH2O"
    assert measured(0.5, "1") == "0.50"
    assert measured(3, "count") == "3.00"


@given(
    value=st.floats(-1e6, 1e6), difference=st.floats(1e-5, 10), unit=st.sampled_from([*sorted(DECIMALS), "", "furlong"])
)
def test_two_values_that_differ_visibly_are_never_written_alike(value: float, difference: float, unit: str) -> None:
    assert figures(value, unit, value + difference) != figures(value + difference, unit, value)


@pytest.mark.parametrize(
    ("span_us", "said"),
    [
        (0, "0 s"),
        (-5, "0 s"),
        (45_000_000, "45 s"),
        (10 * MINUTE_US, "10 min"),
        (4 * HOUR_US, "4 h"),
        (90 * MINUTE_US, "1 h 30 min"),
        (24 * HOUR_US + 61_000_000, "1 d"),
        (51 * HOUR_US, "2 d 3 h"),
        (HOUR_US + 5_000_000, "1 h"),
    ],
)
def test_spans_are_told_in_their_two_largest_parts(span_us: int, said: str) -> None:
    assert span(span_us) == said


def test_the_two_readings_of_a_repeated_hour_stay_distinct() -> None:
    """Europe/Dublin leaves summer time on 2026-10-25 at 01:00 UTC (last Sunday of October, Directive 2000/84/EC)."""
    first, second = (
        instant(us("2026-10-25T00:30:00"), "Europe/Dublin"),
        instant(us("2026-10-25T01:30:00"), "Europe/Dublin"),
    )
    assert first == "2026-10-25 01:30:00 (IST, UTC+01:00) = 2026-10-25 00:30:00 UTC"
    assert second == "2026-10-25 01:30:00 (GMT, UTC+00:00) = 2026-10-25 01:30:00 UTC"


def test_a_zone_without_abbreviation_or_unknown_still_says_when() -> None:
    assert instant(0, "America/Sao_Paulo") == "1969-12-31 21:00:00 (UTC-03:00) = 1970-01-01 00:00:00 UTC"
    assert instant(0, "Nowhere/None") == "1970-01-01 00:00:00 UTC"
    assert instant(0, "../etc/passwd") == "1970-01-01 00:00:00 UTC"


def test_clip_and_one_line() -> None:
    assert clip("abcdef", 6) == "abcdef"
    assert clip("abcdefg", 6) == "abc..."
    assert one_line("a\r\nBcc: x\x00\x1b[31m b\u2028c") == "a Bcc: x [31m b c"


# -------------------------------------------------------------------- JSON


@pytest.mark.parametrize("name", CASES)
def test_the_json_is_a_cloudevent_with_the_required_attributes(name: str) -> None:
    """CloudEvents 1.0: id, source, specversion and type are required and not empty; attribute names are a-z and 0-9."""
    one = told(**CASES[name])
    body = json.loads(json.dumps(body_json(one), allow_nan=False))
    assert body["specversion"] == "1.0"
    assert all(
        isinstance(body[key], str) and body[key]
        for key in ("id", "source", "type", "subject", "time")
        if key != "subject"
    )
    assert all(key.isascii() and key.isalnum() and key.islower() and len(key) <= 20 for key in body)
    assert datetime.fromisoformat(body["time"]).timestamp() * 1e6 == pytest.approx(one.at_us)
    assert body["type"] == f"dustcake.alarm.{one.step}"
    assert len(json.dumps(body)) < 64 * 1024  # CloudEvents 1.0 size advice, from memory


def test_source_and_id_tell_the_steps_of_an_alarm_apart_and_repeats_together() -> None:
    def identity(one: Told) -> tuple[str, str]:
        body = body_json(one)
        return body["source"], body["id"]

    assert identity(TOLD) == identity(told(recorded_us=1))
    assert len({identity(told(step=step)) for step in STEPS}) == len(STEPS)
    assert identity(told(collector="quay/a b/dc"))[0] == "/dustcake/quay/a%20b/dc"


def test_what_is_not_known_is_null_and_never_zero() -> None:
    data = body_json(told(**CASES["no-data"]))["data"]
    assert [data[key] for key in ("threshold", "extreme", "extreme_at", "on_delay_s")] == [None] * 4
    assert rfc3339(1) == "1970-01-01T00:00:00.000001Z"

"""Lines of separated values: what a line gives, and that a wrong line or cell takes no neighbour with it."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Sequence
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.decode.csv_line import CsvForm
from service.decode.form import Arrived, Read
from service.model import BadInput, GatewayReading

AT = "2026-11-25T08:00:00Z"
WIDE = ("at", "dp", "-", "airflow")
LONG = ("at", "tag", "value", "unit", "quality")


def read(columns: Sequence[str], payload: str | bytes, **settings: Any) -> Read:
    raw = payload if isinstance(payload, bytes) else payload.encode()
    return CsvForm(columns, **settings).read(Arrived("quay/loggers/gw-1", raw, 0, {"gateway": "gw-1"}))


def good(tag: str, value: float, at: str | float = AT, unit: str = "") -> GatewayReading:
    return GatewayReading(tag, at, unit, value, "good")


@pytest.mark.parametrize(
    ("columns", "payload", "settings", "expected"),
    [
        (WIDE, f"{AT},3.14,x,4000", {}, [good("dp", 3.14), good("airflow", 4000.0)]),
        (WIDE, f"{AT},3.14,x,\n", {}, [good("dp", 3.14)]),  # not measured
        (WIDE, f"{AT},,,", {}, []),
        (WIDE, f'"{AT}", "3.14","a, b", 4000 ', {}, [good("dp", 3.14), good("airflow", 4000.0)]),
        (WIDE, f"\ufeff{AT},1,,\r\n\r\n{AT},2,,\r{AT},3,,\n", {}, [good("dp", v) for v in (1.0, 2.0, 3.0)]),
        (("dp", "airflow"), "3.14,4000", {}, [good("dp", 3.14, ""), good("airflow", 4000.0, "")]),
        (WIDE, f"{AT}\t3,14\tx\t", {"separator": "\t", "decimal": ","}, [good("dp", 3.14)]),
        (WIDE, "1795593600,5;3,14;;", {"separator": ";", "decimal": ",", "time_form": "s"},
         [good("dp", 3.14, 1_795_593_600.5)]),
        (WIDE, "25.11.2026 08:00;3,14;;", {"separator": ";", "decimal": ",", "time_form": "%d.%m.%Y %H:%M",
         "time_zone": "Europe/Dublin"}, [good("dp", 3.14, 1_795_593_600.0)]),
        (WIDE, f"time,dp,remark,flow\n{AT},3.14,,\n", {"header": True}, [good("dp", 3.14)]),
        (WIDE, "time,dp,remark,flow\n", {"header": True}, []),
        (("at", "dp"), "time,dp\n5,1\n", {"header": True, "time_form": "s"}, [good("dp", 1.0, 5.0)]),
        (LONG, f"{AT},dp,3.14,inH2O,good\n{AT},header,90,psi,Good", {},
         [good("dp", 3.14, unit="inH2O"), good("header", 90.0, unit="psi")]),
        (LONG, f"{AT},dp,3.14,,good", {}, [good("dp", 3.14)]),
        (LONG, f"{AT},dp,,inH2O,bad", {}, [GatewayReading("dp", AT, "inH2O", None, "bad")]),
        (LONG, f"{AT},dp,0,inH2O,BAD", {}, [GatewayReading("dp", AT, "inH2O", 0.0, "bad")]),
        (("value", "tag"), "3.14,dp\n2,header", {}, [good("dp", 3.14, ""), good("header", 2.0, "")]),
        (("tag", "-", "value"), "dp,whatever,3.14", {}, [good("dp", 3.14, "")]),
    ],
)  # fmt: skip
def test_lines_are_read(
    columns: Sequence[str], payload: str, settings: dict[str, Any], expected: list[GatewayReading]
) -> None:
    found = read(columns, payload, **settings)
    ((message,), faults) = (found.messages, found.faults)
    assert (message.gateway, message.readings, faults) == ("gw-1", expected, [])


BAD_LINES: dict[str, tuple[Sequence[str], str, str]] = {
    "too few cells": (WIDE, f"{AT},3.14,x", "3 cells"),
    "too many cells": (WIDE, f"{AT},3.14,x,1,2", "5 cells"),
    "another separator": (WIDE, f"{AT};3.14;x;1", "1 cells"),
    "no time": (WIDE, ",3.14,x,1", "time ''"),
    "a quote that is not closed": (WIDE, f'{AT},"3.14,x,1', "paired quotes"),
    "a quote in the middle": (WIDE, f'{AT},"3".14,x,1', "paired quotes"),
    "a cell beyond all measure": (WIDE, f"{AT},3.14,{'x' * 140_000},1", "field larger"),
    "no tag": (LONG, f"{AT},,3.14,inH2O,good", "tag ''"),
    "a tag too long": (LONG, f"{AT},{'t' * 129},3.14,inH2O,good", "tag 'ttt"),
    "a unit too long": (LONG, f"{AT},dp,3.14,{'u' * 33},good", "unit 'uuu"),
    "no value": (LONG, f"{AT},dp,,inH2O,good", "value ''"),
    "a text for a value": (LONG, f"{AT},dp,high,inH2O,good", "value 'high'"),
    "a decimal comma in quotes": (LONG, f'{AT},dp,"3,14",inH2O,good', "decimal mark '.'"),
    "no quality": (LONG, f"{AT},dp,3.14,inH2O,", "quality ''"),
    "another quality": (LONG, f"{AT},dp,3.14,inH2O,uncertain", "expected good or bad"),
    "no time in the long form": (LONG, ",dp,3.14,inH2O,good", "time ''"),
    "a bad reading whose value is no number": (LONG, f"{AT},dp,error,inH2O,bad", "value 'error'"),
}


@pytest.mark.parametrize("name", BAD_LINES)
def test_a_line_that_is_wrong_does_not_take_its_neighbours_with_it(name: str) -> None:
    columns, line, why = BAD_LINES[name]
    fine = f"{AT},1,,\n" if columns == WIDE else f"{AT},dp,1,,good\n"
    found = read(columns, f"{fine}\n{line}\n{fine}")
    assert [item.value for item in found.messages[0].readings] == [1.0, 1.0]
    (fault,) = found.faults
    assert fault.startswith("line 3: ")
    assert why in fault
    assert len(fault) < 400


def test_a_cell_that_is_wrong_does_not_take_the_rest_of_a_wide_line_with_it() -> None:
    found = read(WIDE, f"{AT},NaN,x,4000\n{AT},3.14,x,1 000")
    assert found.messages[0].readings == [good("airflow", 4000.0), good("dp", 3.14)]
    first, second = found.faults
    assert first.startswith("line 1: column 'dp': value 'NaN'")
    assert second.startswith("line 2: column 'airflow': value '1 000'")


def test_an_ambiguous_local_time_spoils_its_line_alone() -> None:
    found = read(
        ("at", "dp"),
        "2026-10-25 00:30,1\n2026-10-25 01:30,2\n2026-10-25 02:30,3",
        time_form="%Y-%m-%d %H:%M",
        time_zone="Europe/Dublin",
    )
    assert [item.value for item in found.messages[0].readings] == [1.0, 3.0]
    assert "line 2: time '2026-10-25 01:30' in Europe/Dublin: it comes twice" in found.faults[0]


@pytest.mark.parametrize(("columns", "second"), [(("dp", "airflow"), "2,3"), (("tag", "value"), "dp,2")])
def test_without_times_a_tag_may_come_only_once(columns: Sequence[str], second: str) -> None:
    first = "1," if columns[0] == "dp" else "dp,1"
    found = read(columns, f"{first}\n{second}")
    assert found.messages[0].readings == [good("dp", 1.0, "")]
    assert found.faults == ["line 2: tag 'dp': comes again without a time; expected a column at; send one"]


@pytest.mark.parametrize("first", [f"{AT},1,,", "--:--,740,x,21.5", f"{AT},ERR,x,ERR", "time,dp,remark,1e3"])
def test_a_first_line_of_readings_is_not_passed_over_as_the_header(first: str) -> None:
    found = read(WIDE, f"{first}\n{AT},2,,", header=True)
    assert [item.value for item in found.messages[0].readings] == [2.0]
    (fault,) = found.faults
    assert fault.startswith("line 1: ")
    assert "where the header is expected" in fault


def test_a_header_may_call_the_columns_otherwise_but_not_have_them_elsewhere() -> None:
    columns = ("at", "4001", "-", "4003")
    assert read(columns, f"when,4001,bemerkung,flow\n{AT},1,x,2", header=True).faults == []
    with pytest.raises(BadInput, match="'4003' where the source has the column '4001'"):
        read(columns, f"at,4003,4001,x\n{AT},1,2,3", header=True)


def test_a_header_of_another_number_of_columns_is_a_fault() -> None:
    found = read(WIDE, f"time,dp,flow\n{AT},2,,", header=True)
    assert [item.value for item in found.messages[0].readings] == [2.0]
    assert found.faults[0].startswith("line 1: 3 cells")


@pytest.mark.parametrize("payload", [b"", b"\n\r\n \n", b"\xef\xbb\xbf", b"\xff\xfe1", "1,2".encode("utf-16")])
def test_what_has_no_line_in_utf_8_is_refused(payload: bytes) -> None:
    with pytest.raises(BadInput, match=r"expected .+; correct the sender"):
        read(("dp", "airflow"), payload)


@pytest.mark.parametrize(
    ("columns", "payload"),
    [(("at", "tag", "value"), f"{AT},dp,1\n" * 100_001), (("at", "a", "b"), f"{AT},1,2\n" * 50_001),
     (("at", "tag", "value"), ",,\n" * 100_002)],
    ids=["long", "wide", "wrong lines"],
)  # fmt: skip
def test_more_than_the_most_readings_are_refused_as_a_whole(columns: Sequence[str], payload: str) -> None:
    with pytest.raises(BadInput, match="at most 100000"):
        read(columns, payload)


@pytest.mark.parametrize(
    ("columns", "settings", "why"),
    [
        ((), {}, "expected at and tags"),
        (("at",), {}, "expected at and tags"),
        (("-", "-"), {}, "expected at and tags"),
        (("at", "tag"), {}, "expected tag and value"),
        (("at", "value"), {}, "expected tag and value"),
        (("at", "tag", "value", "dp"), {}, "expected tag and value"),
        (("at", "dp", "unit"), {}, "expected at and tags"),
        (("at", "dp", "quality"), {}, "expected at and tags"),
        (("at", "dp", "dp"), {}, "each name once"),
        (("at", ""), {}, "1 to 128"),
        (("at", "t" * 129), {}, "1 to 128"),
        (WIDE, {"separator": ""}, "separator"),
        (WIDE, {"separator": ";;"}, "separator"),
        (WIDE, {"separator": '"'}, "separator"),
        (WIDE, {"separator": " "}, "separator"),
        (WIDE, {"separator": "\n"}, "separator"),
        (WIDE, {"decimal": ","}, "separator"),
        (WIDE, {"decimal": "'"}, "decimal"),
        (WIDE, {"time_form": "%H:%M", "time_zone": "UTC"}, "time_form"),
        (WIDE, {"time_form": "%Y-%m-%d %H:%M"}, "time_zone"),
    ],
)
def test_settings_that_cannot_be_followed_are_refused_at_once(
    columns: Sequence[str], settings: dict[str, Any], why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        CsvForm(columns, **settings)


def test_the_gateway_comes_from_the_part_that_the_settings_name() -> None:
    form = CsvForm(("dp",), gateway_part="device")
    assert form.read(Arrived("t", b"1", 0, {"device": "d-7"})).messages[0].gateway == "d-7"
    with pytest.raises(BadInput, match="'device'"):
        form.read(Arrived("t", b"1", 0, {"device": "d" * 129}))


def test_many_wrong_lines_take_a_bounded_time() -> None:
    started_s = time.process_time()
    assert len(read(WIDE, '"\n' * 100_000).faults) == 100_000
    assert time.process_time() - started_s < 10.0


CELLS = st.sampled_from([AT, "3.14", "1e999", '"', '""', "", " ", "-", "dp", "good", "bad", "\0", "\u2028", "\x1c"])


@given(
    st.sampled_from([WIDE, LONG, ("dp",), ("tag", "value")]),
    st.lists(st.lists(CELLS | st.text(max_size=5), max_size=6).map(",".join), max_size=5).map("\n".join),
    st.booleans(),
)
@example(("dp",), '""', False)
@example(("dp",), "\0", False)
def test_any_lines_are_read_or_bad_input(columns: Sequence[str], text: str, header: bool) -> None:
    with contextlib.suppress(BadInput):
        found = read(columns, text, header=header)
        for reading in found.messages[0].readings:
            assert 1 <= len(reading.tag) <= 128
            assert (reading.quality == "bad") if reading.value is None else math.isfinite(reading.value)
            assert reading.at or "at" not in columns
        assert all(fault.startswith("line ") for fault in found.faults)

"""What every payload form must do, whatever it looks like: one row of the table is one form.

A row's encoder is the simulated plant's and knows nothing of the service, so an error in one of the two shows.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import simulators.forms.csv_line
import simulators.forms.mapped
import simulators.forms.native
import simulators.forms.plain
import simulators.forms.senml
import simulators.forms.sparkplug
from service.decode.csv_line import CsvForm
from service.decode.form import READINGS_MOST, TEXT_MOST, Arrived, Form, Read, Template
from service.decode.mapped import MappedForm, Mapping
from service.decode.native_source import NativeForm
from service.decode.plain import PlainForm
from service.decode.senml import SenmlForm
from service.decode.sparkplug import SparkplugForm
from service.model import BadInput, GatewayMessage
from service.units.times import parse_rfc3339, parse_unix_s

Reading = tuple[str, int, float | None, str]  # tag, microseconds UTC, value, unit
Encode = Callable[[str, str, int, Sequence[Reading]], list[tuple[str, bytes]]]
Said = tuple[str, str, int | None, float | None, str, str]  # gateway, tag, microseconds UTC, value, quality, unit

CPU_MOST_S = 20.0  # of the longest messages: some ten times what they take, and far from what a blow-up takes


@dataclass(frozen=True)
class Row:
    """One form with an example setting, the encoder that writes for it, and what the form has no room for."""

    name: str
    form: Callable[[], Form]
    encode: Callable[[str], Encode]  # a new encoder of one gateway, for those that have state
    template: str
    has_times: bool = True
    has_bad: bool = True  # can say that there is no measurement
    is_text: bool = True  # in UTF-8
    is_judged_later: bool = False  # passes on good readings without a finite number, to be refused one by one


EXAMPLE_MAPPING = Mapping(
    items="points",
    tag="signal.name",
    value="reading",
    unit="signal.unit",
    at="t",
    gateway="sender.id",
    boot="sender.start",
    seq="count",
    decimal=",",
    time_form="ms",
)
EXAMPLE_COLUMNS = ("at", "tag", "value", "unit", "quality")


def example_csv() -> CsvForm:
    return CsvForm(
        EXAMPLE_COLUMNS, separator=";", decimal=",", time_form="%d.%m.%Y %H:%M:%S.%f", time_zone="UTC", header=True
    )


ROWS = [
    Row(
        "native",
        NativeForm,
        lambda _: simulators.forms.native.encode,
        simulators.forms.native.TOPIC,
        is_judged_later=True,
    ),
    Row(
        "mapped",
        lambda: MappedForm(EXAMPLE_MAPPING),
        lambda _: simulators.forms.mapped.encode,
        simulators.forms.mapped.TOPIC,
    ),
    Row("plain", PlainForm, lambda _: simulators.forms.plain.encode, simulators.forms.plain.TOPIC, has_times=False),
    Row("csv", example_csv, lambda _: simulators.forms.csv_line.encode, simulators.forms.csv_line.TOPIC),
    Row(
        "senml json",
        lambda: SenmlForm("json"),
        lambda _: simulators.forms.senml.encode_json,
        simulators.forms.senml.TOPIC,
        has_bad=False,
    ),
    Row(
        "senml cbor",
        lambda: SenmlForm("cbor"),
        lambda _: simulators.forms.senml.encode_cbor,
        simulators.forms.senml.TOPIC,
        has_bad=False,
        is_text=False,
    ),
    Row(
        "sparkplug",
        SparkplugForm,
        lambda gateway: simulators.forms.sparkplug.Encoder("quay", gateway).encode,
        "spBv1.0/{rest...}",
        is_text=False,
    ),
]
EACH_ROW = pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name.replace(" ", "-"))

GATEWAY, BOOT = "gw-cut-1", "b41f"
DAY_US = 1_795_564_800_000_000  # 2026-11-25T00:00:00Z
UNITS = {"dp": "inH2O", "header": "psi", "airflow": "cfm"}
VALUES = (3.14, -0.25, 5e-324, 1.7976931348623157e308, 0.0, -273.15, 1e-7, 123456789.125, 0.1 + 0.2, 4000.0)


def example_day() -> list[list[Reading]]:
    """Three tags at forty instants, some 36 minutes and odd milliseconds apart; one value is not there."""
    day: list[list[Reading]] = []
    for turn in range(40):
        at_us = DAY_US + turn * 2_159_137_000
        places = enumerate(UNITS.items())
        day.append([(tag, at_us, VALUES[(turn * 3 + place) % len(VALUES)], unit) for place, (tag, unit) in places])
    day[17][1] = ("header", day[17][1][1], None, "psi")
    return day


DAY = example_day()


@dataclass
class Told:
    """What a form has said of some messages."""

    said: list[Said] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def arrived(row: Row, topic: str, payload: bytes, *, is_again: bool = False) -> Arrived:
    parts = Template(row.template).parts(topic)
    assert parts is not None, topic
    return Arrived(topic, payload, DAY_US, parts, is_again)


def said_by(messages: Sequence[GatewayMessage]) -> list[Said]:
    found: list[Said] = []
    for message in messages:
        for reading in message.readings:
            at = reading.at
            at_us = None if at == "" else parse_rfc3339(at) if isinstance(at, str) else parse_unix_s(at)
            found.append((message.gateway, reading.tag, at_us, reading.value, reading.quality, reading.unit))
    return found


def tell(row: Row, form: Form, messages: Sequence[tuple[str, bytes]], *, is_again: bool = False) -> Told:
    """What the form says of messages in their order; a message that is refused is a fault."""
    told = Told()
    for topic, payload in messages:
        try:
            read = form.read(arrived(row, topic, payload, is_again=is_again))
        except BadInput as error:
            told.faults.append(str(error))
            continue
        told.said += said_by(read.messages + read.waited)
        told.faults += read.faults + [rejected.reason for rejected in read.rejected]
    return told


def encoded(encode: Encode, day: Sequence[Sequence[Reading]]) -> list[tuple[str, bytes]]:
    return [message for seq, readings in enumerate(day) for message in encode(GATEWAY, BOOT, seq, readings)]


def by_tag(said: Sequence[Said]) -> list[Said]:
    """A message's readings are in any order; those of one tag stay in the order that they have."""
    return sorted(said, key=lambda each: each[:2])


def expected(row: Row, day: Sequence[Sequence[Reading]]) -> list[Said]:
    """The readings as a form must give them back. A bad reading of a plain value has no unit either."""
    found: list[Said] = []
    for tag, at_us, value, unit in (reading for readings in day for reading in readings):
        if value is not None:
            found.append((GATEWAY, tag, at_us if row.has_times else None, value, "good", unit))
        elif row.has_bad:
            found.append((GATEWAY, tag, at_us if row.has_times else None, None, "bad", unit if row.has_times else ""))
    return found


def sound(row: Row, form: Form, topic: str, payload: bytes) -> None:
    """Whatever comes, the answer is BadInput, or a Read of which all can be used and written down."""
    try:
        read = form.read(arrived(row, topic, payload))
    except BadInput as error:
        check_texts([str(error)])
        return
    check_texts(read.faults)
    for message in read.messages + read.waited:
        check_name(message.gateway)
        assert len(message.readings) <= READINGS_MOST
        for reading in message.readings:
            check_name(reading.tag)
            reading.unit.encode()
            assert reading.quality in ("good", "bad")
            assert isinstance(reading.at, str | float)
            if not row.is_judged_later:
                assert (reading.quality == "bad") if reading.value is None else math.isfinite(reading.value)


def check_texts(texts: Sequence[str]) -> None:
    for text in texts:
        text.encode()
        assert 0 < len(text) < 1000


def check_name(name: str) -> None:
    name.encode()
    assert 1 <= len(name) <= TEXT_MOST


def sample(row: Row) -> tuple[str, bytes]:
    return encoded(row.encode(GATEWAY), DAY[:1])[-1]


# ---------------------------------------------------------------- what is sent is what is read


@EACH_ROW
def test_a_day_is_read_as_it_was_measured(row: Row) -> None:
    told = tell(row, row.form(), encoded(row.encode(GATEWAY), DAY))
    assert told.faults == []
    assert by_tag(told.said) == by_tag(expected(row, DAY))


@EACH_ROW
def test_a_retried_message_reads_the_same_and_disturbs_nothing(row: Row) -> None:
    messages, form = encoded(row.encode(GATEWAY), DAY), row.form()
    half = len(messages) // 2
    first = tell(row, form, messages[:half])
    form.changed()
    again = tell(row, form, messages[:half], is_again=True)
    assert again.said == first.said
    assert form.changed() == {}
    rest = tell(row, form, messages[half:])
    assert by_tag(first.said + rest.said) == by_tag(expected(row, DAY))
    assert first.faults + rest.faults == []


@EACH_ROW
def test_a_form_goes_on_where_its_saved_memory_ends(row: Row) -> None:
    messages = encoded(row.encode(GATEWAY), DAY)
    half, saved = len(messages) // 2, dict[str, bytes]()
    before = row.form()
    first = tell(row, before, messages[:half])
    saved |= before.changed()
    after = row.form()
    after.load(saved)
    rest = tell(row, after, messages[half:])
    assert by_tag(first.said + rest.said) == by_tag(expected(row, DAY))


@EACH_ROW
def test_nothing_falls_due_when_all_has_come(row: Row) -> None:
    form = row.form()
    tell(row, form, encoded(row.encode(GATEWAY), DAY))
    assert form.due(DAY_US * 2) == Read()


# ---------------------------------------------------------------- what cannot be used


@EACH_ROW
def test_a_tag_that_is_too_long_is_a_fault_and_takes_no_neighbour_with_it(row: Row) -> None:
    readings: list[Reading] = [("dp", DAY_US, 3.14, "inH2O"), ("t" * 129, DAY_US, 2.0, "psi")]
    told = tell(row, row.form(), row.encode(GATEWAY)(GATEWAY, BOOT, 0, readings))
    assert told.said == expected(row, [readings[:1]])
    assert len(told.faults) == 1
    check_texts(told.faults)


@EACH_ROW
def test_a_tag_of_the_longest_length_is_taken(row: Row) -> None:
    readings: list[Reading] = [("t" * TEXT_MOST, DAY_US, 2.0, "psi")]
    told = tell(row, row.form(), row.encode(GATEWAY)(GATEWAY, BOOT, 0, readings))
    assert (told.said, told.faults) == (expected(row, [readings]), [])


@EACH_ROW
def test_a_gateway_whose_name_is_too_long_is_refused(row: Row) -> None:
    told = tell(row, row.form(), row.encode("g" * 129)("g" * 129, BOOT, 0, DAY[0]))
    assert told.said == []
    assert told.faults
    check_texts(told.faults)


DEEP = {
    "opened deeply": b"[" * 200_000,
    "nested deeply": b"[" * 100_000 + b"]" * 100_000,
    "objects nested deeply": b'{"points":' * 20_000 + b"1" + b"}" * 20_000,
    "nested a little too deeply": b"[" * 400 + b"]" * 400,
}
NOT_UTF_8 = {
    "a byte that begins nothing": b"3.14\xff",
    "a sequence cut short": b"3.14 inH\xe2\x82",
    "UTF-16": "3.14 inH2O".encode("utf-16"),
    "a surrogate": b"\xed\xa0\x80",
}
LONG = {
    "digits": b"9" * 200_000,
    "spaces": b" " * 200_000,
    "line ends": b"\n" * 200_000,
    "commas": b"," * 200_000,
    "short lines": b"a;b\n" * 50_000,
    "quotes": b'"' * 200_000,
    "zeros": b"\0" * 200_000,
    "ones": b"\xff" * 200_000,
    "arrays in CBOR": b"\x81" * 200_000,
    "empty objects": b'{"points":[' + b"{}," * 65_000 + b"{}]}",
    "escapes": b'"' + b"\\u00e9" * 33_000 + b'"',
    "groups": b"\x0b" * 200_000,
}


@EACH_ROW
@pytest.mark.parametrize("name", DEEP)
def test_what_is_nested_deeply_is_refused(row: Row, name: str) -> None:
    topic, _ = sample(row)
    if row.is_text and row.name != "csv":  # a line of brackets is one cell too few there
        with pytest.raises(BadInput):
            row.form().read(arrived(row, topic, DEEP[name]))
    sound(row, row.form(), topic, DEEP[name])


@pytest.mark.parametrize("row", [row for row in ROWS if row.is_text], ids=lambda row: row.name.replace(" ", "-"))
@pytest.mark.parametrize("name", NOT_UTF_8)
def test_what_is_not_utf_8_is_refused(row: Row, name: str) -> None:
    with pytest.raises(BadInput):
        row.form().read(arrived(row, sample(row)[0], NOT_UTF_8[name]))


@EACH_ROW
def test_an_empty_payload_is_refused(row: Row) -> None:
    with pytest.raises(BadInput):
        row.form().read(arrived(row, sample(row)[0], b""))


# ---------------------------------------------------------------- bounded time


@EACH_ROW
@pytest.mark.parametrize("name", LONG)
def test_long_junk_takes_a_bounded_time(row: Row, name: str) -> None:
    topic, form = sample(row)[0], row.form()
    started_s = time.process_time()
    sound(row, form, topic, LONG[name])
    assert time.process_time() - started_s < CPU_MOST_S / 4


def many(count: int) -> list[Reading]:
    tags = tuple(UNITS.items())
    return [(tags[turn % 3][0], DAY_US + turn * 1000, turn / 8, tags[turn % 3][1]) for turn in range(count)]


@EACH_ROW
def test_the_most_readings_take_a_bounded_time(row: Row) -> None:
    messages, form = row.encode(GATEWAY)(GATEWAY, BOOT, 0, many(READINGS_MOST)), row.form()
    started_s = time.process_time()
    told = tell(row, form, messages)
    assert time.process_time() - started_s < CPU_MOST_S
    assert (len(told.said), told.faults) == (READINGS_MOST, [])


@pytest.mark.parametrize(
    "row", [row for row in ROWS if row.name != "plain"], ids=lambda row: row.name.replace(" ", "-")
)
def test_more_than_the_most_readings_are_refused_in_one_message(row: Row) -> None:
    """All are in one message, but for what a birth brings with the names."""
    readings = many(READINGS_MOST + 1 + len(UNITS))
    told = tell(row, row.form(), row.encode(GATEWAY)(GATEWAY, BOOT, 0, readings))
    assert len(told.said) <= len(UNITS)
    check_texts(told.faults)
    assert len(told.faults) == 1


# ---------------------------------------------------------------- whatever arrives


@EACH_ROW
@settings(max_examples=200)
@given(payload=st.binary(max_size=200))
@example(payload=b"\xef\xbb\xbf")
@example(payload=b"NaN")
@example(payload=b'"\\ud800"')
@example(payload=b"null")
def test_any_bytes_are_read_or_bad_input(row: Row, payload: bytes) -> None:
    sound(row, row.form(), sample(row)[0], payload)


@EACH_ROW
@settings(max_examples=200)
@given(place=st.floats(0, 1), put=st.binary(max_size=6) | st.sampled_from([b"NaN", b"1e999", b"null", b"\\ud800"]),
       taken=st.integers(0, 8))  # fmt: skip
def test_a_message_damaged_anywhere_is_read_or_bad_input(row: Row, place: float, put: bytes, taken: int) -> None:
    topic, whole = sample(row)
    at = int(place * len(whole))
    sound(row, row.form(), topic, whole[:at] + put + whole[at + taken :])

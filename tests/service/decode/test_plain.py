"""One value per topic: which texts are a value, and which are refused."""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.decode.form import Arrived
from service.decode.plain import PlainForm
from service.model import BadInput, GatewayMessage, GatewayReading


def arrived(payload: bytes, **parts: str) -> Arrived:
    return Arrived("quay/values/gw-1/dp", payload, 0, {"gateway": "gw-1", "tag": "dp"} | parts)


@pytest.mark.parametrize(
    ("payload", "decimal", "value", "unit"),
    [
        ("3.14", ".", 3.14, ""),
        ("3,14", ",", 3.14, ""),
        (" -3.14\r\n", ".", -3.14, ""),
        ("1e3", ".", 1000.0, ""),
        ("7", ",", 7.0, ""),
        ("3.14 inH2O", ".", 3.14, "inH2O"),
        ("3.14  inH2O\n", ".", 3.14, "inH2O"),
        ("21,5 °C", ",", 21.5, "°C"),
        ("50 %", ".", 50.0, "%"),
        ("true", ".", 1.0, ""),
        ("False", ".", 0.0, ""),
        ("on", ".", 1.0, ""),
        ("ON", ",", 1.0, ""),
        ("Off", ".", 0.0, ""),
    ],
)
def test_a_value_is_read_with_its_unit_at_the_arrival(payload: str, decimal: str, value: float, unit: str) -> None:
    read = PlainForm(decimal=decimal).read(arrived(payload.encode()))
    assert read.messages == [GatewayMessage("gw-1", [GatewayReading("dp", "", unit, value, "good")])]
    assert read.faults == []


def test_null_is_a_bad_reading() -> None:
    read = PlainForm().read(arrived(b"null"))
    assert read.messages == [GatewayMessage("gw-1", [GatewayReading("dp", "", "", None, "bad")])]


BAD_PAYLOADS = {
    "nothing": b"",
    "blank": b" \n",
    "thousands set off by a space": b"1 234",
    "thousands set off by a narrow space": "1\u202f234".encode(),
    "thousands set off by a space, with decimals": b"12 345.6",
    "thousands set off by a comma": b"1,234",
    "two numbers": b"3.14 -2",
    "three parts": b"3.14 in H2O",
    "a unit alone": b"inH2O",
    "a unit before": b"inH2O 3.14",
    "a unit without a space": b"3.14inH2O",
    "a word with a unit": b"on inH2O",
    "null with a unit": b"null inH2O",
    "a unit too long": b"3.14 " + b"u" * 33,
    "not a number": b"NaN",
    "infinity": b"-inf",
    "hexadecimal": b"0x1F",
    "a quoted number": b'"3.14"',
    "an object": b'{"value":3.14}',
    "a list": b"[3.14]",
    "not UTF-8": b"3.14 \xb0C",
    "UTF-16": "3.14".encode("utf-16"),
    "byte order mark": b"\xef\xbb\xbf3.14",
    "very many digits": b"9" * 401,
    "very long": b"9" * 200_000,
    "very long blanks": b" " * 200_000 + b"1",
}


@pytest.mark.parametrize("name", BAD_PAYLOADS)
def test_what_is_no_value_is_refused_with_what_was_expected(name: str) -> None:
    with pytest.raises(BadInput, match="expected") as caught:
        PlainForm().read(arrived(BAD_PAYLOADS[name]))
    assert len(str(caught.value)) < 400


def test_tag_and_gateway_come_from_the_parts_that_the_settings_name() -> None:
    form = PlainForm(tag_part="signal", gateway_part="device")
    read = form.read(Arrived("t", b"1", 0, {"signal": "fan/amps", "device": "d-7"}))
    assert read.messages == [GatewayMessage("d-7", [GatewayReading("fan/amps", "", "", 1.0, "good")])]
    with pytest.raises(BadInput, match="'signal'"):
        form.read(Arrived("t", b"1", 0, {"device": "d-7"}))


@pytest.mark.parametrize("part", ["tag", "gateway"])
def test_a_name_that_is_too_long_is_refused(part: str) -> None:
    with pytest.raises(BadInput, match=f"'{part}'"):
        PlainForm().read(arrived(b"1", **{part: "n" * 129}))


def test_a_decimal_mark_that_is_none_is_refused_at_once() -> None:
    with pytest.raises(ValueError, match="decimal"):
        PlainForm(decimal=";")


@given(st.binary(max_size=40) | st.text(max_size=20).map(lambda text: text.encode()))
@example("1 \u2028".encode())
@example("\u0130".encode())
def test_any_bytes_are_one_usable_reading_or_bad_input(payload: bytes) -> None:
    with contextlib.suppress(BadInput):
        ((message,), (reading,)) = (read := PlainForm().read(arrived(payload))).messages, read.messages[0].readings
        assert message.gateway == "gw-1"
        assert (reading.quality == "bad") if reading.value is None else math.isfinite(reading.value)
        assert len(reading.unit) <= 32

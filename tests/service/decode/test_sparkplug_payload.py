"""Sparkplug payloads: against bytes written by hand from the published field numbers, and an independent library."""

from __future__ import annotations

import struct
from typing import Any

import pysparkplug
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.decode import sparkplug_payload
from service.decode.sparkplug_payload import Metric, Payload, death_of, decoded, number, rebirth
from service.model import BadInput

AT_MS = 1_795_593_600_123  # 2026-11-25T08:00:00.123Z
DATATYPE = pysparkplug.DataType


def varint(number: int) -> bytes:
    """As in the protobuf encoding guide: seven bits at a time, the lowest first."""
    head = b""
    while number > 127:
        head += bytes([number & 127 | 128])
        number >>= 7
    return head + bytes([number])


def field(number: int, value: int | bytes | float) -> bytes:
    """A field of wire type 0 (whole number), 2 (bytes) or 1 (double)."""
    if isinstance(value, int):
        return varint(number << 3) + varint(value)
    if isinstance(value, float):
        return varint(number << 3 | 1) + struct.pack("<d", value)
    return varint(number << 3 | 2) + varint(len(value)) + value


def float32(number: int, value: float) -> bytes:
    return varint(number << 3 | 5) + struct.pack("<f", value)


def properties(**values: bytes) -> bytes:
    keys = b"".join(field(1, key.encode()) for key in values)
    return field(9, keys + b"".join(field(2, value) for value in values.values()))


def one(*parts: bytes) -> Metric:
    (metric,) = decoded(field(2, b"".join(parts))).metrics
    return metric


def test_the_published_field_numbers_are_read() -> None:
    """Sparkplug 3.0.0, chapter 6, "Google Protocol Buffer Schema"."""
    unit, quality = field(1, 12) + field(8, b"inH2O"), field(1, 3) + field(3, 500)
    metric = (
        field(1, b"dp") + field(2, 7) + field(3, AT_MS) + field(4, 10) + field(5, 1) + field(6, 1) + field(7, 1)
        + properties(engUnit=unit, Quality=quality) + field(13, 3.14)
    )  # fmt: skip
    assert decoded(field(1, AT_MS + 1) + field(2, metric) + field(3, 255)) == Payload(
        AT_MS + 1,
        255,
        [Metric("dp", 7, AT_MS, 10, "double_value", 3.14, True, True, False, "inH2O", True)],
    )


def test_what_is_left_out_is_not_taken_for_zero() -> None:
    assert decoded(b"") == Payload(None, None, [])
    assert one() == Metric("", None, None, 0, "", None, False, False, True, "")


VALUES: list[tuple[str, int, bytes, float | None]] = [  # name, data type, the value's field, what is read
    ("Int8, its own bits", 1, field(10, 0xD6), -42.0),
    ("Int8, extended to the field", 1, field(10, 0xFFFFFFD6), -42.0),
    ("Int8, the least", 1, field(10, 0x80), -128.0),
    ("Int8, too many bits", 1, field(10, 0x100), None),
    ("Int8, too small", 1, field(10, 0xFFFFFF7F), None),
    ("Int16", 2, field(10, 0x8000), -32768.0),
    ("Int16, positive", 2, field(10, 0x7FFF), 32767.0),
    ("Int32", 3, field(10, 0xFFFFFFFF), -1.0),
    ("Int32 in the long field", 3, field(11, 2**64 - 1), -1.0),
    ("Int32, too large for it", 3, field(11, 2**32), None),
    ("Int64", 4, field(11, 2**64 - 1), -1.0),
    ("Int64 in the short field", 4, field(10, 5), 5.0),
    ("UInt8", 5, field(10, 255), 255.0),
    ("UInt8, too large", 5, field(10, 256), None),
    ("UInt16", 6, field(10, 65535), 65535.0),
    ("UInt32", 7, field(10, 2**32 - 1), 4294967295.0),
    ("UInt32 in the long field", 7, field(11, 2**32 - 1), 4294967295.0),
    ("UInt64", 8, field(11, 2**64 - 1), 18446744073709551615.0),
    ("Float", 9, float32(12, 0.5), 0.5),
    ("Float, as it was sent", 9, float32(12, 5.8), 5.800000190734863),
    ("Float, not a number", 9, float32(12, float("nan")), None),
    ("Double", 10, field(13, 3.14), 3.14),
    ("Double in the field of Float", 10, float32(12, 0.25), 0.25),
    ("Double, infinite", 10, field(13, float("-inf")), None),
    ("Boolean, true", 11, field(14, 1), 1.0),
    ("Boolean, false", 11, field(14, 0), 0.0),
    ("Boolean as a number", 11, field(10, 1), None),
    ("Double as a text", 10, field(15, b"3.14"), None),
    ("Double as a whole number", 10, field(10, 3), None),
    ("Int32 as a double", 3, field(13, 3.0), None),
    ("no value", 10, b"", None),
    ("DateTime", 13, field(11, AT_MS), None),
    ("unknown", 0, field(11, 1), None),
]


@pytest.mark.parametrize(("name", "datatype", "value", "expected"), VALUES, ids=[row[0] for row in VALUES])
def test_a_value_is_read_by_its_data_type(name: str, datatype: int, value: bytes, expected: float | None) -> None:
    """Sparkplug 3.0.0, chapter 6, "Datatype Details"; signed integers as two's complement in unsigned fields."""
    assert number(one(value), datatype) == expected, name


@pytest.mark.parametrize(
    ("said", "is_good"),
    [
        (properties(Quality=field(1, 3) + field(3, 192)), True),
        (properties(Quality=field(1, 4) + field(4, 192)), True),
        (properties(Quality=field(1, 3) + field(3, 0)), False),
        (properties(Quality=field(1, 3) + field(3, 500)), False),
        (properties(Quality=field(1, 3) + field(3, 193)), False),  # no code of the specification
        (properties(Quality=field(1, 12) + field(8, b"GOOD")), False),
        (properties(Quality=field(1, 3) + field(2, 1)), False),
        (properties(quality=field(1, 3) + field(3, 0)), True),  # another property: keys are case-sensitive
        (field(9, field(1, b"a") + field(1, b"Quality") + field(2, field(3, 192))), False),  # keys without values
        (b"", True),
    ],
)
def test_only_192_is_good_and_no_quality_is_good(said: bytes, is_good: bool) -> None:
    """Sparkplug 3.0.0, chapter 6, "Quality Codes": 0 BAD, 192 GOOD, 500 STALE, required when it is not GOOD."""
    assert one(said).is_good is is_good


UNREADABLE = {
    "JSON": b'{"gateway":"g","readings":[]}',
    "cut short": field(1, AT_MS)[:-1],
    "metrics no message": field(2, b"\xff"),
    "name not UTF-8": field(2, field(1, b"\xff")),
    "unit not UTF-8": field(2, properties(engUnit=field(8, b"\xed\xa0\x80"))),
    "seq beyond 255": field(3, 256),
    "a body in place of metrics": field(4, b"a scheme of one's own") + field(5, b"\x1f\x8b"),
    "groups opened deeply": b"\x53" * 10_000,
}


@pytest.mark.parametrize("name", UNREADABLE)
def test_what_is_no_payload_is_refused_with_what_was_expected_and_the_remedy(name: str) -> None:
    with pytest.raises(BadInput, match=r"expected .+; ") as caught:
        decoded(UNREADABLE[name])
    assert len(str(caught.value)) < 400


def test_more_metrics_than_a_message_may_have_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sparkplug_payload, "READINGS_MOST", 3)
    assert len(decoded(field(2, b"") * 3).metrics) == 3
    with pytest.raises(BadInput, match="payload of 4 metrics: expected at most 3"):
        decoded(field(2, b"") * 4)


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        (field(1, b"bdSeq") + field(4, 4) + field(11, 255), 255),
        (field(1, b"bdSeq") + field(4, 8) + field(10, 3), 3),
        (field(1, b"bdSeq") + field(7, 1), None),
        (field(1, b"bdSeq") + field(15, b"3"), None),
        (field(1, b"bdseq") + field(11, 3), None),
    ],
)
def test_the_death_sequence_number_is_found_by_its_name(said: bytes, expected: int | None) -> None:
    assert death_of(decoded(field(2, b"") + field(2, said))) == expected


# ------------------------------------------------------------ an independent implementation


NUMBERS: dict[DATATYPE, st.SearchStrategy[Any]] = {
    DATATYPE.INT8: st.integers(-(2**7), 2**7 - 1),
    DATATYPE.INT16: st.integers(-(2**15), 2**15 - 1),
    DATATYPE.INT32: st.integers(-(2**31), 2**31 - 1),
    DATATYPE.INT64: st.integers(-(2**63), 2**63 - 1),
    DATATYPE.UINT8: st.integers(0, 2**8 - 1),
    DATATYPE.UINT16: st.integers(0, 2**16 - 1),
    DATATYPE.UINT32: st.integers(0, 2**32 - 1),
    DATATYPE.UINT64: st.integers(0, 2**64 - 1),
    DATATYPE.FLOAT: st.floats(width=32, allow_nan=False, allow_infinity=False),
    DATATYPE.DOUBLE: st.floats(allow_nan=False, allow_infinity=False),
    DATATYPE.BOOLEAN: st.booleans(),
}


@given(
    st.sampled_from(list(NUMBERS)).flatmap(lambda kind: st.tuples(st.just(kind), NUMBERS[kind])),
    st.text(min_size=1, max_size=20),
    st.integers(0, 2**64 - 1),
    st.integers(0, 255),
)
def test_what_the_independent_library_encodes_is_read_as_it_was_given(
    value: tuple[DATATYPE, Any], name: str, alias: int, seq: int
) -> None:
    metric = pysparkplug.Metric(AT_MS, name, value[0], value=value[1], alias=alias, is_historical=True)
    found = decoded(pysparkplug.NBirth(AT_MS + 5, seq, (metric,)).encode())
    assert (found.sent_ms, found.seq) == (AT_MS + 5, seq)
    (read,) = found.metrics
    assert (read.name, read.alias, read.at_ms, read.datatype) == (name, alias, AT_MS, value[0])
    assert number(read, read.datatype) == float(value[1])


def test_no_kind_of_metric_of_the_independent_library_is_in_the_way() -> None:
    kinds = [(DATATYPE.STRING, "x"), (DATATYPE.TEXT, "x"), (DATATYPE.BYTES, b"\0"), (DATATYPE.INT8_ARRAY, (1, 2))]
    metrics = [pysparkplug.Metric(AT_MS, kind.name, kind, value=value) for kind, value in kinds]
    metrics.append(
        pysparkplug.Metric(AT_MS, "nothing", DATATYPE.INT8, value=None, metadata=pysparkplug.Metadata(size=3))
    )
    found = decoded(pysparkplug.NBirth(AT_MS, 0, tuple(metrics)).encode()).metrics
    assert [metric.name for metric in found] == ["STRING", "TEXT", "BYTES", "INT8_ARRAY", "nothing"]
    assert [metric.is_null for metric in found] == [False] * 4 + [True]


def test_the_request_for_a_rebirth_is_one_that_the_independent_library_understands() -> None:
    """Sparkplug 3.0.0, chapter 6, "NCMD": the metric "Node Control/Rebirth", a boolean, true; no sequence number."""
    metric = pysparkplug.Metric(AT_MS, "Node Control/Rebirth", DATATYPE.BOOLEAN, value=True)
    assert pysparkplug.NCmd.decode(rebirth(AT_MS)) == pysparkplug.NCmd(AT_MS, (metric,))
    assert decoded(rebirth(AT_MS)).seq is None


@given(st.binary(max_size=300))
def test_any_bytes_are_a_payload_or_bad_input(payload: bytes) -> None:
    try:
        found = decoded(payload)
    except BadInput:
        return
    for metric in found.metrics:
        number(metric, metric.datatype)

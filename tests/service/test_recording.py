"""The file of a recording: what goes in comes out; what is cut off or damaged is noticed at its place."""

from __future__ import annotations

import io
import json
import struct
import tracemalloc
import zlib
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service import recording
from service.model import BadInput, Delivery, Parcel
from service.recording import Ended, Missed, Reader, Recorded, Writer, survey
from simulators.fleet import Station
from simulators.scenario import load as load_scenario

S = 1_000_000
START_S = 1_795_593_600
START_US = START_S * S
HEAD_BYTES, BLOCK_HEAD_BYTES = 30, 20
Item = Recorded | Missed


def message(number: int, payload: bytes = b"3.14", **words: object) -> Recorded:
    return Recorded(START_US + number * S, "main", f"works/g{number % 3}/dp", payload, 1, **words)  # type: ignore[arg-type]


def written(
    items: Sequence[Item], *, cuts: Sequence[int] = (), started_us: int = START_US, ended_us: int | None = START_US
) -> bytes:
    """A recording, with a block cut before each of these items; without `ended_us` as a kill would leave it."""
    file = io.BytesIO()
    writer = Writer(file, started_us)
    for number, item in enumerate(items):
        if number in cuts:
            writer.flush()
        writer.add(item, START_US)
    writer.flush()
    if ended_us is not None:
        writer.end(ended_us)
    return file.getvalue()


def read(path: Path) -> tuple[list[Item], str]:
    """What is in a recording, and where it was cut off."""
    with Reader(path) as reader:
        return list(reader), reader.cut_off


def read_up_to_fault(path: Path) -> tuple[list[Item], str]:
    """What comes before the fault, and the fault; without one, where it was cut off, or nothing."""
    found: list[Item] = []
    try:
        with Reader(path) as reader:
            found += reader
            return found, reader.cut_off
    except BadInput as error:
        return found, str(error)


def demo_messages(count: int, *, duplicates: bool = True) -> list[Recorded]:
    """So many messages of the demo's plant, received as its gateways would send them in real time."""
    scenario = load_scenario("demo")
    stations = [
        Station(form, scenario.faults(), seed=1, start_s=START_S, step_s=scenario.step_s) for form in scenario.collector
    ]
    found: list[Recorded] = []
    seen: set[bytes] = set()
    at_s = START_S
    while len(found) < count:
        at_s += scenario.step_s
        for number, station in enumerate(stations):
            station.advance()
            for sent in station.gateway.take(scenario.step_s, 500) if station.has_link else []:
                if duplicates or sent.payload not in seen:
                    seen.add(sent.payload)
                    received_us = at_s * S + 137_000 + 31_417 * number + len(sent.payload)
                    topic = f"dustcake/v1/{station.gateway.name}/readings"
                    found.append(Recorded(received_us, "main", topic, sent.payload, 1))
    return found[:count]


def as_json(item: Recorded) -> bytes:
    """A message as a line of JSON, its payload as text."""
    body = {
        "at": item.received_us,
        "broker": item.broker,
        "topic": item.topic,
        "qos": item.qos,
        "retain": item.is_retained,
        "payload": item.payload.decode(),
    }
    return json.dumps(body, separators=(",", ":")).encode() + b"\n"


SMALL: list[Item] = [
    message(0),
    message(1, b"\x00\xff not text", is_retained=True),
    message(2, b"", is_again=True),
    Missed(START_US + 3 * S, START_US + 9 * S),
    message(10, b"{}", content_type="application/json", user_properties=(("unit", "Pa"), ("unit", "kPa"))),
]


# ---------------------------------------------------------------- in and out


def test_every_field_of_a_message_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "a.heard"
    path.write_bytes(written(SMALL, cuts=[2, 3], ended_us=START_US + 12 * S))
    with Reader(path) as reader:
        assert reader.started_us == START_US
        assert list(reader) == SMALL
        assert (reader.cut_off, reader.ended_us) == ("", START_US + 12 * S)
        assert reader.read_bytes == reader.size_bytes


def test_a_message_becomes_the_parcel_that_the_service_would_have_received() -> None:
    retained = message(1, b"x", is_retained=True)
    assert retained.as_parcel() == Parcel(
        "works/g1/dp", b"x", START_US + S, None, Delivery(is_retained=True), broker="main"
    )


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
INSTANT = st.integers(-(2**63), 2**63 - 1)
ITEMS = st.lists(
    st.one_of(
        st.builds(
            Recorded,
            INSTANT,
            TEXT,
            TEXT,
            st.binary(max_size=200),
            st.integers(0, 2),
            st.booleans(),
            st.booleans(),
            st.none() | TEXT,
            st.lists(st.tuples(TEXT, TEXT), max_size=3).map(tuple),
        ),
        st.builds(Missed, INSTANT, INSTANT),
    ),
    max_size=30,
)


@given(items=ITEMS, cuts=st.sets(st.integers(0, 30)), ended_us=st.none() | INSTANT)
def test_whatever_is_recorded_comes_back_however_it_is_cut_into_blocks(
    tmp_path_factory: pytest.TempPathFactory, items: list[Item], cuts: set[int], ended_us: int | None
) -> None:
    path = tmp_path_factory.getbasetemp() / "round-trip.heard"
    path.write_bytes(written(items, cuts=sorted(cuts), ended_us=ended_us))
    found, cut_off = read(path)
    assert found == items
    assert bool(cut_off) is (ended_us is None)


def test_a_block_is_written_two_seconds_after_its_first_message_or_when_it_is_large(tmp_path: Path) -> None:
    file = io.BytesIO()
    writer = Writer(file, START_US)
    writer.add(message(0), START_US)
    writer.flush_due(START_US + 2 * S - 1)
    assert len(file.getvalue()) == HEAD_BYTES, "not due yet"
    writer.flush_due(START_US + 2 * S)
    first = len(file.getvalue())
    assert first > HEAD_BYTES, "due without a further message"
    writer.add(message(1), START_US)
    writer.add(message(2), START_US - S)
    second = len(file.getvalue())
    assert second > first, "the clock was set back: it must not wait until it has caught up"
    writer.add(message(3, bytes(recording.BLOCK_BYTES)), START_US)
    assert len(file.getvalue()) > second, "large"
    (tmp_path / "a.heard").write_bytes(file.getvalue())
    assert len(read(tmp_path / "a.heard")[0]) == 4


def test_a_message_that_is_too_long_is_refused_and_the_recording_goes_on(tmp_path: Path) -> None:
    file = io.BytesIO()
    writer = Writer(file, START_US)
    writer.add(message(0), START_US)
    with pytest.raises(BadInput, match="message of 33554"):
        writer.add(message(1, bytes(recording.RECORD_BYTES_MOST)), START_US)
    with pytest.raises(BadInput, match="expected at most 33554432"):
        writer.add(message(1, user_properties=(("a", "b" * recording.RECORD_BYTES_MOST),)), START_US)
    writer.add(message(2), START_US)
    writer.end(START_US)
    (tmp_path / "a.heard").write_bytes(file.getvalue())
    assert read(tmp_path / "a.heard") == ([message(0), message(2)], "")


def test_a_survey_counts_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "a.heard"
    path.write_bytes(written(SMALL, ended_us=None))
    found = survey(path)
    assert (found.messages, found.missed) == (4, 1)
    assert found.payload_bytes == sum(len(item.payload) for item in SMALL if isinstance(item, Recorded))
    assert (found.first_us, found.last_us, found.ended_us) == (START_US, START_US + 10 * S, None)
    assert found.topics == {("main", "works/g0/dp"): 1, ("main", "works/g1/dp"): 2, ("main", "works/g2/dp"): 1}
    assert "cut off" in found.cut_off


# ---------------------------------------------------------------- cut off and damaged


def test_a_file_cut_off_at_any_byte_is_read_up_to_its_last_whole_block_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "a.heard"
    cuts = [1, 2, 4]
    whole = written(SMALL, cuts=cuts)
    ends = [len(written(SMALL[:number], cuts=cuts, ended_us=None)) for number in (*cuts, len(SMALL))]
    assert len(set(ends)) == 4
    for size in range(len(whole)):
        path.write_bytes(whole[:size])
        found, fault = read_up_to_fault(path)
        if size < HEAD_BYTES:
            assert found == []
            assert "expected a recording" in fault
            continue
        blocks = sum(end <= size for end in ends)
        assert found == SMALL[: [0, *cuts, len(SMALL)][blocks]], size
        last_end = max((end for end in ends if end <= size), default=HEAD_BYTES)
        assert f"cut off at byte {last_end}:" in fault, size
    path.write_bytes(whole)
    assert read(path) == (SMALL, "")


@pytest.mark.parametrize("change", [0x01, 0x80, 0xFF])
def test_a_byte_that_changed_is_found_at_its_block_and_nothing_false_is_given(tmp_path: Path, change: int) -> None:
    path = tmp_path / "a.heard"
    cuts = [1, 2, 4]
    whole = written(SMALL, cuts=cuts)
    sizes = [len(written(SMALL[:number], cuts=cuts, ended_us=None)) for number in (0, *cuts, len(SMALL))]
    for at in range(len(whole)):
        path.write_bytes(whole[:at] + bytes([whole[at] ^ change]) + whole[at + 1 :])
        found, fault = read_up_to_fault(path)
        if at < HEAD_BYTES:
            assert found == []
            assert str(path) in fault
            continue
        block = sum(size <= at for size in sizes) - 1
        assert found == SMALL[: [0, *cuts, len(SMALL)][block]], at
        assert f"the block at byte {sizes[block]} is damaged" in fault, at
        assert f"head -c {sizes[block]}" in fault, "what to do with what is sound"


def test_blocks_that_are_missing_repeated_swapped_or_of_another_recording_are_found(tmp_path: Path) -> None:
    path = tmp_path / "a.heard"
    cuts = [1, 2, 4]
    whole = written(SMALL, cuts=cuts)
    a, b, c, d = (len(written(SMALL[:number], cuts=cuts, ended_us=None)) for number in (0, *cuts[:3]))
    other = io.BytesIO()
    Writer(other, START_US + 1).end(START_US)
    for broken, sound in (
        (whole[:b] + whole[c:], 1),
        (whole[:c] + whole[b:], 2),
        (whole[:a] + whole[b:c] + whole[a:b] + whole[c:], 0),
        (whole[:d] + other.getvalue()[HEAD_BYTES:], 4),
    ):
        path.write_bytes(broken)
        found, fault = read_up_to_fault(path)
        assert found == SMALL[:sound]
        assert "is damaged" in fault


def test_what_stands_before_a_damaged_block_can_be_used_as_the_message_says(tmp_path: Path) -> None:
    path = tmp_path / "a.heard"
    whole = written(SMALL, cuts=[2])
    at = len(written(SMALL[:2], ended_us=None))
    path.write_bytes(whole[: at + 25] + b"?" + whole[at + 26 :])
    _, fault = read_up_to_fault(path)
    assert f"head -c {at}" in fault
    path.write_bytes(path.read_bytes()[:at])
    assert read(path)[0] == SMALL[:2]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "expected a recording"),
        (b"dustcake", "expected a recording"),
        (b'{"gateway":"gw-cut-1"}' * 3, 'begins with b\'{"gateway":"gw-c\''),
        (recording.SIGN, "cut off at byte 16"),
    ],
)
def test_a_file_that_is_no_recording_is_refused(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "a.heard"
    path.write_bytes(content)
    with pytest.raises(BadInput) as refused:
        Reader(path)
    assert says in str(refused.value)
    assert str(path) in str(refused.value)


def test_a_file_that_is_not_there_is_bad_input(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="No such file"):
        survey(tmp_path / "none.heard")


def test_a_recording_of_a_later_version_is_refused_as_that(tmp_path: Path) -> None:
    path = tmp_path / "a.heard"
    head = struct.pack("<16sHq", recording.SIGN, 2, START_US)
    path.write_bytes(head + struct.pack("<I", zlib.crc32(head)))
    with pytest.raises(BadInput, match="version 2; expected version 1"):
        Reader(path)


def block(body: bytes, unpacked: int, count: int, crc: int) -> bytes:
    """A block with right check values and whatever inside."""
    body_crc = zlib.crc32(body, crc)
    head = struct.pack("<IIII", len(body), unpacked, count, body_crc)
    return head + struct.pack("<I", zlib.crc32(head, body_crc)) + body


def packed(content: bytes) -> bytes:
    deflate = zlib.compressobj(wbits=-15)
    return deflate.compress(content) + deflate.flush(zlib.Z_SYNC_FLUSH)


@pytest.mark.parametrize(
    ("body", "unpacked", "count"),
    [
        (packed(b"\x90"), 1, 0),  # no record
        (packed(b"\x91\x92\x02\x00"), 4, 2),  # one, and two named
        (packed(b"\x91\x92\x09\x00"), 4, 1),  # a kind that is not known
        (packed(b"\x91\x96\x00\x00\xa1\xff\xa0\xc4\x00\x00"), 10, 1),  # a text that is not UTF-8
        (packed(b"\x91\x92\x02"), 3, 1),  # cut off
        (packed(bytes(10_000_000)), 1000, 1),  # unpacks to far more than it names
        (packed(b"\x90"), 1000, 1),  # and to less
        (b"\xff\xff\xff\xff", 10, 1),  # not packed
        (packed(b"\x90"), recording.UNPACKED_MOST + 1, 1),
    ],
)
def test_a_block_made_to_mislead_is_bad_input(tmp_path: Path, body: bytes, unpacked: int, count: int) -> None:
    path = tmp_path / "a.heard"
    head = written([], ended_us=None)
    path.write_bytes(head + block(body, unpacked, count, zlib.crc32(head[:26])))
    with pytest.raises(BadInput, match=f"the block at byte {HEAD_BYTES} is damaged"):
        read(path)


def test_nothing_may_follow_the_end(tmp_path: Path) -> None:
    path = tmp_path / "a.heard"
    path.write_bytes(written(SMALL) + b"\0")
    found, fault = read_up_to_fault(path)
    assert found == SMALL
    assert "more after its end" in fault
    file = io.BytesIO()
    writer = Writer(file, START_US)
    writer._waiting = [Ended(START_US), message(0)]
    writer.flush()
    path.write_bytes(file.getvalue())
    assert "more after its end" in read_up_to_fault(path)[1]


# ---------------------------------------------------------------- size


def test_a_recording_of_the_demo_takes_less_than_a_tenth_of_its_json(tmp_path: Path) -> None:
    """Written as in real time, a few messages a block: 56 B a message of 10,000, beside 830 B as JSON."""
    file = io.BytesIO()
    writer = Writer(file, START_US)
    messages = demo_messages(2000)
    for item in messages:
        writer.add(item, item.received_us)
    writer.end(messages[-1].received_us)
    size = len(file.getvalue())
    assert size < sum(len(as_json(item)) for item in messages) / 10
    (tmp_path / "a.heard").write_bytes(file.getvalue())
    assert read(tmp_path / "a.heard") == (messages, "")


def test_a_reader_holds_one_block_however_long_the_recording_is(tmp_path: Path) -> None:
    path = tmp_path / "a.heard"
    payload = bytes(range(256)) * 40
    with path.open("wb") as file:
        writer = Writer(file, START_US)
        for number in range(3000):  # 30 MB
            writer.add(message(number, payload), START_US)
        writer.end(START_US)
    tracemalloc.start()
    try:
        with Reader(path) as reader:
            count = sum(1 for _ in reader)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert count == 3000
    assert peak < 10 * recording.BLOCK_BYTES

"""The instruments of the scenarios find what they are there to find."""

from __future__ import annotations

import socket
from collections import Counter
from pathlib import Path

import httpx
import pytest

from tests import parts
from tests.chaos.hook import Hook
from tests.chaos.outcome import Outcome
from tests.chaos.record import Key, Record, history_differs
from tests.chaos.relay import Frames

KEY: Key = ("quay/hall/c-0", "dp", 100)


@pytest.mark.parametrize("size", [1, 2, 3, 7, 400])
def test_packets_are_found_however_the_bytes_are_cut(size: int) -> None:
    packets = [(0x40, b"\x00\x07"), (0x32, b"x" * 300), (0xC0, b""), (0x40, b"\x00\x08\x00")]
    stream = b"".join(
        bytes([head, *([len(body) & 127 | 128, len(body) >> 7] if len(body) > 127 else [len(body)])]) + body
        for head, body in packets
    )
    found: list[tuple[int, bytes]] = []
    frames = Frames(lambda head, body: found.append((head, body)))
    for at in range(0, len(stream), size):
        frames.feed(stream[at : at + size])
    assert found == packets


@pytest.mark.parametrize(
    ("rows", "differs"),
    [
        ([(*KEY, 4.2)], (0, 0)),
        ([], (1, 0)),
        ([(*KEY, 4.3)], (1, 0)),
        ([(*KEY, 4.2), (*KEY, 4.2)], (0, 1)),
        ([(*KEY, 4.2), ("quay/hall/c-0", "dp", 101, 1.0)], (0, 1)),
    ],
    ids=["as journalled", "missing", "another value", "twice", "one more"],
)
def test_the_history_is_held_against_the_journal(rows: list[tuple[object, ...]], differs: tuple[int, int]) -> None:
    assert history_differs(rows, {KEY: 4.2}) == differs


@pytest.mark.parametrize(
    ("told", "so_far", "different"),
    [
        ({"a": (10, 20)}, False, 0),
        ({"a": (10, None)}, False, 1),
        ({"a": (10, None)}, True, 0),
        ({"a": (11, None)}, True, 1),
        ({}, True, 0),
        ({}, False, 1),
        ({"a": (10, 20), "b": (10, 20)}, True, 1),
    ],
)
def test_alarms_are_held_against_the_rules(
    told: dict[str, tuple[int, int | None]],
    so_far: bool,
    different: int,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    record = Record(Path("none"))
    monkeypatch.setattr(record, "alarms", lambda: told)
    assert record.different_from({"a": (10, 20)}, so_far=so_far) == different


def test_a_notification_that_never_came_and_one_that_nobody_owed_are_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    record, hook = Record(Path("none")), Hook()
    hook.close()
    hook.came = Counter({"msg_x": 1})
    hook.bodies = {"msg_x": {b'{"data": {"step": "raised"}}'}}
    rows = [[("key", "owed", "")], [], []]
    monkeypatch.setattr(record, "ask", lambda _question: rows.pop(0))
    found = record.notifications_wrong(hook)
    assert [text.split(":")[0] for text in found] == ["never came", "came and was not owed", "key is owed"]


@pytest.mark.parametrize(
    "breach",
    [{"lost": 1}, {"twice": 1}, {"alarms_different": 1}, {"notifications_wrong": 1}, {"breaches": ["something"]}],
)
def test_one_breach_is_enough(breach: dict[str, object]) -> None:
    assert not Outcome("kills", 1, **breach).is_sound  # type: ignore[arg-type]


def test_a_recovery_that_takes_too_long_is_a_breach() -> None:
    outcome = Outcome("kills", 1)
    outcome.note_recovery(9.0, 10.0)
    assert outcome.breaches == []
    outcome.note_recovery(11.0, 10.0)
    assert len(outcome.breaches) == 1
    assert outcome.longest_recovery_s == 11.0


def test_a_post_that_was_cut_off_by_a_kill_was_not_received() -> None:
    hook = Hook()
    try:
        with socket.create_connection(("127.0.0.1", hook.port)) as cut:
            cut.sendall(b"POST / HTTP/1.1\r\nwebhook-id: msg_a\r\ncontent-length: 10\r\n\r\n{}")
        httpx.post(f"http://127.0.0.1:{hook.port}/", content=b"{}", headers={"webhook-id": "msg_b"})
        parts.wait_until(lambda: hook.came["msg_b"] == 1, "the whole one came")
        assert "msg_a" not in hook.came
    finally:
        hook.close()

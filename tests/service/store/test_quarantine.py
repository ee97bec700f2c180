"""The quarantine in a real ledger: its bound, its counts, what settles a row, lists and purges."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from service.model import Chosen, Delivery, Entry, Purge, Rejected, SendAgain, Settled
from service.store import quarantine as module
from service.store.ledger import Ledger, connect
from service.store.quarantine import QuarantineReader
from service.store.reader import LedgerReader

ALL = SendAgain(Chosen(), "ann")


@pytest.fixture
def reader(ledger: Ledger) -> Iterator[QuarantineReader]:
    made = LedgerReader(ledger.path)
    yield made.quarantine
    made.close()


def refused(
    code: str = "c", payload: bytes = b"{}", *, at_us: int = 1, topic: str = "t", reason: str = "r", readings: int = 0
) -> Rejected:
    return Rejected(topic, payload, at_us, code, reason, readings)


def keep(ledger: Ledger, *items: Rejected) -> None:
    ledger.commit(Entry(committed_us=7, rejected=items))


def settle(ledger: Ledger, refusals: dict[int, tuple[Rejected, ...]], *, at_us: int = 50) -> None:
    rows, _ = ledger.quarantine.chosen(ALL, most=1000, most_bytes=10**9)
    by_id = {row.id: row for row in rows}
    settled = Settled("ann", tuple((by_id[number], items) for number, items in refusals.items()))
    ledger.commit(Entry(committed_us=7, queued_us=at_us, settled=settled))


def ask(ledger: Ledger, question: str) -> list[tuple[Any, ...]]:
    with contextlib.closing(connect(ledger.path, read_only=True)) as connection:
        return connection.execute(question).fetchall()


def chosen_ids(ledger: Ledger, chosen: Chosen, **bounds: int) -> tuple[list[int], int]:
    limits = {"most": 1000, "most_bytes": 10**9} | bounds
    rows, left = ledger.quarantine.chosen(SendAgain(chosen, "ann"), **limits)
    return [row.id for row in rows], left


def counted_anew(ledger: Ledger) -> tuple[int, dict[str, int]]:
    """Bytes and kept messages by code, as a start would count them."""
    held = module.Quarantine(ledger._connection).held
    return held.bytes, dict(held.codes)


# ---------------------------------------------------------------- the bound


def test_beyond_the_bound_messages_are_counted_only(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "QUARANTINE_BYTES_AT_MOST", 3000)
    for _ in range(10):
        ledger.commit(Entry(committed_us=7, rejected=(refused(payload=b"x" * 900),), tallies=(("quarantined", 1),)))
    assert ask(ledger, "SELECT count(*) FROM quarantine") == [(3,)]
    assert dict(ask(ledger, "SELECT name, count FROM tally")) == {"quarantined": 10, "not kept": 7}
    keep(ledger, refused(payload=b"x" * 1000), refused(payload=b"x"))
    assert ask(ledger, "SELECT count(*) FROM quarantine") == [(4,)], "a short one still finds room"


def test_it_is_full_once_the_longest_message_may_find_no_room(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    longest = refused(payload=b"x" * 300_000, topic="\U0001f4a8" * 5000, reason="\U0001f4a8" * 5000)
    monkeypatch.setattr(module, "QUARANTINE_BYTES_AT_MOST", module.ROOM_LEAST_BYTES + 66)  # it, and one of 66
    keep(ledger, refused(payload=b""))
    assert not ledger.quarantine.is_full
    keep(ledger, longest)
    assert ledger.quarantine.is_full
    assert ask(ledger, "SELECT length(payload), length(topic), length(reason), size FROM quarantine WHERE id = 2") == [
        (module.PAYLOAD_KEPT_BYTES, module.TEXT_KEPT, module.TEXT_KEPT, 300_000)
    ]
    assert ask(ledger, "SELECT * FROM tally") == []


def test_a_purge_makes_room(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "QUARANTINE_BYTES_AT_MOST", 1000)
    keep(ledger, refused(payload=b"x" * 900, at_us=1), refused(payload=b"y" * 900, at_us=5))
    ledger.quarantine.purge(Purge(2, "ann", "done"), 60)
    keep(ledger, refused(payload=b"z" * 900, at_us=9))
    assert ask(ledger, "SELECT substr(payload, 1, 1) FROM quarantine") == [(b"z",)]


def test_what_has_gone_through_makes_room(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "QUARANTINE_BYTES_AT_MOST", 1000)
    keep(ledger, refused(payload=b"x" * 900))
    settle(ledger, {1: ()})
    keep(ledger, refused(payload=b"z" * 800))
    assert ask(ledger, "SELECT id, state, settled_us, length(payload) FROM quarantine") == [
        (1, "redriven", 50, 0),
        (2, "kept", None, 800),
    ]


# ---------------------------------------------------------------- settling


def test_what_is_refused_again_keeps_its_place_with_the_new_reason(ledger: Ledger) -> None:
    keep(ledger, refused("tag-unknown", b"whole", at_us=3))
    settle(ledger, {1: (refused("unit-refused", b"part", reason="now this"),)})
    assert ask(ledger, "SELECT id, received_us, code, reason, size, payload, state, settled_us FROM quarantine") == [
        (1, 3, "unit-refused", "now this", 4, b"part", "kept", None)
    ]
    assert ledger.quarantine.held.codes == {"unit-refused": 1}


def test_two_refusals_of_one_message_are_both_kept_as_received_then_even_when_it_is_full(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep(ledger, refused("message-invalid", b"both", at_us=3))
    monkeypatch.setattr(module, "QUARANTINE_BYTES_AT_MOST", 1)
    settle(ledger, {1: (refused("reading-invalid", b"one"), refused("unit-refused", b"two", at_us=99))})
    assert ask(ledger, "SELECT id, received_us, code, payload FROM quarantine ORDER BY id") == [
        (1, 3, "reading-invalid", b"one"),
        (2, 3, "unit-refused", b"two"),
    ]


def test_sending_again_is_on_record_with_who_ordered_it(ledger: Ledger) -> None:
    keep(ledger, refused(), refused())
    settle(ledger, {1: (), 2: (refused(),)})
    ((at_us, who, what, detail),) = ask(ledger, "SELECT at_us, who, what, detail FROM audit")
    assert (at_us, who, what) == (50, "ann", "redrive")
    assert json.loads(detail) == {"messages": 2, "through": 1, "first": 1, "last": 2}


def test_a_failed_commit_leaves_rows_and_counts_as_they_were(ledger: Ledger, monkeypatch: pytest.MonkeyPatch) -> None:
    keep(ledger, refused())
    before = ledger.quarantine.held

    def fail(*_: object, **__: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patched:
        patched.setattr(module, "audit", fail)  # the last thing that is written
        with pytest.raises(sqlite3.OperationalError):
            settle(ledger, {1: ()})
        with pytest.raises(sqlite3.OperationalError):
            ledger.quarantine.purge(Purge(9, "ann", "done"), 60)
    assert ledger.quarantine.held == before
    assert ask(ledger, "SELECT state, payload FROM quarantine") == [("kept", b"{}")]
    settle(ledger, {1: ()})
    assert ask(ledger, "SELECT state FROM quarantine") == [("redriven",)]


# ---------------------------------------------------------------- choosing


CHOICES: dict[str, tuple[Chosen, list[int]]] = {
    "all": (Chosen(), [1, 2, 3]),
    "ids, in order and of what is there": (Chosen(ids=(3, 1, 99)), [1, 3]),
    "a code": (Chosen(code="b"), [2]),
    "a whole topic": (Chosen(topic="v1/gw-1/readings"), [1]),
    "a pattern": (Chosen(topic="*/gw-*/readings"), [1, 2]),
    "since": (Chosen(since_us=20), [2, 3]),
    "two at once": (Chosen(code="a", since_us=20), [3]),
    "a text that is not SQL": (Chosen(code="' OR 1=1 --"), []),
}


@pytest.mark.parametrize("name", CHOICES)
def test_a_choice_is_the_same_for_sending_again_and_for_the_list(
    ledger: Ledger, reader: QuarantineReader, name: str
) -> None:
    keep(
        ledger,
        refused("a", at_us=10, topic="v1/gw-1/readings"),
        refused("b", at_us=20, topic="v1/gw-2/readings"),
        refused("a", at_us=30, topic="v1/gw-2/status"),
        refused("a", at_us=40, topic="v1/gw-1/readings"),
    )
    settle(ledger, {4: ()})
    chosen, expected = CHOICES[name]
    assert chosen_ids(ledger, chosen) == (expected, 0)
    listed = reader.listed(chosen, state="kept", before=None, limit=100)
    assert [row["id"] for row in listed] == expected[::-1]


def test_a_share_is_bounded_by_messages_and_by_bytes_and_says_what_is_left(ledger: Ledger) -> None:
    keep(ledger, *[refused(payload=b"x" * 100) for _ in range(5)])
    assert chosen_ids(ledger, Chosen(), most=2) == ([1, 2], 3)
    assert chosen_ids(ledger, Chosen(), most_bytes=250) == ([1, 2, 3], 2)
    assert chosen_ids(ledger, Chosen(), most_bytes=1) == ([1], 4), "one always, or it would never end"
    rows, left = ledger.quarantine.chosen(SendAgain(Chosen(), "ann", after=3), most=9, most_bytes=10**9)
    assert ([row.id for row in rows], left) == ([4, 5], 0)


# ---------------------------------------------------------------- reading


def test_a_list_goes_on_below_the_last_id_and_shows_the_beginning_of_each_payload(
    ledger: Ledger, reader: QuarantineReader
) -> None:
    keep(ledger, *[refused(payload=b"x" * 10_000) for _ in range(3)])
    settle(ledger, {2: ()})
    first = reader.listed(Chosen(), state="", before=None, limit=2)
    assert [(row["id"], row["state"], row["settled_us"]) for row in first] == [(3, "kept", None), (2, "redriven", 50)]
    assert (len(first[0]["payload"]), first[0]["kept_bytes"], first[0]["size"]) == (4096, 10_000, 10_000)
    assert [row["id"] for row in reader.listed(Chosen(), state="", before=2, limit=2)] == [1]
    assert [row["id"] for row in reader.listed(Chosen(), state="redriven", before=None, limit=9)] == [2]
    whole = reader.one(3)
    assert whole is not None
    assert whole["payload"] == b"x" * 10_000
    assert reader.one(4) is None


def test_counts_are_by_code_the_most_kept_first(ledger: Ledger, reader: QuarantineReader) -> None:
    keep(ledger, refused("a", at_us=10), refused("b", at_us=20), refused("b", at_us=30), refused("a", at_us=40))
    settle(ledger, {1: ()})
    rows = reader.counts()
    assert [(row["code"], row["kept"], row["redriven"]) for row in rows] == [("b", 2, 0), ("a", 1, 1)]
    assert [(row["first_received_us"], row["last_received_us"]) for row in rows] == [(20, 30), (10, 40)]
    assert sum(row["bytes"] for row in rows) == ledger.quarantine.held.bytes


# ---------------------------------------------------------------- purging


def test_a_purge_deletes_what_is_older_and_says_so_on_record(ledger: Ledger) -> None:
    keep(ledger, refused("a", at_us=10), refused("a", at_us=11), refused("b", at_us=12), refused("b", at_us=13))
    settle(ledger, {2: ()})
    before_bytes = ledger.quarantine.held.bytes
    purged = ledger.quarantine.purge(Purge(13, "ann", "the trial is over"), 60)
    assert (purged.messages, purged.never_used, purged.codes) == (3, 2, {"a": 2, "b": 1})
    assert ask(ledger, "SELECT id FROM quarantine") == [(4,)]
    assert purged.bytes == before_bytes - ledger.quarantine.held.bytes
    ((at_us, who, detail),) = ask(ledger, "SELECT at_us, who, detail FROM audit WHERE what = 'purge'")
    assert (at_us, who) == (60, "ann")
    assert json.loads(detail) == {
        "why": "the trial is over", "received_before_us": 13, "messages": 3, "never_used": 2,
        "bytes": purged.bytes, "codes": {"a": 2, "b": 1},
    }  # fmt: skip


def test_who_published_a_message_is_kept_with_it_and_goes_with_it(ledger: Ledger, reader: QuarantineReader) -> None:
    names = [("gw-1",), (), ("gw-1", "gw-2"), ("x" * 5000,)]
    keep(ledger, *[replace(refused(at_us=at), identity=identity) for at, identity in enumerate(names, 1)])
    rows, _ = ledger.quarantine.chosen(ALL, most=9, most_bytes=10**9)
    assert [row.as_parcel().identity for row in rows] == [("gw-1",), (), (), ("x" * 4000,)]
    assert [row["publisher"] for row in reader.listed(Chosen(), state="", before=None, limit=9)][::-1] == [
        "gw-1", None, None, "x" * 4000,
    ]  # fmt: skip
    assert counted_anew(ledger)[0] == ledger.quarantine.held.bytes
    settle(ledger, {1: (refused("b"),)})
    assert ledger.quarantine.chosen(ALL, most=1, most_bytes=1)[0][0].publisher == "gw-1"
    ledger.quarantine.purge(Purge(4, "ann", "done"), 60)
    assert ask(ledger, "SELECT id FROM brought") == [(4,)]


def test_that_the_broker_had_kept_a_message_is_kept_with_it(ledger: Ledger) -> None:
    """Or its arrival would date it when it is sent again."""
    keep(ledger, refused(payload=b"1"), replace(refused(payload=b"2"), delivery=Delivery(7, is_retained=True)))
    rows, _ = ledger.quarantine.chosen(ALL, most=9, most_bytes=10**9)
    assert [row.as_parcel().delivery.is_retained for row in rows] == [False, True]


def test_a_purge_of_nothing_leaves_no_record(ledger: Ledger) -> None:
    keep(ledger, refused(at_us=10))
    assert ledger.quarantine.purge(Purge(10, "service", "old"), 60).messages == 0
    assert ask(ledger, "SELECT count(*) FROM audit") == [(0,)]


CODES = st.sampled_from(["a", "b", "c"])
NAMED = st.lists(st.text(max_size=9), max_size=2).map(tuple)
PLAIN = st.builds(refused, CODES, st.binary(max_size=300), at_us=st.integers(1, 9), reason=st.text(max_size=9))
REFUSALS = st.builds(lambda item, identity: replace(item, identity=identity), PLAIN, NAMED)
ACTS = st.one_of(
    st.tuples(st.just("keep"), st.lists(REFUSALS, max_size=4)),
    st.tuples(st.just("settle"), st.lists(st.lists(REFUSALS, max_size=2), min_size=1, max_size=3)),
    st.tuples(st.just("purge"), st.integers(1, 10)),
)


@settings(max_examples=40, deadline=None)
@example([("keep", [refused(reason="a\x00b", topic="\u00e9")]), ("settle", [[refused(reason="\x00")]])])
@given(st.lists(ACTS, max_size=8))
def test_the_counts_in_memory_are_those_of_the_file_whatever_happens(
    tmp_path_factory: pytest.TempPathFactory, acts: list[tuple[str, Any]]
) -> None:
    ledger = Ledger(tmp_path_factory.mktemp("q") / "ledger.sqlite")
    ledger._connection.execute("PRAGMA synchronous = OFF")  # only here: this test is about counting
    with contextlib.closing(ledger):
        for name, what in acts:
            if name == "keep":
                keep(ledger, *what)
            elif name == "purge":
                ledger.quarantine.purge(Purge(what, "ann", "done"), 60)
            else:
                ids, _ = chosen_ids(ledger, Chosen())
                settle(ledger, {number: tuple(items) for number, items in zip(ids, what, strict=False)})
            assert counted_anew(ledger) == (ledger.quarantine.held.bytes, dict(ledger.quarantine.held.codes))
        kept = Counter(code for (code,) in ask(ledger, "SELECT code FROM quarantine WHERE state = 'kept'"))
        assert dict(ledger.quarantine.held.codes) == dict(kept)


# ---------------------------------------------------------------- what the broker sends again

FIRST = Delivery(packet=7)
AGAIN = Delivery(packet=7, is_again=True)


@pytest.mark.parametrize(
    ("delivery", "topic", "payload", "rows"),
    [
        (AGAIN, "t", b"{", 1),
        (Delivery(packet=7), "t", b"{", 2),  # the broker says that it is new: it is
        (Delivery(packet=8, is_again=True), "t", b"{", 2),  # one like it, whose first delivery was not written
        (AGAIN, "u", b"{", 2),
        (AGAIN, "t", b"[", 2),
        (Delivery(packet=8, is_retained=True), "t", b"{", 1),  # it comes with every subscription
        (Delivery(packet=8, is_retained=True), "t", b"[", 2),
    ],
)
def test_a_message_that_is_sent_again_is_kept_once(
    ledger: Ledger, delivery: Delivery, topic: str, payload: bytes, rows: int
) -> None:
    keep(ledger, replace(refused(payload=b"{"), delivery=FIRST))
    keep(ledger, replace(refused(payload=payload, topic=topic), delivery=delivery))
    assert ask(ledger, "SELECT count(*) FROM quarantine") == [(rows,)]
    again = ask(ledger, "SELECT count FROM tally WHERE name = 'refused again'")
    assert again == ([] if rows == 2 else [(1,)])
    assert counted_anew(ledger) == (ledger.quarantine.held.bytes, dict(ledger.quarantine.held.codes))


def test_both_deliveries_in_one_transaction_are_one(ledger: Ledger) -> None:
    item = refused(payload=b"x" * 300_000)
    keep(ledger, replace(item, delivery=FIRST), replace(item, delivery=AGAIN))
    assert ask(ledger, "SELECT count(*), max(size) FROM quarantine") == [(1, 300_000)]


def test_what_went_through_and_is_refused_anew_is_kept_anew(ledger: Ledger) -> None:
    keep(ledger, replace(refused(payload=b""), delivery=FIRST))
    settle(ledger, {1: ()})
    keep(ledger, replace(refused(payload=b""), delivery=AGAIN))
    assert ask(ledger, "SELECT state FROM quarantine ORDER BY id") == [("redriven",), ("kept",)]

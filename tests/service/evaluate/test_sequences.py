"""Gateways' numbers with their record: gaps on record are exactly the loss, over restarts and batches cut anywhere."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.sequence import RANGES_AT_MOST, RUNS_AT_MOST, SETTLE_US
from rules.types import HOUR_US, SECOND_US
from service.evaluate.sequences import SHARE_GATEWAYS, Sequences, joined, said
from service.model import GapChange, GatewayMessage, GatewayReading, Numbering
from service.store import gaps
from service.store.migrate import split, steps

GATEWAYS = ("gw-1", "gw-2")
LONG_US = 7 * HOUR_US
Rows = list[tuple[str, str, int, int, bool]]


def numbered(seq: int | None, gateway: str = "gw-1", boot: str | None = "b", at: str | float = 0.0) -> GatewayMessage:
    return GatewayMessage(gateway, [GatewayReading("dp", at, "Pa", 1.0)], boot, seq)


@dataclass
class Recorded:
    """Trackers and the tables that a batch's transaction writes."""

    connection: sqlite3.Connection
    sequences: Sequences = field(default_factory=lambda: Sequences(GATEWAYS))
    now_us: int = 0

    def write(self, numbering: Numbering) -> Numbering:
        gaps.write(self.connection, numbering)
        return numbering

    def hear(self, *messages: GatewayMessage) -> Numbering:
        return self.write(self.sequences.take(messages, self.now_us))

    def wait(self, span_us: int = LONG_US) -> Numbering:
        self.now_us += span_us
        return self.write(self.sequences.due(self.now_us, lambda _: 0))

    def restart(self, names: Sequence[str] = GATEWAYS) -> None:
        self.sequences = Sequences(names)
        self.sequences.load(*gaps.standing(self.connection))

    def rows(self) -> Rows:
        """(gateway, boot, first, last, whether it is filled)."""
        return self.connection.execute(
            "SELECT gateway, boot, first, last, filled_us IS NOT NULL FROM gap ORDER BY gateway, boot, run, first"
        ).fetchall()

    def missing(self) -> list[tuple[str, str, int]]:
        """Each missing number, as often as it is on record."""
        return [(of, boot, seq) for of, boot, a, b, filled in self.rows() if not filled for seq in range(a, b + 1)]


def empty() -> sqlite3.Connection:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    for _, text in steps("ledger"):
        for statement in split(text):
            connection.execute(statement)
    return connection


@pytest.fixture
def recorded() -> Iterator[Recorded]:
    with closing(empty()) as connection:
        yield Recorded(connection)


# ---------------------------------------------------------------- any story, cut anywhere


@st.composite
def stories(draw: st.DrawFn) -> tuple[list[tuple[str, str, int]], set[tuple[str, str, int]]]:
    """(Arrivals, lost) of two gateways and two boots each, whose names and numbers are the same."""
    sent = [
        (gateway, boot, seq)
        for gateway in GATEWAYS
        for boot in ("a", "b")
        for seq in range(draw(st.integers(0, 5)), draw(st.integers(6, 25)))
    ]
    lost = set(draw(st.lists(st.sampled_from(sent), max_size=40)))
    came = [each for each in sent if each not in lost]
    if came:
        came = draw(st.permutations(came + draw(st.lists(st.sampled_from(came), max_size=15))))
    return came, lost


@settings(max_examples=150)
@given(stories(), st.data())
def test_the_record_has_exactly_the_loss_whatever_the_order_the_batches_and_the_restarts(
    story: tuple[list[tuple[str, str, int]], set[tuple[str, str, int]]], data: st.DataObject
) -> None:
    came, lost = story
    with closing(empty()) as connection:
        recorded = Recorded(connection)
        left = list(came)
        while left:
            size = data.draw(st.integers(1, 12))
            batch, left = left[:size], left[size:]
            recorded.hear(*(numbered(seq, of, boot) for of, boot, seq in batch))
            if data.draw(st.booleans()):
                recorded.wait(data.draw(st.sampled_from([SECOND_US, SETTLE_US, LONG_US])))
            if data.draw(st.booleans()):
                recorded.restart()
        recorded.wait()
        recorded.restart()
        assert recorded.wait() == Numbering()  # nothing twice
        expected = []
        for of, boot, seq in sorted(lost):
            seen = [other for *where, other in came if where == [of, boot]]
            if min(seen, default=seq) < seq < max(seen, default=seq):
                expected.append((of, boot, seq))
        assert recorded.missing() == expected
        for gateway in GATEWAYS:
            assert recorded.sequences.numbering(gateway)[1] == sum(of == gateway for of, _, _ in expected)


# ---------------------------------------------------------------- the record


def test_a_gap_that_is_filled_in_pieces_is_split_and_its_filled_neighbours_are_one_row(recorded: Recorded) -> None:
    recorded.hear(numbered(1), numbered(10))
    recorded.wait()
    assert recorded.rows() == [("gw-1", "b", 2, 9, False)]
    recorded.hear(numbered(5), numbered(6))
    recorded.hear(numbered(2))
    assert recorded.rows() == [
        ("gw-1", "b", 2, 2, True),
        ("gw-1", "b", 3, 4, False),
        ("gw-1", "b", 5, 6, True),
        ("gw-1", "b", 7, 9, False),
    ]
    recorded.hear(numbered(4), numbered(3))
    recorded.restart()
    for seq in (7, 8, 9):
        recorded.hear(numbered(seq))
    assert recorded.rows() == [("gw-1", "b", 2, 9, True)]
    assert recorded.sequences.numbering("gw-1") == ("numbered", 0)


def test_sent_again_changes_nothing_and_writes_no_gap(recorded: Recorded) -> None:
    recorded.hear(numbered(1), numbered(5))
    recorded.wait()
    before = recorded.rows()
    for seq in (5, 1, 5):
        assert recorded.hear(numbered(seq)).gaps == ()
    assert recorded.rows() == before


def test_in_order_only_the_tip_is_written(recorded: Recorded) -> None:
    recorded.hear(numbered(1))
    written = recorded.hear(numbered(2), numbered(3))
    assert (len(written.tips), written.bodies, written.gaps) == (1, (), ())
    recorded.restart()
    recorded.hear(numbered(4))
    assert recorded.wait() == Numbering()


def test_gateways_of_different_shares_are_saved_apart_and_come_back_together() -> None:
    names = [f"gw-{n}" for n in range(3 * SHARE_GATEWAYS)]
    with closing(empty()) as connection:
        recorded = Recorded(connection, Sequences(names))
        recorded.hear(*(numbered(7, name) for name in names))
        recorded.hear(*(numbered(8, name) for name in names))
        assert len(recorded.hear(numbered(9, names[0])).tips) == 1
        recorded.restart(names)
        recorded.hear(*(numbered(11, name) for name in names))
        assert len(recorded.wait().gaps) == len(names)
        assert recorded.missing().count((names[0], "b", 10)) == 1
        assert (names[0], "b", 9) not in recorded.missing()
        assert (names[1], "b", 9) in recorded.missing()


def test_a_range_that_waits_for_its_report_survives_a_restart_and_is_reported_once(recorded: Recorded) -> None:
    recorded.hear(numbered(1), numbered(3))
    recorded.restart()
    recorded.wait(SETTLE_US)
    recorded.restart()
    assert recorded.wait() == Numbering()
    assert recorded.rows() == [("gw-1", "b", 2, 2, False)]


def test_rows_of_a_gateway_are_bounded_and_the_oldest_filled_ones_go_first(
    recorded: Recorded, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gaps, "ROWS_AT_MOST", 3)
    recorded.hear(*(numbered(seq) for seq in (1, 3, 5, 7)))
    recorded.wait()
    recorded.hear(numbered(4))
    recorded.hear(numbered(9))
    recorded.wait()
    assert [(row[2], row[4]) for row in recorded.rows()] == [(2, False), (6, False), (8, False)]
    recorded.hear(numbered(11), numbered(1, "gw-2"), numbered(3, "gw-2"))
    recorded.wait()
    assert [(row[0], row[2]) for row in recorded.rows()] == [("gw-1", 6), ("gw-1", 8), ("gw-1", 10), ("gw-2", 2)]
    recorded.hear(numbered(2))  # its row is gone
    assert len(recorded.rows()) == 4


def test_boots_without_end_grow_neither_memory_nor_rows(recorded: Recorded, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(gaps, "ROWS_AT_MOST", 50)
    for n in range(500):
        recorded.hear(*(numbered(seq, boot=f"b{n}") for seq in (1, 3, 5)))
        recorded.hear(numbered(1, "a stranger", f"b{n}"))
    tracker = recorded.sequences._trackers["gw-1"]
    assert len(tracker.runs) == RUNS_AT_MOST
    assert sum(len(run.missing) for run in tracker.runs) <= RANGES_AT_MOST
    assert recorded.connection.execute("SELECT count(*) FROM gap").fetchone() == (50,)
    assert recorded.connection.execute("SELECT count(*), max(length(body)) < 10000 FROM sequence").fetchone() == (1, 1)
    assert set(recorded.sequences._trackers) == set(GATEWAYS)
    assert recorded.sequences._current.keys() == {"gw-1"}
    assert tracker.absent == 2 * (500 - RUNS_AT_MOST)


# ---------------------------------------------------------------- who is followed


def test_what_is_missing_settles_by_the_time_of_its_own_broker(recorded: Recorded) -> None:
    recorded.hear(*(numbered(seq, of) for of in GATEWAYS for seq in (1, 3)))
    back: dict[str, int | None] = {"gw-1": 0, "gw-2": LONG_US - 1}
    recorded.write(recorded.sequences.due(LONG_US, back.__getitem__))
    assert recorded.missing() == [("gw-1", "b", 2)]
    back["gw-2"] = None  # its broker is not heard: what is missing may be there
    recorded.write(recorded.sequences.due(2 * LONG_US, back.__getitem__))
    assert recorded.missing() == [("gw-1", "b", 2)]
    back["gw-2"] = LONG_US
    recorded.write(recorded.sequences.due(2 * LONG_US, back.__getitem__))
    assert recorded.missing() == [("gw-1", "b", 2), ("gw-2", "b", 2)]


def test_a_gateway_is_numbered_or_not_or_was_not_heard(recorded: Recorded) -> None:
    recorded.hear(numbered(None, "gw-2"), numbered(None, "gw-2"))
    assert recorded.sequences.numbering("gw-1") == ("not heard", 0)
    assert recorded.sequences.numbering("gw-2") == ("not numbered", 0)
    recorded.hear(numbered(4, "gw-2"), numbered(None, "gw-2"), numbered(7, "gw-2"))
    recorded.wait()
    assert recorded.sequences.numbering("gw-2") == ("numbered", 2)


def test_strangers_are_not_followed(recorded: Recorded) -> None:
    assert recorded.hear(numbered(1, "x"), numbered(5, "x"), numbered(None, "y")) == Numbering()
    assert recorded.wait() == Numbering()
    assert recorded.sequences.numbering("x") == ("not heard", 0)
    assert recorded.sequences._unnumbered == set()


def test_under_a_new_revision_gateways_that_stay_go_on_and_the_others_are_forgotten(recorded: Recorded) -> None:
    recorded.hear(numbered(1), numbered(3), numbered(1, "gw-2"))
    recorded.sequences = recorded.sequences.succeed(["gw-0", "gw-1"])
    gaps.forget(recorded.connection)
    recorded.write(recorded.sequences.saved())
    recorded.restart(["gw-0", "gw-1"])
    assert recorded.connection.execute("SELECT gateway FROM sequence").fetchall() == [("gw-1",)]
    recorded.hear(numbered(5), numbered(9, "gw-2"))
    recorded.wait()
    assert [row[:3] for row in recorded.rows()] == [("gw-1", "b", 2), ("gw-1", "b", 4)]


def test_a_gateway_that_is_gone_from_the_plant_is_passed_over_when_loading(recorded: Recorded) -> None:
    recorded.hear(numbered(1), numbered(1, "gw-2"))
    recorded.restart(["gw-1"])
    assert recorded.sequences.numbering("gw-2") == ("not heard", 0)
    assert recorded.sequences.numbering("gw-1") == ("numbered", 0)


# ---------------------------------------------------------------- time of measurement


@pytest.mark.parametrize(
    ("first", "then", "runs"),
    [
        ("2026-11-25T08:00:00Z", "2026-11-25T08:00:01+00:00", 2),
        ("2026-11-25T08:00:00Z", "2026-11-25T08:59:59+01:00", 1),
        (1_795_593_600.0, "2026-11-25T08:00:00.5Z", 2),
        (1_795_593_600.0, 1_795_593_600.0, 1),
        ("2026-11-25T08:00:00Z", "2026-11-25T09:00:00", 1),  # no offset: not known
        ("2026-11-25T08:00:00Z", "yesterday", 1),
        ("yesterday", "2026-11-25T08:00:00Z", 1),
        (1_795_593_600.0, 1e300, 1),
    ],
)
@pytest.mark.parametrize("in_one_batch", [True, False])
def test_a_counter_that_begins_anew_is_seen_by_when_it_was_measured(
    recorded: Recorded, first: str | float, then: str | float, runs: int, in_one_batch: bool
) -> None:
    """The messages in order before it are noted in time, also when they came in the same batch."""
    story = [numbered(seq, at=first) for seq in range(1, 200)] + [numbered(1, at=then)]
    if in_one_batch:
        recorded.hear(*story)
    else:
        for one in story:
            recorded.hear(one)
            recorded.restart()
    assert len(recorded.sequences._trackers["gw-1"].runs) == runs


def test_a_message_without_readings_has_no_time(recorded: Recorded) -> None:
    recorded.hear(GatewayMessage("gw-1", [], "b", 1), GatewayMessage("gw-1", [], "b", 2))
    assert recorded.sequences._trackers["gw-1"].runs[0].measured_us is None


# ---------------------------------------------------------------- telling


def test_two_changes_become_one_in_which_the_later_of_a_gateway_stands() -> None:
    gap = GapChange("gw-1", "b", 1, 2, 3, 7)
    first, then = Numbering(((0, "1"),), (("a", "1"), ("b", "1")), (gap,)), Numbering(((0, "2"),), (("b", "2"),), ())
    assert joined(first, then) == Numbering(((0, "2"),), (("a", "1"), ("b", "2")), (gap,))
    assert joined(first, Numbering()) == first


def test_the_log_has_a_line_for_each_gateway_and_boot_with_the_first_ranges() -> None:
    found = [GapChange("gw-1", "b", 1, n, n + 1, 7) for n in range(0, 40, 5)]
    found += [GapChange("gw-2", "", 1, 3, 3, 7), GapChange("gw-2", "", 1, 9, 9, 7, is_filled=True)]
    assert said(found) == [
        {"gateway": "gw-1", "boot": "b", "messages": 16, "numbers": "0-1, 5-6, 10-11, 15-16, 20-21 and 3 more ranges"},
        {"gateway": "gw-2", "boot": "", "messages": 1, "numbers": "3-3"},
    ]

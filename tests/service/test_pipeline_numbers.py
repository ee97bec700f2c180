"""Gaps on their way through the pipeline: in the batch's transaction, by time alone, never of what came."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from rules.sequence import SETTLE_US
from service.evaluate.evaluator import Listening
from tests.parts import message
from tests.service.test_pipeline import START_S, S, Stage, good, locked, parcel

GAPS = "SELECT gateway, boot, first, last, noticed_us, filled_us FROM gap ORDER BY first"


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    made = Stage(tmp_path, payload_bytes=2000)
    made.listening = Listening(0, 0)
    yield made
    made.ledger.close()


def settled(stage: Stage) -> None:
    stage.clock.us += SETTLE_US
    stage.pipeline.round([])


def missing(stage: Stage) -> list[tuple[int, int]]:
    return [(first, last) for _, _, first, last, _, filled_us in stage.ask(GAPS) if filled_us is None]


def test_a_gap_is_reported_by_time_alone_counted_and_told_in_the_log(stage: Stage) -> None:
    stage.pipeline.round([good(1, 1), good(5, 5)])
    stage.clock.us += SETTLE_US - 1
    with capture_logs() as early:
        stage.pipeline.round([])
    assert (missing(stage), early) == ([], [])
    stage.clock.us += 1
    with capture_logs() as lines:
        stage.pipeline.round([])
        stage.pipeline.round([])
    assert stage.ask(GAPS) == [("gw-0", "b1", 2, 4, stage.clock.us, None)]
    assert stage.tallies()["missing messages"] == 3
    assert lines == [
        {"event": "numbered messages are missing", "log_level": "warning", "gateway": "gw-0", "boot": "b1",
         "messages": 3, "numbers": "2-4"}
    ]  # fmt: skip
    assert stage.committed[-1] == stage.ask("SELECT max(seq) FROM journal")[0][0]


def test_what_comes_after_all_closes_the_gap_in_the_transaction_of_its_readings(stage: Stage) -> None:
    stage.pipeline.round([good(1, 1), good(4, 4)])
    settled(stage)
    stage.clock.us += S
    stage.pipeline.round([good(2, 2), good(3, 3)])
    assert stage.ask(GAPS) == [("gw-0", "b1", 2, 3, stage.clock.us - S, stage.clock.us)]
    assert stage.tallies()["missing messages"] == 0


def test_nothing_is_reported_while_the_broker_is_not_heard(stage: Stage) -> None:
    stage.pipeline.round([good(1, 1), good(4, 4)])
    stage.listening = None
    settled(stage)
    assert missing(stage) == []
    stage.listening = Listening(stage.clock.us, 0)
    stage.pipeline.round([])
    assert missing(stage) == []
    settled(stage)
    assert missing(stage) == [(2, 3)]


@pytest.mark.parametrize(
    ("payload", "came"),
    [
        (message("gw-0", 2, [("dp", START_S, 1.0)]).replace(b"inH2O", b"furlong"), True),
        (message("gw-0", 2, [("dp", START_S, 1.0)] * 101), True),  # too many readings, and too long
        (message("gw-0", 2, []).replace(b"[]", b'"none"'), True),
        (message("gw-0", 2, [("dp", START_S, 1.0)] * 5)[:-5], False),  # cut off: nobody can say which one it was
        (message("gw-1", 2, []), False),  # on the topic of another
        (b"\xff", False),
    ],
)
def test_what_is_in_quarantine_is_not_missing_as_long_as_its_number_can_be_read(
    stage: Stage, payload: bytes, came: bool
) -> None:
    stage.pipeline.round([good(1, 1), parcel(payload), good(3, 3)])
    assert len(stage.quarantine()) == 1
    settled(stage)
    assert missing(stage) == ([] if came else [(2, 2)])


def test_a_restart_neither_forgets_nor_reports_twice(tmp_path: Path) -> None:
    before = Stage(tmp_path)
    before.listening = Listening(0, 0)
    before.pipeline.round([good(1, 1), good(3, 3)])
    settled(before)
    before.pipeline.round([good(4, 4), good(6, 6)])
    before.ledger.close()
    again = Stage(tmp_path, start=3600)
    again.listening = Listening(0, 0)
    again.pipeline.round([])
    assert missing(again) == [(2, 2), (5, 5)]
    assert again.tallies()["missing messages"] == 2
    again.pipeline.round([good(2, 2), good(7, 7), good(3, 3)])
    settled(again)
    assert missing(again) == [(5, 5)]
    again.ledger.close()


def test_numbers_of_a_batch_that_could_not_be_written_are_not_taken_as_having_come(tmp_path: Path) -> None:
    before = Stage(tmp_path)
    before.pipeline.round([good(1, 1)])
    before.pipeline._stop.set()
    with locked(before.ledger.path):
        assert before.pipeline.round([good(2, 2), good(4, 4)]) is False
    before.ledger.close()
    again = Stage(tmp_path, start=3600)
    again.listening = Listening(0, 0)
    again.pipeline.round([good(4, 4)])
    settled(again)
    assert missing(again) == [(2, 3)]
    again.ledger.close()

"""Kept messages sent through the stages again: once, by the transaction that has their readings, whatever happens."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service import pipeline as module
from service.batch import Request
from service.model import Chosen, Parcel, Purge, SendAgain, SentAgain
from service.store import quarantine as quarantine_module
from service.store.ledger import Ledger
from tests.parts import message, wait_until
from tests.service.test_pipeline import START_S, S, Stage, good, locked, parcel


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    made = Stage(tmp_path)
    yield made
    made.ledger.close()


@contextlib.contextmanager
def mended(before: Stage, folder: Path, **bounds: Any) -> Iterator[Stage]:
    """The service started again on the same ledger, with a third collector, so that gateway gw-2 is known."""
    before.ledger.close()
    after = Stage(folder, collectors=3, **bounds)
    after.clock.us = before.clock.us
    yield after
    before.ledger = Ledger(folder / "ledger.sqlite")  # for the fixture to close
    after.ledger.close()


def order(stage: Stage, chosen: Chosen = Chosen(), after: int = 0) -> SentAgain:  # noqa: B008 - frozen
    request = Request(order=SendAgain(chosen, "ann", after))
    assert stage.pipeline.round([request])
    answer = request.answer.result(0)
    assert isinstance(answer, SentAgain)
    return answer


def stranger(seq: int, at_s: int, dp: float = 3.0) -> Parcel:
    return good(seq, at_s, gateway="gw-2", dp=dp)


def states(stage: Stage) -> list[tuple[int, str, str]]:
    return stage.ask("SELECT id, state, code FROM quarantine ORDER BY id")


def journalled(stage: Stage) -> int:
    return int(stage.ask("SELECT coalesce(sum(rows), 0) FROM journal")[0][0])


def test_messages_of_a_gateway_that_is_known_by_now_go_through_once(stage: Stage, tmp_path: Path) -> None:
    stage.pipeline.round([stranger(1, 1), stranger(2, 2), good(1, 1)])
    with mended(stage, tmp_path) as after:
        answer = order(after)
        assert (answer.messages, answer.through, answer.still_kept, answer.left) == (2, 2, 0, 0)
        assert (answer.new, answer.duplicate, answer.late, answer.refused) == (4, 0, 0, 0)
        assert states(after) == [(1, "redriven", "gateway-unknown"), (2, "redriven", "gateway-unknown")]
        assert after.ask("SELECT DISTINCT settled_us FROM quarantine") == [(after.clock.us,)]
        rows, seq = journalled(after), after.ledger.seq
        again = order(after)
        assert (again.messages, again.new) == (0, 0)
        assert (journalled(after), after.ledger.seq) == (rows, seq) == (6, seq), "nothing is written"
        assert after.committed == [seq], "the history and the dispatcher were told of it"
        assert after.acknowledged == [], "the broker has been told before"


def test_what_is_sent_again_is_not_counted_as_received_again(stage: Stage, tmp_path: Path) -> None:
    stage.pipeline.round([stranger(1, 1)])
    with mended(stage, tmp_path) as after:
        before = after.tallies()
        order(after)
        grown = {name: count - before.get(name, 0) for name, count in after.tallies().items()}
    assert {name: count for name, count in grown.items() if count} == {"readings": 2, "sent again": 1}


def test_alarms_are_decided_from_messages_that_were_kept(stage: Stage, tmp_path: Path) -> None:
    stage.pipeline.round([stranger(n, n, dp=5.5) for n in range(30)])
    with mended(stage, tmp_path) as after:
        answer = order(after)
        assert (answer.through, answer.new) == (30, 60)
        assert after.ask("SELECT collector, tier, state, (raised_us / 1000000) - 1795593600 FROM alarm") == [
            ("quay/hall/c-2", "high", "active", 25)  # 20 s, after 5 s of settling, as if it had been known at once
        ]
        assert after.ask("SELECT step, state FROM outbox") == [("raised", "owed")]


def test_readings_older_than_the_last_of_their_point_are_stored_and_not_evaluated(stage: Stage, tmp_path: Path) -> None:
    stage.pipeline.round([stranger(n, n, dp=6.5) for n in range(20)])
    with mended(stage, tmp_path) as after:
        after.pipeline.round([stranger(99, 60)])
        answer = order(after)
        assert (answer.through, answer.new, answer.late) == (20, 0, 40)
        assert journalled(after) == 42
        assert after.ask("SELECT count(*) FROM alarm") == [(0,)]


def test_what_the_gateway_has_sent_again_itself_is_a_duplicate(stage: Stage, tmp_path: Path) -> None:
    stage.pipeline.round([stranger(1, 1)])
    with mended(stage, tmp_path) as after:
        after.pipeline.round([stranger(1, 1)])
        answer = order(after)
        assert (answer.through, answer.new, answer.duplicate) == (1, 0, 2)
        assert journalled(after) == 2


def test_a_half_good_message_brings_only_the_readings_that_were_refused(stage: Stage) -> None:
    """The airflow of then was used; the dp was ahead of the clock, and is not any more."""
    half = message("gw-0", 1, [("airflow", START_S, 8000.0), ("dp", START_S + 600, 3.0)])
    stage.pipeline.round([parcel(half)])
    assert (journalled(stage), states(stage)) == (1, [(1, "kept", "time-future")])
    assert order(stage).still_kept == 1
    stage.clock.us += 600 * S
    answer = order(stage)
    assert (answer.through, answer.new, answer.duplicate) == (1, 1, 0)
    assert journalled(stage) == 2


def test_of_a_message_that_goes_through_in_part_the_rest_stays_with_its_reason(stage: Stage) -> None:
    half = json.loads(message("gw-0", 1, [("dp", START_S + 600, 3.0), ("airflow", START_S + 600, 8000.0)]))
    half["readings"].append({"tag": "dp", "at": START_S + 601, "value": 3.0, "unit": "furlong"})
    stage.pipeline.round([parcel(json.dumps(half).encode())])
    assert states(stage) == [(1, "kept", "unit-refused")]
    stage.clock.us += 700 * S
    answer = order(stage)
    assert (answer.through, answer.still_kept, answer.new, answer.refused) == (0, 1, 2, 1)
    ((reason, payload, size),) = stage.ask("SELECT reason, payload, size FROM quarantine WHERE state = 'kept'")
    assert "'furlong'" in reason
    assert "clock" not in reason
    assert [item["unit"] for item in json.loads(payload)["readings"]] == ["furlong"]
    assert size == len(payload)
    again = order(stage)
    assert (again.still_kept, again.new, again.duplicate) == (1, 0, 0)
    assert journalled(stage) == 2


def test_both_refusals_of_one_message_stay(stage: Stage, tmp_path: Path) -> None:
    """Too many readings, as a whole; once more are allowed, one of them cannot be read and one has no unit."""
    rows = [("dp", START_S + n, 3.0) for n in range(101)]
    mixed = json.loads(message("gw-0", 1, rows))
    mixed["readings"][0]["unit"], mixed["readings"][1]["unit"] = 5, "furlong"
    stage.pipeline.round([parcel(json.dumps(mixed).encode())])
    assert states(stage) == [(1, "kept", "message-invalid")]
    with mended(stage, tmp_path, readings_most=200) as after:
        after.clock.us += 200 * S
        answer = order(after)
        assert (answer.through, answer.still_kept, answer.new, answer.refused) == (0, 1, 99, 2)
        assert states(after) == [(1, "kept", "reading-invalid"), (2, "kept", "unit-refused")]


def test_a_message_of_which_only_the_beginning_was_kept_is_left_alone(
    stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quarantine_module, "PAYLOAD_KEPT_BYTES", 20)
    stage.pipeline.round([stranger(1, 1)])
    with mended(stage, tmp_path) as after:
        seq = after.ledger.seq
        answer = order(after)
        assert (answer.messages, answer.cut, answer.through, answer.still_kept) == (1, 1, 0, 0)
        assert (states(after), after.ledger.seq) == ([(1, "kept", "gateway-unknown")], seq)


def test_a_will_of_long_ago_does_not_say_that_a_gateway_is_lost_now(stage: Stage, tmp_path: Path) -> None:
    stage.pipeline.round([parcel(b'{"gateway":"gw-0","state":"gone"}', kind="status")])
    with contextlib.closing(sqlite3.connect(stage.ledger.path)) as other:  # as if a later release could read it
        will = b'{"gateway":"gw-0","state":"offline"}'
        other.execute("UPDATE quarantine SET payload = ?, size = ?", (will, len(will)))
        other.commit()
    with mended(stage, tmp_path) as after:
        answer = order(after)
        assert (answer.messages, answer.status, answer.through) == (1, 1, 0)
        assert after.registered.evaluator.gateways["gw-0"].offline_us is None


def test_only_what_is_chosen_is_sent_and_a_large_order_in_shares(stage: Stage, tmp_path: Path) -> None:
    stage.pipeline.round([stranger(n, n) for n in range(5)] + [parcel(b"junk")])
    with mended(stage, tmp_path, batch_parcels=2) as after:
        answer = order(after, Chosen(code="gateway-unknown"))
        assert (answer.messages, answer.through, answer.left, answer.after) == (2, 2, 3, 3)
        answer = order(after, Chosen(code="gateway-unknown"), answer.after)
        answer = order(after, Chosen(code="gateway-unknown"), answer.after)
        assert (answer.messages, answer.through, answer.left, answer.after) == (1, 1, 0, 6)
        assert [state for _, state, _ in states(after)] == ["kept"] + ["redriven"] * 5  # the junk was refused first


def test_readings_and_orders_of_one_batch_are_done_the_readings_first(stage: Stage, tmp_path: Path) -> None:
    stage.pipeline.round([stranger(1, 1)])
    with mended(stage, tmp_path) as after:
        request = Request(order=SendAgain(Chosen(), "ann"))
        live = stranger(2, 2)
        assert after.pipeline.round([request, live])
        answer = request.answer.result(0)
        assert isinstance(answer, SentAgain)
        assert (answer.late, answer.new) == (2, 0)
        assert [item for item, _ in after.acknowledged] == [live]


def test_old_messages_say_nothing_of_the_clock_of_today(stage: Stage) -> None:
    stage.pipeline.round([parcel(message("gw-0", 1, [("dp", START_S + 600, 3.0), ("airflow", START_S + 600, 1.0)]))])
    assert stage.pipeline.clock_error
    stage.pipeline.round([good(2, 1)])
    assert not stage.pipeline.clock_error
    assert order(stage).still_kept == 1
    assert not stage.pipeline.clock_error


# ---------------------------------------------------------------- storage that fails


def test_rows_and_readings_are_written_together_or_not_at_all(
    stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "COMMIT_RETRY_S", (0.0,))
    stage.pipeline.round([stranger(1, 1)])
    with mended(stage, tmp_path) as after:
        settle, seen = quarantine_module.Quarantine.settle, []

        def fail_once(self: quarantine_module.Quarantine, *rest: Any) -> quarantine_module.Held:
            held = settle(self, *rest)
            seen.append((journalled(after), states(after)))  # what others see before the commit
            if len(seen) == 1:
                raise sqlite3.OperationalError("made by a test, after everything was written")
            return held

        monkeypatch.setattr(quarantine_module.Quarantine, "settle", fail_once)
        answer = order(after)
        assert seen == [(0, [(1, "kept", "gateway-unknown")])] * 2
        assert (answer.through, answer.new) == (1, 2)
        assert (journalled(after), states(after)) == (2, [(1, "redriven", "gateway-unknown")])


def test_an_order_that_cannot_be_written_while_stopping_changes_nothing_and_says_so(
    stage: Stage, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "COMMIT_RETRY_S", (0.01,))
    stage.pipeline.round([stranger(1, 1)])
    with mended(stage, tmp_path) as after:
        request = Request(order=SendAgain(Chosen(), "ann"))
        after.pipeline.start()
        with locked(after.ledger.path):
            after.inbox.put(request)
            wait_until(lambda: after.pipeline.storage_error, "it cannot write")
            assert after.pipeline.stop(10)
        with pytest.raises(RuntimeError, match="stopped before it could write"):
            request.answer.result(0)
        assert (journalled(after), states(after)) == (0, [(1, "kept", "gateway-unknown")])


def test_a_purge_is_done_between_batches_and_one_that_fails_says_so(stage: Stage) -> None:
    stage.pipeline.round([parcel(b"junk")])
    first, second = (Request(order=Purge(stage.clock.us + S, "ann", "done")) for _ in range(2))
    with locked(stage.ledger.path):
        assert stage.pipeline.round([first])
    with pytest.raises(RuntimeError, match="locked; nothing was done"):
        first.answer.result(0)
    assert stage.pipeline.round([second])
    assert getattr(second.answer.result(0), "messages", None) == 1
    assert states(stage) == []

"""One batch through all stages: what is committed, what is acknowledged when, what is kept of that which is wrong."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import threading
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from service import pipeline as module
from service.batch import Bounds, Request
from service.decode import native
from service.decode.intake import Intake
from service.decode.native_source import native_sources
from service.evaluate.evaluator import Listening
from service.model import GatewayMessage, Parcel
from service.normalise.bind import Binder, Binding
from service.normalise.columns import Normalised, Normaliser
from service.pipeline import Pipeline
from service.plant.file import parse
from service.receive.inbox import Inbox
from service.registering import Registered, take_up
from service.store.ledger import Ledger
from service.units.convert import lookup
from tests.parts import message, plant_text, wait_until
from tests.service.decode.test_native import MESSAGES

S = 1_000_000
START_S = 1_795_593_600
TOLD = '[[contact]]\nid = "lead"\nname = "Lead"\nvia = [{ channel = "log" }]\n'
READINGS, STATUS = "dustcake/v1/+/readings", "dustcake/v1/+/status"


class SetClock:
    """A clock that stands where a test puts it."""

    def __init__(self) -> None:
        self.us = START_S * S

    def plant_us(self) -> int:
        return self.us

    def wall_us(self) -> int:
        return self.us

    def describe(self) -> str:
        return "set by a test"


class Stage:
    """A pipeline over a real ledger. `acknowledged` holds what the broker was told, with the journal's length then."""

    def __init__(self, folder: Path, *, start: int = 0, collectors: int = 2, **bounds: Any) -> None:
        self.clock = SetClock()
        self.clock.us += start * S
        self.ledger = Ledger(folder / "ledger.sqlite")
        self.ledger._connection.execute("PRAGMA busy_timeout = 20")
        plant = parse(tomllib.loads(plant_text(collectors, contacts=TOLD)), "test")
        self.registered: Registered = take_up(
            self.ledger, plant, plant_us=self.clock.us, wall_us=self.clock.us, who="plant file", why="test"
        )
        self.acknowledged: list[tuple[Parcel, int]] = []
        self.committed: list[int] = []
        self.asked: list[tuple[str, str, bytes]] = []
        self.listening: Listening | None = Listening(0, self.clock.us)
        self.inbox: Inbox[Parcel | Request] = Inbox(
            1000, most_bytes=10**9, weigh=lambda item: len(item.payload) if isinstance(item, Parcel) else 0
        )
        index = self.registered.evaluator.board.index
        bindings = [
            Binding(p.gateway, p.tag, index[p.collector, p.point], p.quantity) for p in self.registered.compiled.points
        ]
        limits: dict[str, Any] = {
            "batch_parcels": 50,
            "batch_age_s": 0.0,
            "future_us": 60 * S,
            "tick_s": 0.0,  # every round looks at the watermark
        }
        intake = {"payload_bytes": 20_000, "readings_most": 100}
        intake |= {name: bounds.pop(name) for name in list(bounds) if name in intake}
        self.intake = Intake(native_sources(READINGS, STATUS, intake["readings_most"]), **intake)
        self.pipeline = Pipeline(
            inbox=self.inbox,
            normaliser=Normaliser(Binder(bindings, lookup, self.registered.unit_numbers)),
            evaluator=self.registered.evaluator,
            announcer=self.registered.announcer,
            ledger=self.ledger,
            clock=self.clock,
            bounds=Bounds(**(limits | bounds)),
            intake=self.intake,
            acknowledge=self._acknowledge,
            ask=lambda *asked: self.asked.append(asked),
            listening=lambda: self.listening,
            committed=self.committed.append,
        )

    def _acknowledge(self, parcels: Sequence[Parcel]) -> None:
        self.acknowledged += [(parcel, self.ask("SELECT count(*) FROM journal")[0][0]) for parcel in parcels]

    def ask(self, question: str) -> list[tuple[Any, ...]]:
        with contextlib.closing(sqlite3.connect(self.ledger.path)) as connection:
            return connection.execute(question).fetchall()

    def tallies(self) -> dict[str, int]:
        return dict(self.ask("SELECT name, count FROM tally"))

    def quarantine(self) -> list[tuple[str, str, bytes]]:
        return self.ask("SELECT code, reason, payload FROM quarantine ORDER BY id")


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    made = Stage(tmp_path)
    yield made
    made.ledger.close()


def parcel(payload: bytes, gateway: str = "gw-0", kind: str = "readings") -> Parcel:
    return Parcel(f"dustcake/v1/{gateway}/{kind}", payload, START_S * S + 5, token=object())


def good(seq: int, at_s: int = 0, gateway: str = "gw-0", dp: float = 3.0) -> Parcel:
    rows = [("airflow", START_S + at_s, 8000.0), ("dp", START_S + at_s, dp)]
    return parcel(message(gateway, seq, rows), gateway)


def test_a_batch_is_acknowledged_after_its_commit_and_not_before(stage: Stage) -> None:
    parcels = [good(n, n) for n in range(3)]
    stage.pipeline.round(parcels)
    assert stage.acknowledged == [(item, 2) for item in parcels]  # the revision, and the batch
    assert stage.committed == [2]
    assert stage.ask("SELECT rows FROM journal WHERE seq = 2") == [(6,)]
    assert stage.tallies() == {"messages": 3, "readings": 6}


def test_a_round_without_anything_writes_nothing(stage: Stage) -> None:
    stage.pipeline.round([])
    assert (stage.committed, stage.ask("SELECT count(*) FROM journal")) == ([], [(1,)])


def test_what_was_sent_again_is_counted_and_kept_once(stage: Stage) -> None:
    stage.pipeline.round([good(1, 10)])
    stage.pipeline.round([good(1, 10), good(0, 5)])
    assert stage.tallies() == {"messages": 3, "readings": 4, "duplicates": 2, "late": 2}
    assert len(stage.acknowledged) == 3


JUNK: dict[str, tuple[Parcel, str, str]] = {
    "no JSON": (parcel(b"\x00\xff"), "message-invalid", "expected the native JSON form"),
    "another gateway's topic": (parcel(message("gw-1", 1, [])), "message-invalid", "'gw-1' on the topic of 'gw-0'"),
    "too long": (parcel(b" " * 20_001), "message-invalid", "20001 bytes: expected at most 20000"),
    "too many readings": (
        parcel(message("gw-0", 1, [("dp", START_S, 1.0)] * 101)),
        "message-invalid",
        "101 readings: expected at most 100",
    ),
    "a gateway nobody knows": (
        parcel(message("gw-9", 1, [("dp", START_S, 1.0)]), "gw-9"),
        "gateway-unknown",
        "gateway 'gw-9'",
    ),
    "an unknown tag": (
        parcel(message("gw-0", 1, [("dp", START_S, 1.0)]).replace(b'"dp"', b'"pd"')),
        "tag-unknown",
        "expected one of airflow, amps, dp",
    ),
    "an unknown unit": (
        parcel(message("gw-0", 1, [("dp", START_S, 1.0)]).replace(b"inH2O", b"furlong")),
        "unit-refused",
        "'furlong'",
    ),
    "a reading that is none": (
        parcel(message("gw-0", 1, [("dp", START_S, 1.0)]).replace(b'"inH2O"', b"5")),
        "reading-invalid",
        "readings[0]",
    ),
    "a status that is none": (parcel(b"gone", kind="status"), "message-invalid", "gateway status"),
    "a cleared status": (parcel(b"", kind="status"), "message-invalid", "gateway status"),
    "a topic of earlier settings": (
        Parcel("plant/gw-0/data", b"{}", 0, token=object()),
        "message-invalid",
        "topic 'plant/gw-0/data': expected one of readings or of status",
    ),
    "another gateway's status": (
        parcel(b'{"gateway":"gw-1","state":"offline"}', kind="status"),
        "message-invalid",
        "status of gateway 'gw-1' on the topic of 'gw-0'",
    ),
}


@pytest.mark.parametrize("name", JUNK)
def test_what_cannot_be_used_is_kept_with_its_reason_and_disturbs_nothing_else(stage: Stage, name: str) -> None:
    junk, code, text = JUNK[name]
    stage.pipeline.round([good(1, 1), junk, good(2, 2, gateway="gw-1")])
    ((found, reason, payload),) = stage.quarantine()
    assert found == code
    assert text in reason
    if code == "message-invalid":
        assert payload == junk.payload
    else:  # only the readings that could not be used
        assert len(json.loads(payload)["readings"]) == 1
    assert stage.ask("SELECT rows FROM journal WHERE seq = 2") == [(4,)]
    assert [item for item, _ in stage.acknowledged][1] is junk  # it is on disk, so the broker may forget it
    assert stage.tallies()["quarantined"] == 1


def test_a_fault_of_our_own_keeps_the_message_with_what_happened(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("made by a test")

    monkeypatch.setattr(native, "decode", fail)
    stage.pipeline.round([good(1)])
    ((code, reason, payload),) = stage.quarantine()
    assert code == "broken"
    assert "ZeroDivisionError: made by a test; this is a fault of the service" in reason
    assert payload == good(1).payload
    assert len(stage.acknowledged) == 1


def test_an_alarm_its_state_and_what_is_owed_are_in_the_transaction_of_its_readings(stage: Stage) -> None:
    for at_s in range(0, 30, 3):
        stage.clock.us = (START_S + at_s) * S
        stage.pipeline.round([good(at_s, at_s, dp=5.5)])
    assert stage.ask("SELECT collector, tier, state, (raised_us / 1000000) - 1795593600 FROM alarm") == [
        ("quay/hall/c-0", "high", "active", 25)  # 20 s, after 5 s of settling
    ]
    ((seq, events),) = stage.ask("SELECT seq, events FROM journal WHERE events IS NOT NULL")
    assert [event["change"] for event in json.loads(events)] == ["raised"]
    assert stage.ask("SELECT step, state FROM outbox") == [("raised", "owed")]
    assert stage.ask("SELECT seq FROM collector_state WHERE collector = 'quay/hall/c-0'") == [(seq,)]


def test_time_alone_can_raise_an_alarm_and_at_the_next_look(stage: Stage) -> None:
    stage.pipeline.round([good(n, n, dp=6.5) for n in range(11)])
    before = stage.ask("SELECT count(*) FROM alarm")
    stage.clock.us = (START_S + 14) * S
    stage.pipeline.round([])
    assert stage.ask("SELECT tier, (raised_us / 1000000) - 1795593600 FROM alarm") == [("high-high", 10)]
    assert before == [(0,)]


def test_a_request_goes_to_the_outbox_with_the_batch(stage: Stage) -> None:
    owed = stage.registered.announcer.test("lead", stage.clock.us)
    stage.pipeline.round([good(1), Request(owed)])
    assert stage.ask("SELECT step, contact, state FROM outbox") == [("test", "lead", "owed")]
    assert len(stage.acknowledged) == 1


def test_births_and_wills_are_saved_and_a_lost_gateway_is_told_of(stage: Stage) -> None:
    will = parcel(b'{"gateway":"gw-0","state":"offline"}', kind="status")
    stage.pipeline.round([good(1, 0), will, parcel(b'{"gateway":"gw-9","state":"offline"}', "gw-9", "status")])
    saved = dict(stage.ask("SELECT id, body FROM gateway"))
    assert json.loads(saved["gw-0"])["offline_us"] == START_S * S
    assert "gw-9" not in saved
    assert stage.ask("SELECT count FROM tally WHERE name = 'statuses of strangers'") == [(1,)]
    stage.clock.us += 61 * S
    stage.pipeline.round([])
    assert stage.ask("SELECT collector, tier, state FROM alarm") == [("quay/hall/c-0", "no-data", "active")]
    assert json.loads(stage.ask("SELECT body FROM gateway WHERE id = 'gw-0'")[0][0])["raised_us"] is not None


def test_a_service_that_does_not_listen_tells_of_no_silence(stage: Stage) -> None:
    stage.listening = None
    stage.clock.us += 30 * 86_400 * S
    stage.pipeline.round([])
    assert stage.ask("SELECT count(*) FROM alarm") == [(0,)]


def test_last_readings_are_saved_every_so_many_entries(stage: Stage) -> None:
    for n in range(140):
        stage.pipeline.round([good(n, n - 140)])
    ((tips_seq,),) = stage.ask("SELECT seq FROM tips")
    ((last,),) = stage.ask("SELECT max(seq) FROM journal")
    assert last == 141
    assert 0 <= last - tips_seq <= module.TIPS_EVERY_ENTRIES


# ---------------------------------------------------------------- storage that fails, and stopping


@contextlib.contextmanager
def locked(path: Path) -> Iterator[None]:
    """Another writer holds the ledger, so that no commit can succeed."""
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def test_while_the_storage_fails_nothing_is_acknowledged_and_afterwards_everything_is_there_once(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "COMMIT_RETRY_S", (0.01,))
    stage.pipeline.start()
    with locked(stage.ledger.path):
        stage.inbox.put(good(1, 1))
        wait_until(lambda: "locked" in stage.pipeline.storage_error, "it says that it cannot write")
        stage.inbox.put(good(2, 2))
        assert stage.acknowledged == []
        assert stage.ask("SELECT count(*) FROM journal") == [(1,)]
    wait_until(lambda: len(stage.acknowledged) == 2, "both are acknowledged once it can write again")
    assert stage.pipeline.storage_error == ""
    assert stage.pipeline.stop(10)
    assert stage.tallies() == {"messages": 2, "readings": 4}


def test_stopping_while_the_storage_fails_gives_up_and_acknowledges_nothing(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module, "COMMIT_RETRY_S", (0.01,))
    stage.pipeline.start()
    with locked(stage.ledger.path):
        stage.inbox.put(good(1, 1))
        wait_until(lambda: stage.pipeline.storage_error, "it cannot write")
        assert stage.pipeline.stop(10)
    assert stage.acknowledged == []
    assert stage.ask("SELECT count(*) FROM journal") == [(1,)]


def test_stopping_finishes_what_is_in_the_inbox_and_saves_the_last_readings(stage: Stage) -> None:
    for n in range(300):
        stage.inbox.put(good(n, n - 300))
    stage.pipeline.start()
    assert stage.pipeline.stop(30)
    assert len(stage.acknowledged) == 300
    assert stage.tallies()["readings"] == 600
    assert stage.ask("SELECT tips.seq = max(journal.seq) FROM tips, journal") == [(1,)]
    assert stage.inbox.put(good(1)) is False


def test_stopping_says_when_it_took_too_long(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    held = threading.Event()
    monkeypatch.setattr(stage.pipeline, "round", lambda _: held.wait(30))
    stage.inbox.put(good(1))
    stage.pipeline.start()
    wait_until(lambda: len(stage.inbox) == 0, "it has taken the message")
    assert stage.pipeline.stop(0.05) is False
    held.set()
    stage.pipeline.thread.join(30)


def test_a_message_that_breaks_the_normaliser_is_set_aside_and_its_neighbours_go_on(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    normalise = Normaliser.normalise

    def fail(self: Normaliser, messages: Sequence[GatewayMessage], latest_us: int) -> Normalised:
        if any(item.seq == 7 for item in messages):
            raise ZeroDivisionError("made by a test")
        return normalise(self, messages, latest_us)

    monkeypatch.setattr(Normaliser, "normalise", fail)
    stage.pipeline.round([good(1, 1), good(7, 2), good(8, 3)])
    ((code, reason, payload),) = stage.quarantine()
    assert (code, payload) == ("broken", good(7, 2).payload)
    assert "ZeroDivisionError" in reason
    assert stage.tallies()["readings"] == 4
    assert len(stage.acknowledged) == 3


def test_a_clock_that_is_behind_its_gateways_is_said_and_taken_back(stage: Stage) -> None:
    stage.pipeline.round([good(1, 500)])
    assert "ahead of this computer's clock" in stage.pipeline.clock_error
    stage.pipeline.round([good(2, 1)])
    assert stage.pipeline.clock_error == ""


def test_a_lone_surrogate_in_a_message_does_not_end_the_pipeline(stage: Stage) -> None:
    wrong = parcel(
        message("gw-0", 1, [("dp", START_S, 1.0), ("amps", START_S, 1.0)])
        .replace(b'"dp"', b'"\\ud800"')
        .replace(b'"A"', b"7")
    )
    stage.pipeline.round([good(1, 1), wrong])
    assert len(stage.acknowledged) == 2
    assert [code for code, _, _ in stage.quarantine()] == ["message-invalid"]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@example([{"readings": [7, {"tag": "\ud800", "at": START_S, "unit": "Pa"}]}], "gw-0", False)
@given(st.lists(MESSAGES | st.binary(max_size=40), max_size=4), st.sampled_from(["gw-0", "gw-1"]), st.booleans())
def test_whatever_arrives_is_counted_recorded_and_acknowledged(
    stage: Stage, bodies: list[Any], gateway: str, as_status: bool
) -> None:
    payloads = [
        body if isinstance(body, bytes) else json.dumps(body | {"gateway": gateway}).encode("utf-8", "surrogatepass")
        for body in bodies
    ]
    before = len(stage.acknowledged)
    stage.pipeline.round([parcel(payload, gateway, "status" if as_status else "readings") for payload in payloads])
    assert len(stage.acknowledged) - before == len(payloads)
    assert not [reason for code, reason, _ in stage.quarantine() if code == "broken"]

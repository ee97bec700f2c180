"""The watch's parts: the manager's socket, the probe, the checks, the storage alarm, output that cannot stop it."""

from __future__ import annotations

import contextlib
import io
import os
import re
import socket
import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from service.model import Accepted, OutboxRow, Owed, Refused
from service.notify.message import body_json, subject, text
from service.store.ledger import Ledger
from service.vigil.checks import Signs, judge, storage_trouble
from service.vigil.guard import Guard, State
from service.vigil.output import Steadfast
from service.vigil.probe import Look, Probe
from service.vigil.storage import StorageAlarm
from service.vigil.systemd import Notifier, watchdog_s
from tests.parts import wait_until

LEAD, NIGHT = ("lead", "mail", "lead@alder-pike.example"), ("night", "hook", "")
WELL = Signs(
    connected=True,
    broker_error="",
    trouble="",
    data_dir="/data",
    ended=(),
    turned_s_ago=0.3,
    stalled_after_s=30.0,
    clock_error="",
    newest_ahead_s=0.0,
    history_error="",
    history_behind=0,
    oldest_owed_s=0.0,
)


@contextlib.contextmanager
def listening(address: str) -> Iterator[socket.socket]:
    """The manager's end: a bound datagram socket that waits two seconds at most."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + address[1:] if address.startswith("@") else address)
        manager.settimeout(2.0)
        yield manager


def heard(manager: socket.socket) -> list[str]:
    """All datagrams that are there."""
    manager.setblocking(False)
    found = []
    with contextlib.suppress(BlockingIOError):
        while True:
            found.append(manager.recv(4096).decode())
    return found


# ---------------------------------------------------------------- the service manager


@pytest.mark.parametrize("kind", ["path", "abstract"])
def test_the_manager_is_told_over_a_path_or_an_abstract_socket(kind: str, tmp_path: Path) -> None:
    address = str(tmp_path / "notify") if kind == "path" else f"@dustcake-test-{os.getpid()}"
    with listening(address) as manager:
        notifier = Notifier(address)
        assert notifier.send("READY=1", "STATUS=started")
        assert notifier.status("NOT READY: two\nlines")
        assert heard(manager) == ["READY=1\nSTATUS=started", "STATUS=NOT READY: two lines"]
        notifier.close()


def test_without_a_manager_or_with_a_deaf_one_nothing_is_said_and_nothing_waits(tmp_path: Path) -> None:
    assert not Notifier("").send("READY=1")
    assert not Notifier("vsock:2:1").send("READY=1")  # a form of the variable that is not served
    gone = Notifier(str(tmp_path / "gone"))
    assert not gone.send("READY=1")
    gone.close()
    with listening(str(tmp_path / "full")):
        full = Notifier(str(tmp_path / "full"))
        assert not all(full.send("WATCHDOG=1") for _ in range(10_000))  # its queue fills, and the call still returns
        full.close()


@pytest.mark.parametrize(
    ("environment", "expected"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "60000000"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "1"}, None),  # meant for another process
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
    ],
)
def test_how_often_the_manager_wants_to_hear_is_read_from_the_environment(
    environment: dict[str, str], expected: float | None
) -> None:
    assert watchdog_s(environment) == expected


@pytest.mark.parametrize(
    ("state", "pings", "touches"),
    [
        (State(0.1, ""), True, True),
        (State(0.1, "not writable"), True, False),  # it tries again: a restart frees no disk
        (State(31.0, ""), False, False),
        (State(31.0, "not writable"), False, False),
    ],
)
def test_the_signs_are_those_of_the_table(state: State, pings: bool, touches: bool, tmp_path: Path) -> None:
    alarm = storage_alarm(Told())
    with listening(str(tmp_path / "notify")) as manager:
        notifier = Notifier(str(tmp_path / "notify"))
        guard = Guard(
            state=lambda: state,
            storage=alarm,
            notifier=notifier,
            alive_file=tmp_path / "alive",
            stalled_after_s=30.0,
            watchdog_s=60.0,
        )
        for now_s in (100.0, 100.5, 119.0, 120.5):
            guard.turn(now_s)
        assert heard(manager) == (["WATCHDOG=1"] * 2 if pings else [])  # each third of what was asked
        assert (tmp_path / "alive").exists() == touches
        notifier.close()


# ---------------------------------------------------------------- readiness


@pytest.mark.parametrize(
    ("name", "ill", "words"),
    [
        ("broker", {"connected": False, "broker_error": "broker b:1883: refused"}, "refused; the broker keeps"),
        ("ledger", {"trouble": "not writable for 3 s: disk full"}, "disk full; free space or mend the disk of /data"),
        ("pipeline", {"turned_s_ago": 31.0}, "no turn for 31 s, at most 30 s expected; .* restart"),
        ("threads", {"ended": ("history",)}, "history ended; restart"),
        ("clock", {"clock_error": "check the clock"}, "check the clock"),
        ("clock", {"newest_ahead_s": 3600.0}, "3600 s behind the newest entry of the record; set the clock"),
        ("history", {"history_behind": 2_001}, "2001 journal entries behind"),
        ("history", {"history_error": "torn"}, "torn"),
        ("outbox", {"oldest_owed_s": 901.0}, "owed for 15 min; see"),
    ],
)
def test_each_check_turns_false_with_what_is_wrong_and_true_again(
    name: str, ill: dict[str, object], words: str
) -> None:
    assert set(judge(WELL).values()) == {"ok"}
    said = judge(replace(WELL, **ill))  # type: ignore[arg-type]
    assert [check for check, text_ in said.items() if text_ != "ok"] == [name]
    assert re.search(words, said[name])


@pytest.mark.parametrize(
    ("since_s", "error", "look", "expected"),
    [
        (None, "", Look(99.0, "", 0), ""),
        (98.5, "disk full", Look(99.0, "", 0), ""),  # two seconds are nothing yet
        (97.0, "disk full", Look(99.0, "", 0), "not writable for 3 s: disk full"),
        (97.0, "", Look(99.0, "", 0), "not writable for 3 s: the commit does not end"),
        (None, "", Look(99.0, "OSError: read-only", 0), "not writable: OSError: read-only"),
        (None, "", Look(80.0, "", 0), "the disk has not answered for 20 s"),
    ],
)
def test_trouble_is_a_commit_that_does_not_end_or_a_probe_that_fails_or_stays_out(
    since_s: float | None, error: str, look: Look, expected: str
) -> None:
    assert storage_trouble(since_s, error, look, 100.0).startswith(expected)
    assert bool(storage_trouble(since_s, error, look, 100.0)) == bool(expected)


def test_the_probe_finds_a_held_ledger_and_a_folder_that_takes_nothing_and_that_both_are_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.vigil.probe.LOCK_WAIT_MS", 20)
    Ledger(tmp_path / "ledger.sqlite").close()
    probe = Probe(tmp_path / "ledger.sqlite")
    assert probe.look().error == ""
    with contextlib.closing(sqlite3.connect(tmp_path / "ledger.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        assert "locked" in probe.look().error
        other.execute("ROLLBACK")
    assert probe.look().error == ""
    (tmp_path / "probe").unlink()
    (tmp_path / "probe").mkdir()  # it cannot be written
    probe._write_at_s = 0.0
    assert "IsADirectoryError" in probe.look().error
    (tmp_path / "probe").rmdir()
    assert probe.look().error == ""
    assert probe.stop(1)
    probe._close()


def test_the_probe_says_how_new_the_record_is_and_writes_nothing_into_it(tmp_path: Path) -> None:
    ledger = Ledger(tmp_path / "ledger.sqlite")
    probe = Probe(tmp_path / "ledger.sqlite", every_s=0.01)
    probe.start()
    first = probe.latest
    with contextlib.closing(sqlite3.connect(tmp_path / "ledger.sqlite")) as other:
        before = other.execute("PRAGMA data_version").fetchone()
        wait_until(lambda: probe.latest.at_s > first.at_s + 0.1, "it looked some times")
        assert other.execute("PRAGMA data_version").fetchone() == before
    assert first.newest_us == 0
    assert probe.stop(5)
    ledger.close()


# ---------------------------------------------------------------- the storage alarm


class Told:
    """What went out, directly and through the outbox. `refuses` makes the channel refuse so often."""

    name, timeout_s = "any", 1.0

    def __init__(self, refuses: int = 0) -> None:
        self.direct: list[OutboxRow] = []
        self.owed: list[Owed] = []
        self.changes = 0
        self.refuses = refuses
        self.hang = threading.Event()

    def send(self, row: OutboxRow) -> Accepted | Refused:
        if self.refuses:
            self.refuses -= 1
            return Refused("not now")
        self.direct.append(row)
        return Accepted()

    def close(self) -> None:
        self.hang.set()

    def changed(self) -> None:
        self.changes += 1

    def owe(self, owed: tuple[Owed, ...]) -> None:
        self.owed += owed


class Hanging(Told):
    def send(self, row: OutboxRow) -> Accepted | Refused:
        self.hang.wait(30)
        return super().send(row)


def storage_alarm(mail: Told, hook: Told | None = None) -> StorageAlarm:
    return StorageAlarm(
        service="quay-1",
        recipients=[LEAD, NIGHT],
        channels={"mail": mail, "hook": hook or mail},
        wall_us=lambda: 5_000_000,
        owe=mail.owe,
        changed=mail.changed,
        again_s=0.01,
        calm_s=600.0,
    )


def test_everybody_is_told_once_directly_and_of_the_end_through_the_outbox() -> None:
    told = Told(refuses=3)
    alarm = storage_alarm(told)
    for now_s in (1.0, 1.5, 2.0):
        alarm.note("not writable for 3 s: disk full", now_s)
    wait_until(lambda: len(told.direct) == 2, "both were told, though refused at first")
    assert {(row.contact, row.channel, row.address) for row in told.direct} == {LEAD, NIGHT}
    assert len({row.key for row in told.direct}) == 2
    said = " ".join(text(told.direct[0].told).split())
    assert "Sent directly, not from the record. not writable for 3 s: disk full" in said
    assert "nobody is watching" in said
    assert subject(told.direct[0].told) == "CANNOT RECORD: service quay-1"
    assert body_json(told.direct[0].told)["type"] == "dustcake.alarm.cannot-record"
    assert told.owed == []
    alarm.note("", 3.0)
    alarm.note("", 3.5)
    wait_until(lambda: len(told.owed) == 2, "both hear of the end")
    assert {owed.told.step for owed in told.owed} == {"records-again"}
    assert subject(told.owed[0].told) == "RECORDS AGAIN: service quay-1"
    assert len(told.direct) == 2
    assert told.changes == 2


def test_trouble_that_comes_back_soon_is_not_told_to_people_again_unless_it_lasts() -> None:
    told = Told()
    alarm = storage_alarm(told)
    alarm.note("full", 1.0)
    wait_until(lambda: len(told.direct) == 2, "told")
    alarm.note("", 2.0)
    wait_until(lambda: len(told.owed) == 2, "told of the end")
    alarm.note("full", 3.0)
    alarm.note("", 4.0)
    assert told.changes == 4  # the page and the heartbeat know each time
    alarm.note("full", 5.0)
    alarm.note("full", 602.0)
    wait_until(lambda: len(told.direct) == 4, "it lasts: told again")
    alarm.note("", 603.0)


def test_a_channel_that_hangs_keeps_nobody_else_from_hearing_and_the_watch_does_not_wait() -> None:
    mail, hook = Told(), Hanging()
    alarm = storage_alarm(mail, hook)
    alarm.note("full", 1.0)
    wait_until(lambda: len(mail.direct) == 1, "mail is told")
    alarm.note("", 2.0)
    wait_until(lambda: len(mail.owed) == 1, "who was told hears of the end")
    assert mail.owed[0].contact == "lead"
    hook.close()


def test_output_that_fails_is_dropped_and_counted() -> None:
    class Full(io.StringIO):
        def write(self, text: str) -> int:  # noqa: ARG002 - the stream's signature
            raise OSError(28, "No space left on device")

    steadfast = Steadfast(Full())
    assert steadfast.write("line\n") == 5
    assert steadfast.dropped == 1
    good = io.StringIO()
    Steadfast(good).write("line\n")
    assert good.getvalue() == "line\n"

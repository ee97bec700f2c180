"""The service says by itself how it is: by heartbeat, page, file and manager, and to people without the disk."""

from __future__ import annotations

import contextlib
import os
import socket
import sqlite3
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.cli.app import run as cli
from service.config import load
from service.wiring import Service
from tests import parts

pytestmark = pytest.mark.broker
CONTACT = (
    '[[contact]]\nid = "lead"\nname = "Lead"\nvia = [{ channel = "log" }, { channel = "news" }]\n'
    '[[contact]]\nid = "night"\nname = "Night"\nvia = [{ channel = "log" }]\n'
)
CHANNELS = '[channels.log]\nkind = "log"\n[channels.news]\nkind = "mqtt"\ntopic = "news/notifications"\n'
QUICK = "[watch]\nheartbeat_s = 1\n"


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[parts.BrokerAt]:
    with parts.any_broker(tmp_path_factory.mktemp("broker")) as found:
        yield found


@contextlib.contextmanager
def locked(ledger: Path) -> Iterator[None]:
    """Another program holds the ledger's write lock."""
    with contextlib.closing(sqlite3.connect(ledger, isolation_level=None, timeout=20)) as other:
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def failed(port: int, host: str = "127.0.0.1") -> list[str]:
    return list(httpx.get(f"http://{host}:{port}/readyz", timeout=5, trust_env=False).json()["failed"])


def age_s(file: Path) -> float:
    return time.time() - file.stat().st_mtime


def test_the_daemon_says_that_it_works_that_it_cannot_record_and_that_it_can_again(
    broker: parts.BrokerAt, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """One life: ready, a ledger that cannot be written for nine seconds, ready again, stopped."""
    monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
    monkeypatch.setenv("WATCHDOG_USEC", "1500000")
    daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(1, contacts=CONTACT), CHANNELS + QUICK)
    beats_on = f"dustcake/v1/service/test-{daemon.port}/heartbeat"
    config, alive = str(daemon.folder / "dustcake.toml"), daemon.folder / "data" / "alive"
    said: list[str] = []
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager,
        parts.hearing(broker, beats_on) as beats,
        parts.hearing(broker, "news/notifications") as news,
        parts.publisher(broker) as client,
    ):
        manager.bind(str(tmp_path / "notify"))
        manager.setblocking(False)

        def told(words: str) -> bool:
            with contextlib.suppress(BlockingIOError):
                while True:
                    said.append(manager.recv(4096).decode())
            return any(words in one for one in said)

        def publish(seq: int) -> None:
            rows = [("dp", time.time() - 1, 3.0)]
            client.publish("dustcake/v1/gw-0/readings", parts.message("gw-0", seq, rows), qos=1)

        assert cli(["status", "--max-age", "10", "--config", config]) == 4  # no sign yet
        try:
            daemon.start()
            parts.wait_until(lambda: told("READY=1"), "the manager hears that it runs")
            publish(1)
            parts.wait_until(lambda: any(beat["readings"] == 1 for beat in beats), "a heartbeat counts the reading")
            beat = next(beat for beat in beats if beat["readings"] == 1)
            assert (beat["ready"], beat["failed"], beat["retain"]) == (True, {}, False)
            assert beat["journal"] >= 1
            assert beat["turned_s_ago"] < 5
            assert httpx.get(f"http://127.0.0.1:{daemon.port}/livez", trust_env=False).json()["turning"] is True
            assert cli(["status", "--max-age", "10", "--config", config]) == 0
            parts.wait_until(lambda: told("STATUS=ready"), "a line for people")

            started_s = time.monotonic()
            with locked(daemon.ledger):
                publish(2)
                parts.wait_until(lambda: failed(daemon.port) == ["ledger"], "readiness", 5)
                parts.wait_until(lambda: not beats[-1]["ready"], "the heartbeat", 5 - (time.monotonic() - started_s))
                parts.wait_until(lambda: news, "people, past the outbox", 5 - (time.monotonic() - started_s) + 0.5)
                assert "not writable" in beats[-1]["failed"]["ledger"]
                assert "free space or mend the disk" in beats[-1]["failed"]["ledger"]
                assert news[0]["type"] == "dustcake.alarm.cannot-record"
                assert "cannot record" in (daemon.folder / "daemon.log").read_text()
                parts.wait_until(lambda: told("NOT READY: not writable"), "the manager's line")
                said.clear()
                parts.wait_until(lambda: age_s(alive) > 3, "the file grows old")
                assert cli(["status", "--max-age", "2", "--config", config]) == 3
                assert told("WATCHDOG=1")  # it tries again: no reason to be killed
                assert httpx.get(f"http://127.0.0.1:{daemon.port}/livez", trust_env=False).status_code == 200
                assert beats[-1]["readings"] == 1  # nothing got ahead of the disk
            parts.wait_until(lambda: failed(daemon.port) == [], "ready again", 15)
            parts.wait_until(lambda: len(news) == 2, "people hear that it is over")
            assert news[1]["type"] == "dustcake.alarm.records-again"
            parts.wait_until(lambda: beats[-1]["ready"] and beats[-1]["readings"] == 2, "nothing was lost")
            parts.wait_until(lambda: age_s(alive) < 2, "the file is fresh again")
            outbox = "SELECT step, contact, channel, state FROM outbox ORDER BY contact, channel"
            parts.wait_until(lambda: {row[3] for row in daemon.ask_ledger(outbox)} == {"accepted"}, "all accepted")
            assert [row[:3] for row in daemon.ask_ledger(outbox)] == [
                ("records-again", "lead", "log"),
                ("records-again", "lead", "news"),
            ]  # an address that two contacts share is told once
            assert daemon.stop() == 0
            assert told("STOPPING=1")
        finally:
            daemon.end()
    capfd.readouterr()


def test_a_stuck_pipeline_is_told_to_the_manager_by_silence_and_to_everybody_else_by_name(
    broker: parts.BrokerAt, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole service in this process, so that its pipeline can be held."""
    address = f"@dustcake-stuck-{os.getpid()}"
    monkeypatch.setenv("NOTIFY_SOCKET", address)
    monkeypatch.setenv("WATCHDOG_USEC", "600000")
    monkeypatch.delenv("WATCHDOG_PID", raising=False)
    made = parts.Daemon(tmp_path / "d", broker, parts.plant_text(1), QUICK)  # its files alone
    settings = load(made.folder / "dustcake.toml")
    settings = settings.model_copy(update={"watch": settings.watch.model_copy(update={"stalled_after_s": 1.0})})
    held, let_go = threading.Event(), threading.Event()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind("\0" + address[1:])
        manager.settimeout(5.0)
        service = Service(settings)
        take = service.inbox.take

        def stuck(most: int, **rest: Any) -> Any:
            if held.is_set():
                let_go.wait(60)
            return take(most, **rest)

        monkeypatch.setattr(service.inbox, "take", stuck)
        service.start()
        try:
            parts.wait_until(lambda: "WATCHDOG=1" in manager.recv(4096).decode(), "it turns")
            parts.wait_until(lambda: failed(made.port) == [], "it is ready")
            held.set()
            parts.wait_until(lambda: failed(made.port) == ["pipeline"], "readiness names it")
            assert httpx.get(f"http://127.0.0.1:{made.port}/livez", trust_env=False).status_code == 503
            manager.setblocking(False)
            with contextlib.suppress(BlockingIOError):
                while True:
                    manager.recv(4096)
            turns = service.watch.heartbeat.published
            parts.wait_until(lambda: service.watch.heartbeat.published >= turns + 2, "heartbeats go on")
            with contextlib.suppress(BlockingIOError):
                while True:
                    assert "WATCHDOG" not in manager.recv(4096).decode()
            let_go.set()
            held.clear()
            manager.settimeout(5.0)
            parts.wait_until(lambda: "WATCHDOG=1" in manager.recv(4096).decode(), "it turns again")
            parts.wait_until(lambda: failed(made.port) == [], "it is ready again")
        finally:
            let_go.set()
            assert service.stop()


def test_readiness_follows_broker_threads_clock_and_outbox_there_and_back(tmp_path: Path) -> None:
    """With the real parts: a broker that goes and comes, a dispatcher that ends, a clock that is set back."""
    with contextlib.ExitStack() as first:
        broker = first.enter_context(parts.any_broker(tmp_path))
        made = parts.Daemon(tmp_path / "d", broker, parts.plant_text(1), QUICK)
        service = Service(load(made.folder / "dustcake.toml"))
        service.start()
        first.callback(service.stop)
        said = service.house.health
        parts.wait_until(lambda: said().ready, "ready")
        published = service.watch.heartbeat.published
        parts.wait_until(lambda: service.watch.heartbeat.published > published, "it beats")

        plant_us = service.clock.plant_us
        with pytest.MonkeyPatch.context() as patch:
            parts.wait_until(lambda: service.watch.probe.latest.newest_us > 0, "the probe saw the first entry")
            patch.setattr(type(service.clock), "plant_us", lambda _self: plant_us() - 3600 * 10**6)
            assert "behind the newest entry" in said().checks["clock"]
        assert said().checks["clock"] == "ok"

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(service.outbox, "owed", lambda: (1, service.clock.wall_us() - 901 * 10**6))
            assert "owed for 15 min" in said().checks["outbox"]
        assert said().checks["outbox"] == "ok"

        assert service.dispatcher.stop(5)
        assert "dispatcher ended; restart" in said().checks["threads"]


def test_the_broker_check_and_the_heartbeat_follow_the_connection(tmp_path: Path) -> None:
    with parts.any_broker(tmp_path) as broker:
        if broker.kind != "mosquitto":
            pytest.skip("needs a broker that can be stopped")
        made = parts.Daemon(tmp_path / "d", broker, parts.plant_text(1), QUICK)
        service = Service(load(made.folder / "dustcake.toml"))
        service.start()
        parts.wait_until(lambda: service.house.health().ready, "ready")
    try:
        parts.wait_until(lambda: not service.house.health().ready, "it notices")
        assert "the broker keeps what gateways send" in service.house.health().checks["broker"]
        parts.wait_until(lambda: service.watch.heartbeat.last_error, "and cannot say so there")
        assert service.watch.liveness().turning
    finally:
        service.stop()

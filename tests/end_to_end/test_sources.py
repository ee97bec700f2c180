"""Somebody else's topics and payloads on two brokers, and a sources file that changes while the service runs."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests import parts

PLAIN = """
[[source]]
name = "silo"
broker = "annex"
form = "plain"
topics = ["silo/{gateway}/{tag}"]
gateways = { S7 = "gw-1" }
tags = { druck = { tag = "dp", unit = "mbar" }, header = { unit = "psi" } }
"""
MAPPED = """
[[source]]
name = "cutting"
form = "mapped"
topics = ["works/{gateway}/values"]
mapped = { items = "points", tag = "n", value = "v", at = "t", time_form = "ms", decimal = "," }
gateways = { A0B1 = "gw-0" }
[source.tags."4001"]
tag = "dp"
unit = "inH2O"
loop = { at_4_mA = 0, at_20_mA = 10 }
"""
CHANGES = ["source silo tags druck tag: dp -> amps", "source cutting: added"]


@contextmanager
def running(folder: Path, sources: str) -> Iterator[tuple[parts.Daemon, parts.BrokerAt, parts.BrokerAt]]:
    """A daemon with this sources file on two brokers."""
    (folder / "a").mkdir()
    (folder / "b").mkdir()
    with parts.mosquitto(folder / "a") as main, parts.mosquitto(folder / "b") as annex:
        path = folder / "sources.toml"
        path.write_text(f'[[broker]]\nname = "annex"\nhost = "127.0.0.1"\nport = {annex.port}\n{sources}')
        daemon = parts.Daemon(folder / "d", main, parts.plant_text(2))
        config = folder / "d" / "dustcake.toml"
        config.write_text(f'sources = "{path}"\n{config.read_text()}')
        try:
            daemon.start()
            yield daemon, main, annex
        finally:
            daemon.end()


def send(broker: parts.BrokerAt, *messages: tuple[str, bytes]) -> None:
    with parts.publisher(broker) as client:
        for topic, payload in messages:
            client.publish(topic, payload, qos=1).wait_for_publish(20)


def values(daemon: parts.Daemon) -> dict[tuple[str, str], float]:
    """The last value of each point that has one, in the unit that people see."""
    collectors = daemon.get("/api/v1/overview")["collectors"]
    return {
        (one["id"], point["name"]): round(point["last_value"], 6)
        for one in collectors
        for point in one["points"]
        if point["last_value"] is not None
    }


def reload(daemon: parts.Daemon) -> tuple[int, str]:
    """What `dustcake reload` says, and its exit code."""
    config = str(daemon.folder / "dustcake.toml")
    command = [sys.executable, "-m", "service", "reload", "--who", "ann", "--json", "--config", config]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=parts.ROOT)
    return done.returncode, done.stdout + done.stderr


@pytest.mark.broker
def test_two_brokers_and_two_forms_end_in_the_same_record(tmp_path: Path) -> None:
    now_ms = time.time_ns() // 1_000_000
    body = {"points": [{"n": "4001", "v": "2,0", "t": now_ms - 1000}, {"n": "4001", "v": "12,0", "t": now_ms}]}
    with running(tmp_path, PLAIN + MAPPED) as (daemon, main, annex):
        send(main, ("works/A0B1/values", json.dumps(body).encode()))
        send(annex, ("silo/S7/druck", b"12.45"), ("silo/S7/header", b"90"), ("silo/S7/unknown", b"1"))
        parts.wait_until(lambda: len(values(daemon)) >= 3, "all values are there")
        found = values(daemon)
        assert found["quay/hall/c-0", "dp"] == 5.0, "12 mA is half of the span; 2 mA is a failure, not a value"
        assert found["quay/hall/c-1", "dp"] == pytest.approx(12.45 / 2.4908891, abs=1e-6), "mbar, shown in inH2O"
        assert found["quay/hall/c-1", "header"] == 90.0
        (refused,) = daemon.get("/api/v1/quarantine")
        assert (refused["topic"], refused["code"]) == ("silo/S7/unknown", "reading-invalid")
        assert daemon.stop() == 0


@pytest.mark.broker
def test_a_sources_file_is_taken_up_while_running_whole_or_not_at_all(tmp_path: Path) -> None:
    with running(tmp_path, PLAIN) as (daemon, main, annex):
        path = tmp_path / "sources.toml"
        sound = path.read_text()
        code, said = reload(daemon)
        assert (code, json.loads(said)) == (0, {"changes": [], "doubts": []})
        path.write_text(sound + MAPPED.replace('form = "mapped"', 'form = "maped"'))
        code, said = reload(daemon)
        assert code != 0
        assert "source[cutting].form 'maped'" in said
        send(annex, ("silo/S7/druck", b"1"))
        parts.wait_until(lambda: values(daemon), "the old sources are still in force")
        path.write_text(sound.replace('druck = { tag = "dp"', 'druck = { tag = "amps"') + MAPPED)
        code, said = reload(daemon)
        assert (code, json.loads(said)["changes"]) == (0, CHANGES)
        at_ms = time.time_ns() // 1_000_000
        body = {"points": [{"n": "4001", "v": "4,8", "t": at_ms}]}
        send(main, ("works/A0B1/values", json.dumps(body).encode()))
        parts.wait_until(lambda: ("quay/hall/c-0", "dp") in values(daemon), "the new source is heard")
        rows = daemon.ask_ledger("SELECT who, what, detail FROM audit")
        assert [(who, what) for who, what, _ in rows] == [("sources file", "sources"), ("ann", "sources")]
        assert [json.loads(detail)["changes"] for *_, detail in rows] == [["first sources file on record"], CHANGES]
        assert daemon.stop() == 0
        path.write_text(sound + MAPPED)
        daemon.start()
        ((who, detail),) = daemon.ask_ledger("SELECT who, detail FROM audit ORDER BY id DESC LIMIT 1")
        assert (who, json.loads(detail)["changes"]) == ("sources file", ["source silo tags druck tag: amps -> dp"])
        assert daemon.stop() == 0


@pytest.mark.broker
def test_a_broker_that_is_lost_is_named_and_the_other_goes_on(tmp_path: Path) -> None:
    with running(tmp_path, PLAIN) as (daemon, main, annex):
        send(annex, ("silo/S7/druck", b"6.5"))
        parts.wait_until(lambda: ("quay/hall/c-1", "dp") in values(daemon), "the annex is heard")
        annex_pid = int(subprocess.check_output(["pgrep", "-f", f"{tmp_path}/b/mosquitto.conf"]).split()[0])
        os.kill(annex_pid, signal.SIGKILL)
        said: list[str] = []

        def is_noticed() -> bool:
            said[:] = [daemon.get("/api/v1/health")["checks"]["broker"]]
            return said != ["ok"]

        parts.wait_until(is_noticed, "the lost broker is noticed")
        assert str(annex.port) in said[0]
        start_s = int(time.time()) - 60
        rows = [row for n in range(40) for row in (("airflow", start_s + n, 8000.0), ("dp", start_s + n, 6.5))]
        send(main, ("dustcake/v1/gw-0/readings", parts.message("gw-0", 1, rows)))
        raised = "SELECT collector, tier FROM alarm WHERE state = 'active' AND tier = 'high-high'"
        parts.wait_until(lambda: daemon.ask_ledger(raised), "the main broker's collector is judged")
        assert daemon.ask_ledger(raised) == [("quay/hall/c-0", "high-high")]


@pytest.mark.broker
def test_what_is_mended_in_the_sources_file_is_sent_again_and_taken_once(tmp_path: Path) -> None:
    with running(tmp_path, PLAIN.replace("druck", "druckk")) as (daemon, _, annex):
        send(annex, ("silo/S7/druck", b"12.45"))
        parts.wait_until(lambda: daemon.get("/api/v1/quarantine"), "it is refused")
        path = tmp_path / "sources.toml"
        path.write_text(path.read_text().replace("druckk", "druck"))
        assert reload(daemon)[0] == 0
        for through in (1, 0):
            assert daemon.post("/api/v1/quarantine/again", {"who": "ann"})["through"] == through
        assert values(daemon)["quay/hall/c-1", "dp"] == pytest.approx(12.45 / 2.4908891, abs=1e-6)
        assert daemon.stop() == 0

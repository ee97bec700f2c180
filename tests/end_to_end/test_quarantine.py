"""The daemon as a process: what it refused goes through after mending, once, also when it is killed meanwhile."""

from __future__ import annotations

import contextlib
import json
import random
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.model import Entry, Rejected
from service.store.ledger import Ledger
from service.units.times import DAY_US
from tests import parts
from tests.end_to_end.test_service_behaviour import counted, daemon_in, send

pytestmark = pytest.mark.broker
COLLECTOR = "quay/hall/c-1"
KEPT = "SELECT count(*) FROM quarantine WHERE state = 'kept'"


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[parts.BrokerAt]:
    with parts.any_broker(tmp_path_factory.mktemp("broker")) as found:
        yield found


def rows_at(at_s: int, dp: float) -> list[tuple[str, str | float, float]]:
    return [("airflow", at_s, 8000.0), ("dp", at_s, dp)]


def mend(daemon: parts.Daemon) -> None:
    """Start it again with a plant file that knows the second gateway."""
    assert daemon.stop() == 0
    (daemon.folder / "plant.toml").write_text(parts.plant_text(2))
    daemon.start()


def verb(daemon: parts.Daemon, *arguments: str) -> str:
    """What `dustcake quarantine` prints, asked of the running daemon."""
    config = str(daemon.folder / "dustcake.toml")
    command = [sys.executable, "-m", "service", "quarantine", *arguments, "--config", config]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, cwd=parts.ROOT)
    assert done.returncode == 0, done.stderr
    return done.stdout


def in_history(daemon: parts.Daemon) -> list[tuple[Any, ...]]:
    """How many readings, and how many different ones; the daemon is stopped for it."""
    assert daemon.stop() == 0
    return daemon.ask_history("SELECT count(*), count(DISTINCT (point, at_utc)) FROM reading")


def test_after_mending_the_plant_what_was_refused_goes_through_once_and_alarms_are_decided(
    broker: parts.BrokerAt, tmp_path: Path
) -> None:
    now_s = int(time.time()) - 600
    messages = [(f"again/v1/gw-{n}/readings", n, s) for s in range(40) for n in (0, 1)]
    with daemon_in(tmp_path / "d", broker, parts.plant_text(1), tag="again") as daemon:
        daemon.start()
        send(broker, [(t, parts.message(f"gw-{n}", s, rows_at(now_s + s, 5.5))) for t, n, s in messages])
        send(broker, [("again/v1/gw-1/readings", b"\x1b[31mjunk")])
        counted(daemon, 80)
        parts.wait_until(lambda: daemon.ask_ledger(KEPT) == [(41,)], "what cannot be used is kept")
        raised = "SELECT collector, tier, state FROM alarm ORDER BY collector"
        parts.wait_until(lambda: daemon.ask_ledger(raised) == [("quay/hall/c-0", "high", "active")], "one alarm")
        assert "gateway-unknown\t40\t0\t" in verb(daemon, "counts")
        assert daemon.get("/api/v1/overview")["quarantine"] == [
            {"name": "gateway-unknown", "count": 40},
            {"name": "message-invalid", "count": 1},
        ]
        mend(daemon)
        said = verb(daemon, "again", "--code", "gateway-unknown", "--who", "ann")
        assert said.startswith("40 messages\n- 40 gone through")
        assert said.endswith("readings: 80 new, 0 duplicate, 0 late, 0 refused\n")
        assert [row[0] for row in daemon.ask_ledger(raised)] == ["quay/hall/c-0", COLLECTOR]
        assert verb(daemon, "again", "--all", "--who", "ann").startswith("1 messages\n- 1 refused again")
        assert verb(daemon, "again", "2", "3", "--who", "ann").startswith("0 messages\n- 2 of the ids are not kept")
        (junk,) = daemon.get("/api/v1/quarantine")
        shown = verb(daemon, "show", str(junk["id"]))
        assert "\\x1b[31mjunk" in shown
        assert "\x1b" not in shown
        purged = verb(daemon, "purge", "--older-than", "PT0S", "--why", "tried", "--who", "ann")
        assert purged.startswith("41 deleted, 1 of them never used; ")
        assert daemon.get("/api/v1/quarantine", state="any") == []
        assert [what for (what,) in daemon.ask_ledger("SELECT what FROM audit WHERE who = 'ann' ORDER BY id")] == [
            "redrive",
            "redrive",
            "purge",
        ]
        assert in_history(daemon) == [(160, 160)]
        entries = daemon.ask_ledger("SELECT events FROM journal WHERE events IS NOT NULL")
        changes = [(event["collector"], event["change"]) for (text,) in entries for event in json.loads(text)]
        assert changes.count((COLLECTOR, "raised")) == 1


def test_what_is_older_than_the_setting_allows_is_purged_by_the_service_and_on_record(
    broker: parts.BrokerAt, tmp_path: Path
) -> None:
    now_us = int(time.time() * 1e6)
    settings = "[intake]\nquarantine_days = 2\n"
    with daemon_in(tmp_path / "d", broker, parts.plant_text(1), settings, tag="old") as daemon:
        daemon.ledger.parent.mkdir()
        with contextlib.closing(Ledger(daemon.ledger)) as before:
            ages_us = (3 * DAY_US, 2 * DAY_US + 1, DAY_US)
            old = tuple(Rejected("t", b"{", now_us - age_us, "message-invalid", "r") for age_us in ages_us)
            before.commit(Entry(committed_us=now_us, rejected=old))
        daemon.start()
        parts.wait_until(lambda: daemon.ask_ledger(KEPT) == [(1,)], "the old ones are gone")
        ((who, detail),) = daemon.ask_ledger("SELECT who, detail FROM audit WHERE what = 'purge'")
        found = json.loads(detail)
        assert (who, found["why"]) == ("service", "intake.quarantine_days is 2")
        assert (found["messages"], found["never_used"], found["codes"]) == (2, 2, {"message-invalid": 2})


@pytest.mark.timeout(300)
def test_killed_while_it_sends_again_it_has_each_reading_once(broker: parts.BrokerAt, tmp_path: Path) -> None:
    """Small transactions, and a kill after a random part of them, until nothing is kept."""
    seed = random.SystemRandom().randrange(10**6)
    print("seed", seed)  # shown when the test fails
    draw, now_s, count = random.Random(seed), int(time.time()) - 3600, 120
    settings = "[intake]\nbatch_parcels = 2\n"
    with daemon_in(tmp_path / "d", broker, parts.plant_text(1), settings, tag="killed") as daemon:
        daemon.start()
        sent = [parts.message("gw-1", s, rows_at(now_s + s, 3.0)) for s in range(count)]
        with parts.publisher(broker) as client:
            for payload in sent:
                info = client.publish("killed/v1/gw-1/readings", payload, qos=1)
            info.wait_for_publish(30)
        parts.wait_until(lambda: daemon.ask_ledger(KEPT)[0][0] >= count, "all of it is kept")
        mend(daemon)
        for _ in range(4):
            asking = threading.Thread(target=ask_until_killed, args=(daemon,))
            before = daemon.ask_ledger(KEPT)[0][0]
            asking.start()
            goal = max(1, before - draw.randrange(1, 20))
            parts.wait_until(lambda goal=goal: daemon.ask_ledger(KEPT)[0][0] <= goal, "some have gone through")
            time.sleep(draw.uniform(0, 0.01))  # anywhere within a transaction
            daemon.kill()
            asking.join(30)
            kept = daemon.ask_ledger(KEPT)[0][0]
            assert 0 < kept < before, "it was killed in the midst of it"
            assert rows(daemon) == 2 * (count - kept), "readings and rows were written together"
            daemon.start()
        ask_until_killed(daemon)
        assert daemon.ask_ledger(KEPT) == [(0,)]
        assert rows(daemon) == 2 * count
        assert in_history(daemon) == [(2 * count, 2 * count)]


def rows(daemon: parts.Daemon) -> int:
    return int(daemon.ask_ledger("SELECT coalesce(sum(rows), 0) FROM journal")[0][0])


def ask_until_killed(daemon: parts.Daemon) -> None:
    """Order all to be sent again, share by share, until nothing is left or nobody answers."""
    after, left = 0, 1
    with contextlib.suppress(httpx.TransportError):
        while left:
            answer = daemon.post("/api/v1/quarantine/again", {"who": "ann", "after": after})
            after, left = answer["after"], answer["left"]

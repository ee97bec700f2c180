"""A broker that loses what it had accepted: the gaps on record are exactly those messages, and close when they come."""

from __future__ import annotations

import json
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest

from tests import parts

SPEED = 60.0  # of the plant's clock: the settling time of two minutes takes two seconds
ROWS = "SELECT gateway, first, last, filled_us IS NOT NULL FROM gap ORDER BY gateway, first"
HEARD = "SELECT count FROM tally WHERE name = 'messages'"
MISSING = "SELECT count FROM tally WHERE name = 'missing messages'"


def settings(now_s: float) -> str:
    return f'[clock]\nspeed = {SPEED}\nwall_anchor = {now_s}\nplant_anchor = {now_s}\n[log]\nform = "json"\n'


def send(broker: parts.BrokerAt, gateway: str, numbers: Iterable[int], at_s: float, boot: str | None = "b1") -> None:
    """Publish these numbers, each measured at its own second, and wait until the broker has accepted all of them."""
    with parts.publisher(broker) as client:
        for seq in numbers:
            body: dict[str, Any] = json.loads(parts.message(gateway, seq, [("dp", at_s + seq, 3.0)], "b1"))
            if boot is None:
                del body["boot"], body["seq"]
            info = client.publish(f"dustcake/v1/{gateway}/readings", json.dumps(body), qos=1)
        info.wait_for_publish(30)


def heard(daemon: parts.Daemon, count: int) -> None:
    parts.wait_until(lambda: (daemon.ask_ledger(HEARD) or [(0,)])[0][0] >= count, f"{count} messages are on record")


def restarted(folder: Path, port: int) -> Any:
    """The same broker again, on the same port and without what it held in memory."""
    assert parts.MOSQUITTO is not None
    config = folder / "again.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\nlog_type error\n")
    return parts.running([parts.MOSQUITTO, "-c", str(config)], folder / "again.log")


@pytest.mark.broker
@pytest.mark.timeout(300)
def test_what_a_killed_broker_lost_is_reported_and_nothing_else_and_is_filled_when_it_comes(tmp_path: Path) -> None:
    if parts.MOSQUITTO is None:
        pytest.skip("no mosquitto binary")
    at_s = int(time.time()) - 3600
    port = parts.free_port()
    broker = parts.BrokerAt("127.0.0.1", port, "mosquitto")
    daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(3), settings(time.time()))
    try:
        with restarted(tmp_path, port) as process:
            parts.wait_until(lambda: parts.answers(port), "mosquitto answers")
            daemon.start()
            send(broker, "gw-0", range(1, 11), at_s)
            send(broker, "gw-1", range(1, 11), at_s)
            send(broker, "gw-2", range(1, 3), at_s, boot=None)
            heard(daemon, 22)
            assert daemon.stop() == 0
            send(broker, "gw-0", range(11, 31), at_s)  # accepted by the broker for a daemon that is stopped
            send(broker, "gw-2", range(11, 31), at_s, boot=None)
            process.kill()
            process.wait(10)
        with restarted(tmp_path, port):
            parts.wait_until(lambda: parts.answers(port), "mosquitto answers again")
            daemon.start()
            send(broker, "gw-0", range(31, 41), at_s)
            send(broker, "gw-1", range(11, 41), at_s)
            send(broker, "gw-2", range(31, 33), at_s, boot=None)
            heard(daemon, 64)
            parts.wait_until(lambda: daemon.ask_ledger(ROWS), "the loss is reported")
            assert daemon.ask_ledger(ROWS) == [("gw-0", 11, 30, 0)]
            assert daemon.ask_ledger(MISSING) == [(20,)]
            check_it_is_shown(daemon)

            send(broker, "gw-0", (*range(11, 19), 5, 40), at_s)  # some of it, and some that had come
            heard(daemon, 74)
            assert daemon.ask_ledger(ROWS) == [("gw-0", 11, 18, 1), ("gw-0", 19, 30, 0)]
            daemon.kill()
            daemon.start()
            send(broker, "gw-0", (30, 25, *range(26, 30), 24, 41, 43), at_s)  # newest first, and a new gap
            heard(daemon, 83)
            parts.wait_until(lambda: len(daemon.ask_ledger(ROWS)) > 3, "the new gap is reported")
            assert daemon.ask_ledger(ROWS) == [
                ("gw-0", 11, 18, 1),
                ("gw-0", 19, 23, 0),
                ("gw-0", 24, 30, 1),
                ("gw-0", 42, 42, 0),
            ]
            assert daemon.ask_ledger(MISSING) == [(6,)]
            assert daemon.stop() == 0
    finally:
        daemon.end()


def check_it_is_shown(daemon: parts.Daemon) -> None:
    found = daemon.get("/api/v1/gaps")
    assert [(gap["gateway"], gap["boot"], gap["first"], gap["last"], gap["messages"]) for gap in found["gaps"]] == [
        ("gw-0", "b1", 11, 30, 20)
    ]
    assert found["gateways"] == [
        {"gateway": "gw-0", "numbering": "numbered", "missing": 20},
        {"gateway": "gw-1", "numbering": "numbered", "missing": 0},
        {"gateway": "gw-2", "numbering": "not numbered", "missing": 0},
    ]
    seen = daemon.get("/api/v1/overview")
    says = {one["id"]: one["link_says"] for one in seen["collectors"]}
    assert says["quay/hall/c-0"].endswith("gw-0, 20 messages missing")
    assert says["quay/hall/c-1"].endswith("gw-1")
    assert says["quay/hall/c-2"].endswith("gw-2, messages not numbered")
    assert {"name": "missing messages", "count": 20} in seen["counts"]
    lines = [json.loads(line) for line in (daemon.folder / "daemon.log").read_text().splitlines() if line[:1] == "{"]
    (warning,) = [line for line in lines if line["event"] == "numbered messages are missing"]
    assert (warning["level"], warning["gateway"], warning["messages"], warning["numbers"]) == (
        "warning", "gw-0", 20, "11-30",
    )  # fmt: skip

"""The daemon as a process: junk, stopping under load, MQTT 3.1.1, a broken history, changed limits, wills, refusals."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests import parts
from tests.end_to_end.story import tell
from tests.end_to_end.test_nothing_lost import check_everything_is_there_once, published

pytestmark = pytest.mark.broker
COUNTED = "SELECT coalesce(sum(rows), 0) FROM journal"
C0 = "quay/hall/c-0"


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[parts.BrokerAt]:
    with parts.any_broker(tmp_path_factory.mktemp("broker")) as found:
        yield found


@contextlib.contextmanager
def daemon_in(
    folder: Path, broker: parts.BrokerAt, plant: str, settings: str = "", *, tag: str = "", version: int = 5
) -> Iterator[parts.Daemon]:
    """A daemon with topics of its own under `tag`, so that tests share a broker; ended whatever happens."""
    topics = f'[topics]\nreadings = "{tag}/v1/+/readings"\nstatus = "{tag}/v1/+/status"\n' if tag else ""
    made = parts.Daemon(folder, broker, plant, topics + settings, version)
    try:
        yield made
    finally:
        made.end()


def send(broker: parts.BrokerAt, messages: list[tuple[str, bytes]]) -> None:
    with parts.publisher(broker) as client:
        for topic, payload in messages:
            client.publish(topic, payload, qos=1).wait_for_publish(20)


def all_points(at_s: float, dp: float = 3.0) -> list[tuple[str, str | float, float]]:
    """One good reading of every point of a collector that runs, in order."""
    values = {"airflow": 8000.0, "dp": dp, "header": 90.0, "temperature": 120.0, "amps": 27.0, "pulses": 5.0}
    return [(name, at_s, value) for name, value in values.items()]


def counted(daemon: parts.Daemon, rows: int) -> None:
    parts.wait_until(lambda: daemon.ask_ledger(COUNTED)[0][0] >= rows, f"{rows} readings are in the ledger", 30)


def counts(daemon: parts.Daemon) -> dict[str, int]:
    return {item["name"]: item["count"] for item in daemon.get("/api/v1/overview")["counts"]}


# ---------------------------------------------------------------- junk


def test_junk_lands_in_quarantine_with_its_reason_and_disturbs_nothing_else(
    broker: parts.BrokerAt, tmp_path: Path
) -> None:
    now_s = int(time.time()) - 60
    good = parts.message("gw-0", 1, all_points(now_s))
    half = json.loads(parts.message("gw-0", 2, all_points(now_s + 1)))
    half["readings"][1]["unit"] = "furlong"
    half["readings"][2]["at"] = now_s + 864_000
    junk = [
        ("gw-0/readings", b"\x00\xff not JSON"),
        ("gw-0/readings", b"[" * 50_000),
        ("gw-0/readings", parts.message("gw-1", 1, all_points(now_s))),
        ("gw-0/readings", b"x" * 300_000),
        ("gw-0/readings", json.dumps(half).encode()),
        ("gw-stranger/readings", parts.message("gw-stranger", 1, all_points(now_s))),
        ("gw-0/status", b"\xf0\x28"),
    ]
    with daemon_in(tmp_path / "d", broker, parts.plant_text(1), tag="junk") as daemon:
        daemon.start()
        later = parts.message("gw-0", 3, all_points(now_s + 2))
        send(
            broker,
            [
                ("junk/v1/gw-0/readings", good),
                *((f"junk/v1/{t}", p) for t, p in junk),
                ("junk/v1/gw-0/readings", later),
            ],
        )
        counted(daemon, 16)  # 6, 4 of the half one, 6
        rows = {(row["code"], row["topic"].split("/")[2]): row["reason"] for row in daemon.get("/api/v1/quarantine")}
        assert len(daemon.get("/api/v1/quarantine")) == len(junk)
        assert set(rows) == {
            ("message-invalid", "gw-0"),
            ("unit-refused", "gw-0"),
            ("gateway-unknown", "gw-stranger"),
        }
        assert "'furlong'" in rows["unit-refused", "gw-0"]
        assert "which the service's clock allows" in rows["unit-refused", "gw-0"]
        reasons = " ".join(row["reason"] for row in daemon.get("/api/v1/quarantine"))
        for text in ("malformed", "recursion", "on the topic of 'gw-0'", "300000 bytes", "gateway status"):
            assert text in reasons
        (kept,) = [row for row in daemon.get("/api/v1/quarantine") if row["code"] == "unit-refused"]
        assert [item["tag"] for item in json.loads(kept["payload"])["readings"]] == ["dp", "header"]
        assert daemon.is_ready()
        assert counts(daemon)["quarantined"] == len(junk)
        assert daemon.stop() == 0
        assert daemon.ask_history("SELECT count(*) FROM reading") == [(16,)]


# ---------------------------------------------------------------- stopping


def test_asked_to_stop_under_load_it_ends_in_time_and_loses_nothing(tmp_path: Path) -> None:
    """With MQTT 3.1.1, by the setting."""
    story = tell(3, 900, start_s=int(time.time()) - 3600, seed=14)
    codes: list[tuple[int, float]] = []
    with (
        parts.mosquitto(tmp_path) as own,
        daemon_in(tmp_path / "d", own, parts.plant_text(3), "[intake]\nbatch_parcels = 10\n", version=3) as daemon,
    ):
        daemon.start()

        def between(number: int) -> None:
            if number in (150, 350):
                parts.wait_until(daemon.is_ready, "it runs")
                started_s = time.monotonic()
                codes.append((daemon.stop(), time.monotonic() - started_s))
                daemon.start(ready=False)

        published(own, story, between)
        check_everything_is_there_once(daemon, story)
    assert [code for code, _ in codes] == [0, 0]
    assert all(took_s < 10 for _, took_s in codes)


def test_a_signal_while_it_starts_ends_it_too(broker: parts.BrokerAt, tmp_path: Path) -> None:
    """Whenever the signal comes, the process ends; the ledger is then in order."""
    with daemon_in(tmp_path / "d", broker, parts.plant_text(1), tag="early") as daemon:
        daemon.start(ready=False)
        parts.wait_until(lambda: daemon.ask_ledger("SELECT 1 FROM sqlite_master"), "it has begun to open its ledger")
        daemon.stop()
        assert daemon.ask_ledger("PRAGMA integrity_check") == [("ok",)]


# ---------------------------------------------------------------- a history that is broken


def test_a_broken_history_is_set_aside_and_made_anew_while_evaluation_goes_on(
    broker: parts.BrokerAt, tmp_path: Path
) -> None:
    topic, start_s = "broken/v1/gw-0/readings", int(time.time()) - 600
    with daemon_in(tmp_path / "d", broker, parts.plant_text(1), tag="broken") as daemon:
        daemon.start()
        send(broker, [(topic, parts.message("gw-0", n, all_points(start_s + n, 5.5))) for n in range(15)])
        counted(daemon, 90)
        assert daemon.stop() == 0
        file = daemon.folder / "data" / "history.duckdb"
        file.write_bytes(b"no database " * 5000)
        send(broker, [(topic, parts.message("gw-0", n, all_points(start_s + n, 5.5))) for n in range(15, 40)])
        daemon.start()
        counted(daemon, 240)
        alarm = f"SELECT collector, tier, state, raised_us / 1000000 - {start_s} FROM alarm WHERE tier = 'high'"
        assert daemon.ask_ledger(alarm) == [(C0, "high", "active", 25)]  # 20 s after 5 s of settling, over the stop
        parts.wait_until(lambda: counts(daemon)["history behind"] == 0, "the history has caught up", 30)
        assert daemon.stop() == 0
        assert daemon.ask_history("SELECT count(*), count(DISTINCT (point, at_utc)) FROM reading") == [(240, 240)]
        (aside,) = file.parent.glob("history.duckdb.*.aside")
        assert aside.read_bytes().startswith(b"no database ")


# ---------------------------------------------------------------- limits change between runs


def test_limits_changed_in_the_plant_file_are_a_revision_that_closes_what_it_changed(
    broker: parts.BrokerAt, tmp_path: Path
) -> None:
    start_s = int(time.time()) - 600
    with daemon_in(tmp_path / "d", broker, parts.plant_text(2), tag="limits") as daemon:
        daemon.start()
        send(
            broker,
            [
                (f"limits/v1/{gw}/readings", parts.message(gw, n, all_points(start_s + n, 5.5)))
                for n in range(40)
                for gw in ("gw-0", "gw-1")
            ],
        )
        states = "SELECT collector, state, reason FROM alarm WHERE tier = 'high' ORDER BY collector"
        parts.wait_until(lambda: len(daemon.ask_ledger(states)) == 2, "both alarms are raised", 30)
        assert daemon.stop() == 0
        file = daemon.folder / "plant.toml"
        text = file.read_text()
        place = text.index("high = { at = 5.0")
        file.write_text(text[:place] + text[place:].replace("at = 5.0", "at = 5.3", 1))
        daemon.start()
        assert daemon.ask_ledger(states) == [
            (C0, "closed", "limit changed"),
            ("quay/hall/c-1", "active", ""),
        ]
        ((number, who, differences),) = daemon.ask_ledger(
            "SELECT number, who, differences FROM revision WHERE number > 1"
        )
        assert (number, who) == (2, "plant file")
        assert json.loads(differences) == [f"{C0} dp high at: 5.0 -> 5.3"]
        active = {alarm["collector"] for alarm in daemon.get("/api/v1/alarms")}
        assert active == {"quay/hall/c-1"}
        assert daemon.stop() == 0


# ---------------------------------------------------------------- a gateway that is lost


def test_the_last_will_of_a_gateway_raises_no_data_and_its_return_clears_it(
    broker: parts.BrokerAt, tmp_path: Path
) -> None:
    plant = parts.plant_text(1).replace('lateness = "PT2S"', 'lateness = "PT2S"\nwill_after = "PT1S"')
    status = "lost/v1/gw-0/status"

    def said(state: str) -> bytes:
        return json.dumps({"gateway": "gw-0", "state": state, "boot": "b1"}).encode()

    alarms = "SELECT collector, tier, state, reason FROM alarm"
    with daemon_in(tmp_path / "d", broker, plant, tag="lost") as daemon:
        daemon.start()
        gateway = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        gateway.will_set(status, said("offline"), qos=1, retain=True)
        gateway.connect(broker.host, broker.port)
        gateway.loop_start()
        gateway.publish(status, said("online"), qos=1, retain=True).wait_for_publish(20)
        gateway.publish(
            "lost/v1/gw-0/readings", parts.message("gw-0", 1, all_points(time.time() - 1)), qos=1
        ).wait_for_publish(20)
        counted(daemon, 6)
        assert daemon.get("/api/v1/overview")["collectors"][0]["gateway_link"] == "online"
        gateway.loop_stop()
        held = gateway.socket()
        assert isinstance(held, socket.socket)
        held.shutdown(socket.SHUT_RDWR)  # no farewell
        parts.wait_until(lambda: daemon.ask_ledger(alarms), "the alarm is raised", 30)
        assert daemon.ask_ledger(alarms) == [
            (C0, "no-data", "active", "the gateway's connection to the broker was lost")
        ]
        (shown,) = daemon.get("/api/v1/overview")["collectors"]
        assert (shown["need"], shown["gateway_link"]) == ("no data", "silent")
        send(broker, [(status, said("online"))])
        send(broker, [("lost/v1/gw-0/readings", parts.message("gw-0", 2, all_points(time.time())))])
        parts.wait_until(lambda: daemon.ask_ledger(alarms)[0][2] == "cleared", "it is cleared by new data", 30)
        assert len(daemon.ask_ledger(alarms)) == 1
        gateway.disconnect()


# ---------------------------------------------------------------- what is refused at the start


def start_and_wait(daemon: parts.Daemon) -> tuple[int, str]:
    """Exit code and output of a daemon that is expected to refuse."""
    command = [sys.executable, "-m", "service", "run", "--config", str(daemon.folder / "dustcake.toml")]
    done = subprocess.run(command, cwd=parts.ROOT, capture_output=True, text=True, timeout=60, check=False)
    return done.returncode, done.stdout + done.stderr


def test_a_second_daemon_on_the_same_data_is_refused_and_the_first_goes_on(
    broker: parts.BrokerAt, tmp_path: Path
) -> None:
    with daemon_in(tmp_path / "d", broker, parts.plant_text(1), tag="twice") as daemon:
        daemon.start()
        code, said = start_and_wait(daemon)
        assert code == 2
        assert said == (
            f"dustcake: data_dir {daemon.folder}/data: another dustcake service is using it; "
            "stop that one, or set another data_dir\n"
        )
        assert daemon.is_ready()
        assert daemon.stop() == 0


def edited(name: str, find: str, put: str) -> Callable[[Path], None]:
    def edit(folder: Path) -> None:
        file = folder / name
        text = file.read_text()
        assert find in text
        file.write_text(text.replace(find, put, 1))

    return edit


def newer_ledger(folder: Path) -> None:
    (folder / "data").mkdir()
    with contextlib.closing(sqlite3.connect(folder / "data" / "ledger.sqlite")) as connection:
        connection.execute("PRAGMA user_version = 999")


def garbage_ledger(folder: Path) -> None:
    (folder / "data").mkdir()
    (folder / "data" / "ledger.sqlite").write_bytes(b"this is no ledger" * 100)


def data_is_a_file(folder: Path) -> None:
    (folder / "data").write_text("")


def token_too_short(folder: Path) -> None:
    (folder / "data").mkdir()
    (folder / "data" / "token").write_text("abc\n")


@pytest.mark.parametrize(
    ("spoil", "texts"),
    [
        pytest.param(
            edited("dustcake.toml", "[web]", "[web]\nprot = 1"), ["web.prot: no such key", "port"], id="unknown key"
        ),
        pytest.param(
            edited("plant.toml", '"inH2O"', '"inches"'), ["plant.toml", "[dp]", "'inches'", "inH2O"], id="unit"
        ),
        pytest.param(
            newer_ledger, ["ledger.sqlite: schema version 999", "restore a backup"], id="ledger of a newer release"
        ),
        pytest.param(garbage_ledger, ["ledger.sqlite: file is not a database", "restore the ledger"], id="no ledger"),
        pytest.param(token_too_short, ["token"], id="token too short"),
        pytest.param(data_is_a_file, ["data_dir"], id="data_dir is a file"),
        pytest.param(
            edited("dustcake.toml", "[web]", 'tls = true\nca_file = "/nowhere/ca.pem"\n[web]'),
            ["broker.ca_file", "/nowhere/ca.pem"],
            id="no CA file",
        ),
        pytest.param(
            edited("dustcake.toml", "[web]", '[web]\ntoken_file = "/nowhere/token"'),
            ["web.token_file", "/nowhere/token"],
            id="no folder for the token",
        ),
    ],
)
def test_a_wrong_configuration_is_refused_with_exit_code_2_and_a_clear_sentence(
    tmp_path: Path, spoil: Callable[[Path], object], texts: list[str]
) -> None:
    nowhere = parts.BrokerAt("127.0.0.1", parts.free_port(), "none")
    with daemon_in(tmp_path / "d", nowhere, parts.plant_text(1)) as daemon:
        spoil(daemon.folder)
        code, said = start_and_wait(daemon)
    assert "Traceback" not in said
    assert code == 2, said
    assert said.startswith("dustcake: ")
    assert [text for text in texts if text not in said] == [], said
    assert len(said.strip().splitlines()) <= 2, said


def test_a_port_that_is_taken_is_refused_with_exit_code_2(tmp_path: Path) -> None:
    nowhere = parts.BrokerAt("127.0.0.1", parts.free_port(), "none")
    with socket.socket() as taken, daemon_in(tmp_path / "d", nowhere, parts.plant_text(1)) as daemon:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        edited("dustcake.toml", f"port = {daemon.port}", f"port = {port}")(daemon.folder)
        code, said = start_and_wait(daemon)
    assert f"cannot listen on 127.0.0.1:{port}" in said
    assert (code, len(said.strip().splitlines())) == (2, 1)


def test_a_broker_that_is_not_there_is_no_wrong_configuration(tmp_path: Path) -> None:
    """It starts, says that it is not ready and why, and stops in order."""
    nowhere = parts.BrokerAt("127.0.0.1", parts.free_port(), "none")
    with daemon_in(tmp_path / "d", nowhere, parts.plant_text(1)) as daemon:
        daemon.start(ready=False)

        def says_why() -> bool:
            with contextlib.suppress(httpx.HTTPError, FileNotFoundError):
                return "refused" in str(daemon.get("/api/v1/health")["checks"]["broker"]).lower()
            return False

        parts.wait_until(says_why, "it says that the broker cannot be reached", 30)
        answer = httpx.get(f"http://127.0.0.1:{daemon.port}/readyz", timeout=5)
        assert (answer.status_code, answer.json()["failed"]) == (503, ["broker"])
        assert daemon.process is not None
        daemon.process.send_signal(signal.SIGINT)  # as Ctrl-C does
        assert daemon.process.wait(15) == 0
        assert "Traceback" not in (daemon.folder / "daemon.log").read_text()

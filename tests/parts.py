"""Real parts for tests: a broker, the daemon as a process, a publisher. Loopback only; always stopped; no luck.

Brokers, in this order: the address in DUSTCAKE_TEST_BROKER, the mosquitto binary, a container, the embedded one.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb
import httpx
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

ROOT = Path(__file__).parents[1]
DEADLINE_S = 60.0
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def wait_until(condition: Callable[[], object], says: str, deadline_s: float = DEADLINE_S) -> None:
    """Return once the condition holds; AssertionError at the deadline."""
    end = time.monotonic() + deadline_s
    while not condition():
        assert time.monotonic() < end, f"{says}: not within {deadline_s} s"
        time.sleep(0.02)


def free_port() -> int:
    """A port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answers(port: int, host: str = "127.0.0.1") -> bool:
    with contextlib.suppress(OSError), socket.create_connection((host, port), timeout=0.5):
        return True
    return False


@dataclass(frozen=True)
class BrokerAt:
    host: str
    port: int
    kind: str


@contextlib.contextmanager
def running(command: Sequence[str], log: Path, env: dict[str, str] | None = None) -> Iterator[subprocess.Popen[bytes]]:
    """A child process whose output goes to a file; killed at the end if it still runs."""
    with log.open("ab") as out, subprocess.Popen(command, stdout=out, stderr=out, env=env, cwd=ROOT) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


@contextlib.contextmanager
def mosquitto(folder: Path, *, persistent: bool = False) -> Iterator[BrokerAt]:
    """A mosquitto of our own, keeping every queued message."""
    if MOSQUITTO is None:
        pytest.skip("no mosquitto binary")
    port, config = free_port(), folder / "mosquitto.conf"
    lines = [
        f"listener {port} 127.0.0.1",
        "allow_anonymous true",
        "max_queued_messages 0",
        "max_queued_bytes 0",
        "log_type error",
    ]
    if persistent:
        lines += ["persistence true", f"persistence_location {folder}/", "autosave_interval 1", "user root"]
    config.write_text("\n".join(lines) + "\n")
    with running([MOSQUITTO, "-c", str(config)], folder / "mosquitto.log") as process:
        wait_until(lambda: answers(port), "mosquitto answers")
        yield BrokerAt("127.0.0.1", port, "mosquitto")
        process.terminate()
        process.wait(10)


@contextlib.contextmanager
def embedded(folder: Path) -> Iterator[BrokerAt]:
    """The embedded broker as a child process, MQTT 5."""
    port, config = free_port(), folder / "embedded.toml"
    config.write_text(EMBEDDED.format(port=port))
    command = [sys.executable, "-m", "iotcore", "--config", str(config), "--log-level", "CRITICAL"]
    with running(command, folder / "embedded.log"):
        wait_until(lambda: answers(port), "the embedded broker answers")
        yield BrokerAt("127.0.0.1", port, "embedded")


EMBEDDED = """
id = 0
[router]
id = 0
max_connections = 100
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10
[v5.1]
name = "v5"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = 1048576
max_inflight_count = 500
dynamic_filters = true
"""


@contextlib.contextmanager
def any_broker(folder: Path) -> Iterator[BrokerAt]:
    """The first of the brokers named at the head of this file that is to be had."""
    given = os.environ.get("DUSTCAKE_TEST_BROKER")
    if given:
        host, _, port = given.partition(":")
        yield BrokerAt(host, int(port or 1883), "given")
    elif MOSQUITTO is not None:
        with mosquitto(folder) as broker:
            yield broker
    else:
        with _container() or embedded(folder) as broker:
            yield broker


def _container() -> contextlib.AbstractContextManager[BrokerAt] | None:
    """A broker in a container, where an engine runs."""
    from docker.errors import DockerException  # noqa: PLC0415 - only where neither an address nor a binary is there
    from testcontainers.community.mqtt import MosquittoContainer  # noqa: PLC0415 - likewise

    try:
        container = MosquittoContainer()
    except DockerException:
        return None

    @contextlib.contextmanager
    def started() -> Iterator[BrokerAt]:
        with container:
            yield BrokerAt(container.get_container_host_ip(), int(container.get_exposed_port(1883)), "container")

    return started()


# ---------------------------------------------------------------- the plant and the daemon


def plant_text(collectors: int, *, points: Sequence[str] | None = None, contacts: str = "") -> str:
    """A plant of so many like collectors: dp with two high limits, header, airflow as running rule, temperature."""
    text = [
        '[enterprise]\nid = "alder-pike"\nname = "Alder & Pike Works"',
        '[[site]]\nid = "quay"\nname = "Quay Street works"\ntime_zone = "Europe/Dublin"',
        '[[area]]\nid = "quay/hall"\nname = "Hall"',
    ]
    for n in range(collectors):
        text.append(
            f'[[gateway]]\nid = "gw-{n}"\nreports_every = "PT1S"\nsilent_after = "P7D"\nlateness = "PT2S"\n'
            f'[[collector]]\nid = "quay/hall/c-{n}"\nname = "Collector {n}"\nkind = "baghouse"\ngateway = "gw-{n}"\n'
            'running = { point = "airflow", on = 4000, off = 2000, unit = "cfm", settle = "PT5S" }'
        )
        text.append("\n".join(points if points is not None else POINTS))
    return "\n\n".join([*text, contacts])


POINTS = (
    '[[collector.point]]\nname = "dp"\nquantity = "differential pressure"\nunit = "inH2O"\n'
    'high = { at = 5.0, deadband = 0.2, on_delay = "PT20S" }\n'
    'high-high = { at = 6.0, deadband = 0.2, on_delay = "PT5S", priority = "high" }',
    '[[collector.point]]\nname = "header"\nquantity = "gauge pressure"\nunit = "psi"\n'
    'low = { at = 75, deadband = 3, on_delay = "PT30S" }\nlow-low = { at = 65, deadband = 3, on_delay = "PT10S" }\n'
    'high = { at = 105, deadband = 3, on_delay = "PT30S" }\nhigh-high = { at = 115, deadband = 3, on_delay = "PT10S" }',
    '[[collector.point]]\nname = "airflow"\nquantity = "airflow"\nunit = "cfm"\nwhile = "always"\n'
    'low = { at = 1000, deadband = 100, on_delay = "PT30S" }',
    '[[collector.point]]\nname = "temperature"\nquantity = "temperature"\nunit = "degF"\n'
    'high = { at = 200, deadband = 5, on_delay = "PT30S" }',
    '[[collector.point]]\nname = "amps"\nquantity = "current"\nunit = "A"',
    '[[collector.point]]\nname = "pulses"\nquantity = "count"\nunit = "count"',
)
UNITS = {"dp": "inH2O", "header": "psi", "airflow": "cfm", "temperature": "degF", "amps": "A", "pulses": "count"}


@dataclass
class Daemon:
    """`python -m service run` in a folder of its own; may be killed and started again."""

    folder: Path
    broker: BrokerAt
    plant: str
    settings: str = ""
    version: int = 5
    process: subprocess.Popen[bytes] | None = None
    port: int = field(default_factory=free_port)

    def __post_init__(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / "plant.toml").write_text(self.plant)
        (self.folder / "dustcake.toml").write_text(
            f'name = "test-{self.port}"\ndata_dir = "{self.folder}/data"\nplant = "{self.folder}/plant.toml"\n'
            f'[broker]\nhost = "{self.broker.host}"\nport = {self.broker.port}\nversion = {self.version}\n'
            f"[web]\nport = {self.port}\n{self.settings}\n"
        )

    @property
    def ledger(self) -> Path:
        return self.folder / "data" / "ledger.sqlite"

    def start(self, *, ready: bool = True) -> None:
        """Start it; with `ready`, wait until it is connected to the broker and writes."""
        log = (self.folder / "daemon.log").open("ab")
        command = [sys.executable, "-m", "service", "run", "--config", str(self.folder / "dustcake.toml")]
        self.process = subprocess.Popen(command, stdout=log, stderr=log, cwd=ROOT)
        log.close()
        if ready:
            wait_until(self.is_ready, f"the daemon is ready; see {self.folder}/daemon.log")

    def is_ready(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, (self.folder / "daemon.log").read_text()[-3000:]
        with contextlib.suppress(httpx.HTTPError):
            return httpx.get(f"http://127.0.0.1:{self.port}/readyz", timeout=2).status_code == 200
        return False

    def get(self, path: str, **params: Any) -> Any:
        return self._ask("GET", path, timeout=10, params=params)

    def post(self, path: str, body: dict[str, Any]) -> Any:
        return self._ask("POST", path, timeout=20, json=body)

    def _ask(self, method: str, path: str, **rest: Any) -> Any:
        token = (self.folder / "data" / "token").read_text().strip()
        answer = httpx.request(
            method,
            f"http://127.0.0.1:{self.port}{path}",
            headers={"Authorization": f"Bearer {token}"},
            **rest,
        )
        answer.raise_for_status()
        return answer.json()

    def kill(self) -> None:
        """End it at once, as a power cut would end the process."""
        assert self.process is not None
        self.process.kill()
        self.process.wait(10)

    def stop(self) -> int:
        """Ask it to end, and wait: its exit code."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(15)

    def end(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(10)

    def ask_ledger(self, question: str) -> list[tuple[Any, ...]]:
        if not self.ledger.exists():
            return []
        with contextlib.closing(sqlite3.connect(self.ledger, timeout=10)) as connection:
            return connection.execute(question).fetchall()

    def ask_history(self, question: str) -> list[tuple[Any, ...]]:
        """Only while the daemon is stopped: it holds the file alone."""
        with contextlib.closing(
            duckdb.connect(str(self.folder / "data" / "history.duckdb"), read_only=True)
        ) as connection:
            return connection.execute(question).fetchall()


@contextlib.contextmanager
def publisher(broker: BrokerAt) -> Iterator[paho.Client]:
    """A connected MQTT 5 client that has room for everything a test publishes."""
    connected: list[object] = []
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.max_inflight_messages_set(500)
    client.max_queued_messages_set(0)
    client.on_connect = lambda *_: connected.append(True)
    client.connect(broker.host, broker.port)
    client.loop_start()
    wait_until(lambda: connected, "the publisher is connected")
    yield client
    client.disconnect()
    client.loop_stop()


@contextlib.contextmanager
def hearing(broker: BrokerAt, topic: str) -> Iterator[list[dict[str, Any]]]:
    """What is published on a topic from now on, as JSON with `retain`."""
    heard: list[dict[str, Any]] = []
    ready = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_connect = lambda *_: client.subscribe(topic, 1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _c, _d, message: heard.append(json.loads(message.payload) | {"retain": message.retain})
    client.connect(broker.host, broker.port)
    client.loop_start()
    assert ready.wait(20)
    yield heard
    client.disconnect()
    client.loop_stop()


def message(gateway: str, seq: int, rows: Sequence[tuple[str, str | float, float]], boot: str = "b1") -> bytes:
    """A native message of (tag, at, value) rows, in the units of `UNITS`."""
    readings = [{"tag": tag, "at": at, "value": value, "unit": UNITS[tag]} for tag, at, value in rows]
    return json.dumps({"gateway": gateway, "boot": boot, "seq": seq, "readings": readings}).encode()

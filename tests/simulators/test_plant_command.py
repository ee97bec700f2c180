"""The plant command against a real broker: valid messages, births, orderly and disorderly ends."""

from __future__ import annotations

import json
import re
import signal
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from simulators.__main__ import main
from simulators.scenario import FOLDER
from tests.simulators.processes import MOSQUITTO, free_port, mosquitto, simulator, wait_until

GATEWAYS = {"gw-cut-1", "gw-join-2", "gw-silo-3", "gw-fdy-4"}
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")
PLANT_ANCHOR = 1_795_593_600
needs_broker = pytest.mark.skipif(MOSQUITTO is None, reason="no mosquitto binary")


class Listener:
    """What a subscriber has heard, by topic."""

    def __init__(self, port: int) -> None:
        self._lock = threading.Lock()
        self._heard: list[tuple[str, dict[str, Any], bool]] = []
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe("dustcake/v1/#", qos=1)
        self._client.on_message = self._keep
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _keep(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        with self._lock:
            self._heard.append((message.topic, json.loads(message.payload), message.retain))

    def heard(self, kind: str) -> list[dict[str, Any]]:
        """The bodies of all messages on `.../readings` or `.../status`."""
        with self._lock:
            return [body for topic, body, _ in self._heard if topic == f"dustcake/v1/{body['gateway']}/{kind}"]

    def states(self) -> dict[str, str]:
        """The latest state of each gateway."""
        return {body["gateway"]: body["state"] for body in self.heard("status")}

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def port(tmp_path: Path) -> Iterator[int]:
    with mosquitto(tmp_path) as listening:
        yield listening


@pytest.fixture
def listener(port: int) -> Iterator[Listener]:
    one = Listener(port)
    yield one
    one.close()


def playing(port: int, *more: str) -> list[str]:
    fast = ["--speed", "600", "--wall-anchor", str(time.time()), "--plant-anchor", str(PLANT_ANCHOR)]
    return ["plant", "--broker", f"127.0.0.1:{port}", *fast, *more]


@pytest.fixture
def calm(tmp_path: Path) -> str:
    """The demo scenario without its faults."""
    demo = (FOLDER / "demo.toml").read_text(encoding="utf-8")
    path = tmp_path / "calm.toml"
    path.write_text(demo.partition("[[fault]]")[0], encoding="utf-8")
    return str(path)


@needs_broker
@pytest.mark.broker
@pytest.mark.parametrize("version", ["5", "3"])
def test_it_publishes_native_messages_and_stops_in_order(
    port: int, listener: Listener, calm: str, version: str
) -> None:
    with simulator(*playing(port, "--mqtt", version, "--scenario", calm)) as plant:
        wait_until(lambda: set(listener.states()) == GATEWAYS, "all gateways say that they are online")
        wait_until(lambda: len(listener.heard("readings")) >= 200, "readings arrive")
        code, lines, err = plant.stop()
    assert (code, err) == (0, "")
    wait_until(lambda: set(listener.states().values()) == {"offline"}, "all gateways say that they are offline")
    bodies = listener.heard("readings")
    assert lines[-1]["published"] == len(bodies)
    assert lines[-1]["refused"] == lines[-1]["dropped"] == 0
    assert {body["gateway"] for body in bodies} == GATEWAYS
    for body in bodies:
        assert {reading["at"] for reading in body["readings"]} == {body["readings"][0]["at"]}
        for reading in body["readings"]:
            assert INSTANT.fullmatch(reading["at"])
            assert isinstance(reading["value"], float)
    for gateway in GATEWAYS:
        numbers = {body["seq"] for body in bodies if body["gateway"] == gateway}
        assert numbers == set(range(1, len(numbers) + 1)), "numbered from 1 without a gap"
    units = {(body["gateway"], each["tag"]): each["unit"] for body in bodies for each in body["readings"]}
    assert units["gw-silo-3", "dp"] == "Pa"
    assert units["gw-join-2", "airflow"] == "m3/h"


@needs_broker
@pytest.mark.broker
def test_a_killed_gateway_leaves_its_last_will(port: int, listener: Listener, calm: str) -> None:
    with simulator(*playing(port, "--scenario", calm)) as plant:
        wait_until(lambda: listener.states() == dict.fromkeys(GATEWAYS, "online"), "all gateways are online")
        plant.stop(signal.SIGKILL)
    wait_until(lambda: set(listener.states().values()) == {"offline"}, "the broker tells the last wills")


@needs_broker
@pytest.mark.broker
def test_an_outage_takes_the_link_down_and_the_burst_brings_everything(
    port: int, listener: Listener, calm: str
) -> None:
    with simulator(*playing(port, "--scenario", calm, "--fault", "gateway-outage@bh-2+0.1+0.4")) as plant:
        down_and_up = ["online", "offline", "online"]

        def said() -> list[str]:
            return [body["state"] for body in listener.heard("status") if body["gateway"] == "gw-join-2"]

        wait_until(lambda: said()[:3] == down_and_up, "the link goes down and comes back")
        wait_until(lambda: numbers_of(listener, "gw-join-2")[-1:] > [190], "the burst and what follows it")
        code, _, _ = plant.stop()
    assert code == 0
    numbers = numbers_of(listener, "gw-join-2")
    assert numbers == list(range(1, len(numbers) + 1))


def numbers_of(listener: Listener, gateway: str) -> list[int]:
    return [body["seq"] for body in listener.heard("readings") if body["gateway"] == gateway]


def test_without_a_broker_it_waits_stores_and_still_stops_at_once() -> None:
    began = time.monotonic()
    with simulator(*playing(free_port())) as plant:
        assert plant.ready["plant"] == "playing"
        code, lines, _ = plant.stop()
    assert code == 0
    assert time.monotonic() - began < 10
    assert lines[-1]["published"] == 0
    assert lines[-1]["stored"] == lines[-1]["measured"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["plant", "--broker", "localhost"], "HOST:PORT"),
        (["plant", "--scenario", "nowhere"], "demo"),
        (["plant", "--fault", "rust@dc-1+1"], "'rust' is unknown"),
        (["plant", "--password-file", "/nowhere/password"], "/nowhere/password"),
    ],
)
def test_what_cannot_be_played_is_refused_with_the_remedy(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    assert says in capsys.readouterr().err

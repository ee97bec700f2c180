"""The sample broker configuration on a real Mosquitto: TLS, accounts, and who may do what."""

from __future__ import annotations

import contextlib
import shutil
import socket
import ssl
import subprocess
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.parts import MOSQUITTO, free_port, running, wait_until

DEPLOY = Path(__file__).parents[3] / "deploy"
ACCOUNTS = {"dustcake": "service-secret", "gw-cut-1": "first-secret", "gw-cut-2": "second-secret"}

REFUSED = "Not authorized"  # MQTT 5, reason code 0x87

pytestmark = pytest.mark.broker


@dataclass
class Account:
    """A connected client of one account; `got` is what it received, as (topic, payload)."""

    client: paho.Client
    got: list[tuple[str, bytes]] = field(default_factory=list)
    subscribed: list[int] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    answers: dict[int, str] = field(default_factory=dict)  # to what was published

    def publish(self, topic: str, payload: bytes) -> str:
        """Publish at QoS 1; the broker's answer in words. Waits through a reconnection, see mosquitto.conf."""
        sent = self.client.publish(topic, payload, qos=1).mid
        wait_until(lambda: sent in self.answers, "the broker answers a message")
        return self.answers[sent]

    def subscribe(self, topic: str) -> None:
        seen = len(self.subscribed)
        self.client.subscribe(topic, qos=1)
        wait_until(lambda: len(self.subscribed) > seen, "the broker answers a subscription")


@dataclass(frozen=True)
class Broker:
    port: int
    ca_file: Path


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """Mosquitto with the sample; only paths and the port are changed."""
    make_password = shutil.which("mosquitto_passwd") or shutil.which("mosquitto_passwd", path="/usr/sbin:/usr/bin")
    if MOSQUITTO is None or make_password is None or shutil.which("openssl") is None:
        pytest.skip("needs mosquitto, mosquitto_passwd and openssl")
    folder, port = tmp_path_factory.mktemp("broker"), free_port()
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
            *("-days", "2", "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"),
            *("-keyout", str(folder / "server.key"), "-out", str(folder / "server.pem")),
        ],
        check=True,
        capture_output=True,
    )
    (folder / "passwords").touch()
    for name, secret in ACCOUNTS.items():
        subprocess.run([make_password, "-b", str(folder / "passwords"), name, secret], check=True, capture_output=True)
    shutil.copy(DEPLOY / "mosquitto.acl", folder / "mosquitto.acl")
    text = (DEPLOY / "mosquitto.conf").read_text("utf-8")
    assert "listener 8883\n" in text
    text = text.replace("/mosquitto/config/", f"{folder}/").replace("/mosquitto/data/", f"{folder}/")
    text = text.replace("listener 8883\n", f"listener {port} 127.0.0.1\n")
    config = folder / "mosquitto.conf"
    config.write_text(text + "user root\n")  # the folder of a test is its owner's alone
    with running([MOSQUITTO, "-c", str(config)], folder / "mosquitto.log") as process:
        wait_until(lambda: greets(port, folder) or process.poll() is not None, "mosquitto answers")
        assert process.poll() is None, (folder / "mosquitto.log").read_text()
        yield Broker(port, folder / "server.pem")
        process.terminate()
        process.wait(10)


def greets(port: int, folder: Path) -> bool:
    """Whether the broker speaks TLS, with a proper good-bye.

    A bare connection that is dropped would fill the broker's log with TLS errors.
    """
    context = ssl.create_default_context(cafile=folder / "server.pem")
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=5) as bare:
        with context.wrap_socket(bare, server_hostname="localhost") as greeted, contextlib.suppress(OSError):
            greeted.unwrap()
        return True
    return False


@pytest.fixture
def accounts(broker: Broker) -> Iterator[dict[str, Account]]:
    found = {name: connect(broker, name, secret) for name, secret in ACCOUNTS.items()}
    wait_until(lambda: all(one.client.is_connected() for one in found.values()), "all accounts are connected")
    yield found
    for one in found.values():
        one.client.disconnect()
        one.client.loop_stop()


def connect(broker: Broker, name: str, secret: str | None) -> Account:
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5)
    account = Account(client)
    if secret is not None:
        client.username_pw_set(name, secret)
    client.tls_set_context(ssl.create_default_context(cafile=broker.ca_file))
    client.on_message = lambda _client, _data, message: account.got.append((message.topic, bytes(message.payload)))
    client.on_publish = lambda _client, _data, mid, reason, _properties: account.answers.update({mid: str(reason)})
    client.on_subscribe = lambda *_: account.subscribed.append(1)
    client.on_connect = lambda _client, _data, _flags, reason, _properties: (
        account.refused.append(str(reason)) if reason.is_failure else None
    )
    client.reconnect_delay_set(min_delay=0, max_delay=1)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    return account


def test_a_gateway_reaches_the_service_and_speaks_for_itself_alone(accounts: dict[str, Account]) -> None:
    service, first, second = accounts["dustcake"], accounts["gw-cut-1"], accounts["gw-cut-2"]
    service.subscribe("dustcake/v1/+/readings")
    service.subscribe("dustcake/v1/+/status")
    assert second.publish("dustcake/v1/gw-cut-1/readings", b"forged") == REFUSED
    assert second.publish("dustcake/v1/gw-cut-1/status", b"forged") == REFUSED
    assert second.publish("dustcake/v1/service/dustcake/status", b"forged") == REFUSED
    assert first.publish("dustcake/v1/gw-cut-1/readings", b"own") == "Success"
    assert first.publish("dustcake/v1/gw-cut-1/status", b"online") == "Success"
    wait_until(lambda: len(service.got) >= 2, "the service has what came last")
    assert sorted(service.got) == [
        ("dustcake/v1/gw-cut-1/readings", b"own"),
        ("dustcake/v1/gw-cut-1/status", b"online"),
    ]


def test_a_gateway_hears_no_other_and_the_service_commands_nothing(accounts: dict[str, Account]) -> None:
    service, first, second = accounts["dustcake"], accounts["gw-cut-1"], accounts["gw-cut-2"]
    second.subscribe("dustcake/v1/#")
    assert service.publish("dustcake/v1/service/dustcake/status", b"online") != REFUSED
    assert service.publish("dustcake/v1/notifications", b"news") != REFUSED
    assert first.publish("dustcake/v1/gw-cut-1/readings", b"own") != REFUSED
    assert service.publish("dustcake/v1/gw-cut-1/readings", b"forged") == REFUSED
    assert service.publish("dustcake/v1/gw-cut-1/command", b"open") == REFUSED
    assert second.got == []


@pytest.mark.parametrize(("name", "secret"), [("stranger", None), ("dustcake", "wrong")])
def test_nobody_comes_in_without_the_right_password(broker: Broker, name: str, secret: str | None) -> None:
    account = connect(broker, name, secret)
    try:
        wait_until(lambda: account.refused, "the broker refuses")
    finally:
        account.client.disconnect()
        account.client.loop_stop()
    assert account.refused[0] == REFUSED

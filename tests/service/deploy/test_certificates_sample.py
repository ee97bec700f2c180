"""The script that makes demo certificates, and the broker sample in which a certificate is the account."""

from __future__ import annotations

import hashlib
import re
import socket
import ssl
import stat
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.parts import MOSQUITTO, answers, running, wait_until
from tests.service.receive.wire import SCRIPT, free_ports

DEPLOY = SCRIPT.parent
SAMPLE = DEPLOY / "mosquitto-certificates.conf"
REFUSED = "Not authorized"  # MQTT 5, reason code 0x87
GATEWAYS = ("gw-cut-1", "gw-cut-2")
LISTENERS = ("8883", "8884", "8885 127.0.0.1")

pytestmark = pytest.mark.broker


def made(*arguments: object) -> subprocess.CompletedProcess[str]:
    command = ["sh", str(SCRIPT), *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    found = tmp_path_factory.mktemp("made") / "certificates"
    done = made(found, *GATEWAYS)
    assert done.returncode == 0, done.stderr
    return found


def described(certificate: Path, *what: str) -> str:
    command = ["openssl", "x509", "-in", str(certificate), "-noout", *what]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


# ---------------------------------------------------------------- the script


def test_keys_are_their_owners_alone_and_nothing_else_is_left(folder: Path) -> None:
    files = sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.is_file())
    names = ["ca", *(f"clients/{name}" for name in ("dustcake", *GATEWAYS)), "server"]
    assert files == sorted(f"{name}.{end}" for name in names for end in ("key", "pem"))
    assert [path.name for path in folder.parent.iterdir()] == [folder.name]
    for path in (folder, folder / "clients", *folder.rglob("*.key")):
        assert stat.S_IMODE(path.stat().st_mode) & 0o077 == 0, path


def test_each_certificate_is_good_for_its_own_purpose_alone(folder: Path) -> None:
    client, server, authority = folder / "clients" / "gw-cut-1.pem", folder / "server.pem", folder / "ca.pem"
    assert described(client, "-subject", "-nameopt", "RFC2253") == "subject=CN=gw-cut-1\n"
    for certificate, purpose, fits in (
        (client, "sslclient", True),
        (client, "sslserver", False),
        (server, "sslserver", True),
        (server, "sslclient", False),
    ):
        command = ["openssl", "verify", "-CAfile", str(authority), "-purpose", purpose, str(certificate)]
        assert (subprocess.run(command, capture_output=True, check=False).returncode == 0) is fits, command
    assert "DNS:localhost, IP Address:127.0.0.1" in described(server, "-ext", "subjectAltName")
    assert "CA:TRUE, pathlen:0" in described(authority, "-ext", "basicConstraints")


def test_it_says_that_it_is_for_demonstrations_and_the_fingerprint(folder: Path, tmp_path: Path) -> None:
    done = made("-d", "1", tmp_path / "c", "gw-1")
    found = hashlib.sha256(ssl.PEM_cert_to_DER_cert((tmp_path / "c" / "server.pem").read_text())).hexdigest()
    assert "FOR DEMONSTRATIONS ONLY, for 1 days" in done.stdout
    assert found in done.stdout.replace(":", "").lower()
    assert "DEMONSTRATION ONLY" in described(folder / "ca.pem", "-subject")
    soon = ["openssl", "x509", "-in", str(tmp_path / "c" / "server.pem"), "-noout", "-checkend"]
    assert subprocess.run([*soon, "80000"], capture_output=True, check=False).returncode == 0
    assert subprocess.run([*soon, "90000"], capture_output=True, check=False).returncode == 1


def test_names_of_the_broker_are_in_its_certificate(tmp_path: Path) -> None:
    assert made("-n", "broker.example", "-n", "10.0.0.7", "-s", "north", tmp_path / "c/", "gw-1").returncode == 0
    said = described(tmp_path / "c" / "server.pem", "-ext", "subjectAltName")
    assert "DNS:broker.example, IP Address:10.0.0.7" in said
    assert "localhost" not in said
    assert (tmp_path / "c" / "clients" / "north.key").exists()


@pytest.mark.parametrize(
    ("arguments", "text", "code"),
    [
        (["{}"], "expected a folder and at least one gateway", 2),
        (["{}", "GW-1"], "'GW-1': expected an id of small letters", 2),
        (["{}", "gw/+"], "'gw/+': expected an id", 2),
        (["{}", ""], "'': expected an id", 2),
        (["{}", "x" * 65], "expected an id", 2),
        (["-s", "a,b", "{}", "gw-1"], "'a,b': expected an id", 2),
        (["{}", "gw-1", "gw-1"], "'gw-1': named twice", 2),
        (["{}", "dustcake"], "'dustcake': named twice", 2),
        (["-d", "0", "{}", "gw-1"], "-d: expected 1 to 397 days", 2),
        (["-d", "398", "{}", "gw-1"], "-d: expected 1 to 397 days", 2),
        (["-d", "1 day", "{}", "gw-1"], "-d: expected 1 to 397 days", 2),
        (["-n", "a,IP:1.2.3.4", "{}", "gw-1"], "expected a host name or IPv4 address", 2),
        (["-x", "{}", "gw-1"], "expected [-d DAYS]", 2),
        (["/nowhere/c", "gw-1"], "/nowhere/c: cannot be made there", 1),
    ],
)
def test_what_it_cannot_use_is_refused_and_nothing_is_made(
    tmp_path: Path, arguments: list[str], text: str, code: int
) -> None:
    done = made(*(part.replace("{}", str(tmp_path / "c")) for part in arguments))
    assert (done.returncode, list(tmp_path.iterdir())) == (code, []), done.stderr
    assert text in done.stderr


@pytest.mark.parametrize("there", ["folder", "file", "link to nothing"])
def test_what_is_there_is_never_overwritten(tmp_path: Path, there: str) -> None:
    place = tmp_path / "c"
    if there == "folder":
        place.mkdir()
    elif there == "file":
        place.write_text("mine")
    else:
        place.symlink_to(tmp_path / "nothing")
    done = made(place, "gw-1")
    assert done.returncode == 1
    assert "is there already" in done.stderr
    assert list(tmp_path.iterdir()) == [place]
    assert not place.is_file() or place.read_text() == "mine"


# ---------------------------------------------------------------- the sample


@dataclass(frozen=True)
class Broker:
    ports: dict[str, int]
    folder: Path
    log: Path

    def connect(self, account: str, listener: str = "8883", version: int = 5, client_id: str = "") -> Client:
        """A client with an account's certificate; it has said nothing yet."""
        transport: Literal["tcp", "websockets"] = "websockets" if listener == "8884" else "tcp"
        client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id or account,
            protocol=paho.MQTTv5 if version == 5 else paho.MQTTv311,
            transport=transport,
        )
        context = ssl.create_default_context(cafile=self.folder / "ca.pem")
        if account:
            clients = self.folder / "clients"
            context.load_cert_chain(clients / f"{account}.pem", clients / f"{account}.key")
        client.tls_set_context(context)
        found = Client(client)
        client.on_message = lambda _client, _data, message: found.got.append((message.topic, bytes(message.payload)))
        client.on_publish = lambda _client, _data, mid, reason, _properties: found.answers.update({mid: str(reason)})
        client.on_subscribe = lambda *_: found.subscribed.append(1)
        client.on_connect = lambda _client, _data, _flags, reason, _properties: found.connected.append(str(reason))
        client.connect("localhost", self.ports[listener])
        return found


@dataclass
class Client:
    client: paho.Client
    got: list[tuple[str, bytes]] = field(default_factory=list)
    subscribed: list[int] = field(default_factory=list)
    answers: dict[int, str] = field(default_factory=dict)
    connected: list[str] = field(default_factory=list)

    def publish(self, topic: str, payload: bytes) -> str:
        sent = self.client.publish(topic, payload, qos=1).mid
        wait_until(lambda: sent in self.answers, "the broker answers a message", 20)
        return self.answers[sent]

    def subscribe(self, topic: str) -> None:
        self.client.subscribe(topic, qos=1)
        wait_until(lambda: self.subscribed, "the broker answers a subscription", 20)


@contextmanager
def speaking(*clients: Client) -> Iterator[None]:
    """All of them connected, with their loops running."""
    for one in clients:
        one.client.loop_start()
    try:
        wait_until(lambda: all(one.connected for one in clients), "the broker answers all", 20)
        yield
    finally:
        for one in clients:
            one.client.disconnect()
            one.client.loop_stop()


@contextmanager
def sample(folder: Path, place: Path, change: Callable[[str], str] = str) -> Iterator[Broker]:
    """Mosquitto with the sample; only paths and ports are changed, and what `change` does."""
    if MOSQUITTO is None:
        pytest.skip("no mosquitto binary")
    text = SAMPLE.read_text("utf-8")
    ports = {}
    for listener, port in zip(LISTENERS, free_ports(len(LISTENERS)), strict=True):
        assert f"listener {listener}\n" in text
        text = text.replace(f"listener {listener}\n", f"listener {port} 127.0.0.1\n")
        ports[listener.split()[0]] = port
    acl = place / "acl"
    acl.write_text((DEPLOY / "mosquitto.acl").read_text("utf-8"))
    text = text.replace("/mosquitto/config/mosquitto.acl", str(acl))
    text = text.replace("/mosquitto/config/", f"{folder}/").replace("/mosquitto/data/", f"{place}/")
    # The folder of a test is its owner's alone; and the web listener of this build takes an address only like that.
    config, log = place / "mosquitto.conf", place / "mosquitto.log"
    text = text.replace("log_dest stdout", "log_dest stderr")  # the other is written late where it is a file
    config.write_text(change(text).replace("protocol websockets\n", "protocol websockets\nsocket_domain ipv4\n"))
    with config.open("a") as end:
        end.write("user root\n")
    with running([MOSQUITTO, "-c", str(config)], log) as process:
        wait_until(lambda: process.poll() is not None or all(map(answers, ports.values())), "all listeners answer")
        if process.poll() is not None and "Websockets support not available" in log.read_text():
            pytest.skip("this mosquitto has no WebSockets")
        assert process.poll() is None, log.read_text()
        yield Broker(ports, folder, log)
        process.terminate()
        process.wait(10)


@pytest.fixture(scope="module")
def broker(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    place = tmp_path_factory.mktemp("broker")
    with sample(folder, place, lambda text: text.replace("#log_type debug", "log_type debug")) as found:
        yield found


@pytest.mark.parametrize("listener", ["8883", "8884"], ids=["TLS", "WebSocket over TLS"])
@pytest.mark.parametrize("version", [5, 3])
def test_a_certificate_speaks_for_its_own_gateway_alone(broker: Broker, listener: str, version: int) -> None:
    service = broker.connect("dustcake", "8885")
    first, second = (broker.connect(name, listener, version) for name in GATEWAYS)
    forged = f"forged {listener} {version}".encode()
    with speaking(service, first, second):
        service.subscribe("dustcake/v1/+/readings")
        assert first.publish("dustcake/v1/gw-cut-1/readings", b"own") == "Success"
        answer = second.publish("dustcake/v1/gw-cut-1/readings", forged)
        assert answer == (REFUSED if version == 5 else "Success")  # MQTT 3.1.1 has no other answer
        assert second.publish("dustcake/v1/gw-cut-2/readings", b"last") == "Success"
        wait_until(lambda: ("dustcake/v1/gw-cut-2/readings", b"last") in service.got, "what came last is there")
        assert [payload for _, payload in service.got] == [b"own", b"last"]
    size = len(forged)
    denied = rf"Denied PUBLISH from gw-cut-2 \(.*'dustcake/v1/gw-cut-1/readings', \.\.\. \({size} bytes\)\)"
    assert re.search(denied, broker.log.read_text()), "3.1.1: only the log says it"


def test_a_gateway_cannot_take_over_what_waits_for_the_service(broker: Broker) -> None:
    """With the service's client id, a gateway is still only itself at its own listeners."""
    service = broker.connect("dustcake", "8885")
    thief = broker.connect("gw-cut-2", "8883", client_id="dustcake")
    with speaking(service, thief):
        service.subscribe("dustcake/v1/+/readings")
        assert thief.publish("dustcake/v1/gw-cut-2/readings", b"own") == "Success"
        wait_until(lambda: service.got, "the service is still connected")
        assert service.connected == ["Success"]


def test_a_verb_with_the_services_account_and_another_client_id_leaves_its_session_alone(broker: Broker) -> None:
    service, visitor = broker.connect("dustcake", "8885"), broker.connect("dustcake", "8885", client_id="visitor")
    gateway = broker.connect("gw-cut-1")
    with speaking(service, visitor, gateway):
        service.subscribe("dustcake/v1/+/readings")
        assert gateway.publish("dustcake/v1/gw-cut-1/readings", b"own") == "Success"
        wait_until(lambda: service.got, "the service is still connected")
        assert service.connected == ["Success"]


@pytest.mark.parametrize("listener", ["8883", "8884", "8885"])
@pytest.mark.parametrize("whose", ["nobody's", "another authority's"])
def test_nobody_comes_in_without_a_certificate_of_the_authority(
    broker: Broker, tmp_path: Path, listener: str, whose: str
) -> None:
    context = ssl.create_default_context(cafile=broker.folder / "ca.pem")
    if whose != "nobody's":
        assert made(tmp_path / "other", "gw-cut-1").returncode == 0
        clients = tmp_path / "other" / "clients"
        context.load_cert_chain(clients / "gw-cut-1.pem", clients / "gw-cut-1.key")
    with (
        socket.create_connection(("127.0.0.1", broker.ports[listener]), timeout=20) as bare,
        context.wrap_socket(bare, server_hostname="localhost") as encrypted,
        pytest.raises(ssl.SSLError, match=r"certificate required|unknown ca"),
    ):
        encrypted.recv(1)


def test_the_whole_subject_may_be_the_account(folder: Path, tmp_path: Path) -> None:
    """The variant that the sample describes, with the lines of its comment."""
    text = SAMPLE.read_text("utf-8")
    lines = re.findall(r"^#   ((?:user|topic) .*)$", text, re.MULTILINE)
    assert [line.split()[0] for line in lines] == ["user", "topic", "topic"]
    acl = "\n".join(lines).replace("CN=gw-cut-1,O=Example", "CN=gw-cut-1")

    def change(text: str) -> str:
        (tmp_path / "acl").write_text(f"user CN=dustcake\ntopic read dustcake/v1/+/readings\n{acl}\n")
        text = text.replace("#use_subject_as_username true\n", "")
        return text.replace("use_identity_as_username true\n", "use_subject_as_username true\n")

    with sample(folder, tmp_path, change) as broker:
        first, second = (broker.connect(name) for name in GATEWAYS)
        with speaking(first, second):
            assert first.publish("dustcake/v1/gw-cut-1/readings", b"own") != REFUSED
            assert second.publish("dustcake/v1/gw-cut-1/readings", b"forged") == REFUSED


def test_both_samples_keep_what_waits_in_the_same_way() -> None:
    def kept(path: Path) -> list[str]:
        begin, end = "what waits for an absent service", "who may come in"
        part = path.read_text("utf-8").partition(begin)[2].partition(end)[0]
        return [line for line in part.splitlines() if line and not line.startswith("#")]

    assert kept(SAMPLE) == kept(DEPLOY / "mosquitto.conf")
    assert "max_queued_messages 0" in kept(SAMPLE)


def test_every_listener_of_the_sample_asks_for_a_certificate() -> None:
    parts = SAMPLE.read_text("utf-8").split("\nlistener ")[1:]
    assert [part.splitlines()[0] for part in parts] == list(LISTENERS)
    for part in parts:
        for line in ("require_certificate true", "use_identity_as_username true", "tls_version tlsv1.2"):
            assert f"\n{line}\n" in part
    assert ["use_username_as_clientid true" in part for part in parts] == [True, True, False]

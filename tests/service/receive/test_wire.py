"""The receiver over TLS and WebSockets with real brokers: what is let through, and what each refusal says."""

from __future__ import annotations

import shutil
import socket
import ssl
import subprocess
import time
import warnings
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from service.faults import faults_of
from service.model import BadConfiguration
from service.receive.access import Encryption, Secret
from service.receive.mqtt import Link
from service.settings import BrokerSettings
from tests.parts import MOSQUITTO, ROOT, BrokerAt, answers, free_port, running, wait_until
from tests.service.receive.test_mqtt import Heard, heard, publish
from tests.service.receive.wire import Wire, fingerprint, front, server_context, wire

pytestmark = pytest.mark.broker
VERSIONS = pytest.mark.parametrize("version", [5, 3])
ABSENT = "ab" * 32


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Wire]:
    with wire(tmp_path_factory.mktemp("wire")) as found:
        yield found


def linked(encryption: Encryption | None, **rest: Any) -> dict[str, Any]:
    return {"encryption": encryption, "tls": None if encryption is None else encryption.anew(), **rest}


def said(one: Heard, holds: Callable[[], object]) -> None:
    """Wait for it; what the receiver says last is told if it does not come."""
    ends_s = time.monotonic() + 30
    wait_until(lambda: holds() or time.monotonic() > ends_s, "the deadline")
    assert holds(), one.receiver.last_error


def start(one: Heard) -> None:
    one.receiver.start()
    said(one, one.receiver.connected.is_set)


def negotiated(one: Heard) -> str | None:
    held = one.receiver._client.socket()
    assert isinstance(held, ssl.SSLSocket)
    return held.version()


def refusal(at: BrokerAt, text: str, **link: Any) -> str:
    """What the receiver says, once it has the text in it; it is never connected."""
    with heard(at, link.pop("version", 5), "refused", **link) as one:
        one.receiver.start()
        said(one, lambda: text in one.receiver.last_error)
        assert one.receiver.connected_since_us is None
        assert one.receiver.listened_since_us is None
        return one.receiver.last_error


# ---------------------------------------------------------------- what is let through

WAYS = [
    ("plain", "tcp", None),
    ("web", "websockets", None),
    ("tls", "tcp", ""),
    ("wss", "websockets", ""),
    ("tls asks", "tcp", "dustcake"),
    ("wss asks", "websockets", "dustcake"),
]


@VERSIONS
@pytest.mark.parametrize(("listener", "transport", "client"), WAYS, ids=[way[0] for way in WAYS])
def test_messages_come_and_the_session_goes_on(
    broker: Wire, listener: str, transport: str, client: str | None, version: int
) -> None:
    encryption = None if client is None else broker.encryption(client)
    link = linked(encryption, transport=transport)
    name, long = f"{listener.replace(' ', '-')}-{version}", b"x" * 20_000
    with heard(broker.at(listener), version, name, **link) as one:
        start(one)
        publish(broker.at("plain"), one.topic, [b"1", long, b"2"])
        wait_until(lambda: len(one.parcels) == 3, "all have come")
        assert one.payloads() == [b"1", long, b"2"]
        one.acknowledge(one.parcels[:2])
        one.settle()
    publish(broker.at("plain"), one.topic, [b"3"])  # while nobody is there
    with heard(broker.at(listener), version, name, **link) as two:
        start(two)
        wait_until(lambda: two.payloads() == [b"2", b"3"], "what was acknowledged does not come again")
        two.acknowledge()
        two.settle()


def test_the_newest_tls_is_spoken_and_the_address_may_stand_for_the_name(broker: Wire) -> None:
    with heard(broker.at("tls", "127.0.0.1"), 5, "newest", **linked(broker.encryption())) as one:
        start(one)
        assert negotiated(one) == "TLSv1.3"


ONLY_12 = """openssl_conf = all
[all]
ssl_conf = ssl
[ssl]
system_default = limits
[limits]
MaxProtocol = TLSv1.2
"""


def test_a_broker_that_has_tls_1_2_at_most_is_good_enough(tmp_path: Path) -> None:
    (tmp_path / "openssl.cnf").write_text(ONLY_12)
    with wire(tmp_path, environment={"OPENSSL_CONF": str(tmp_path / "openssl.cnf")}) as old:
        for listener, client in (("tls", ""), ("tls asks", "dustcake")):
            with heard(old.at(listener), 5, "older", **linked(old.encryption(client))) as one:
                start(one)
                assert negotiated(one) == "TLSv1.2"
        refusal(old.at("tls asks"), "set certificate_file and key_file", **linked(old.encryption()))


def test_tls_1_1_is_refused_where_a_client_that_allows_it_would_speak_it(broker: Wire, tmp_path: Path) -> None:
    port = free_port()
    files = ["-cert", str(broker.own / "server.pem"), "-key", str(broker.own / "server.key")]
    old = ["-tls1_1", "-cipher", "ALL:@SECLEVEL=0", "-quiet"]
    with running(["openssl", "s_server", "-accept", f"127.0.0.1:{port}", *files, *old], tmp_path / "log"):
        wait_until(lambda: answers(port), "it answers")
        careless = ssl.create_default_context(cafile=broker.own / "ca.pem")
        careless.set_ciphers("ALL:@SECLEVEL=0")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # that it is old is the point
            careless.minimum_version = ssl.TLSVersion.TLSv1
        with (
            socket.create_connection(("127.0.0.1", port), timeout=10) as bare,
            careless.wrap_socket(bare, server_hostname="localhost") as spoken,
        ):
            assert spoken.version() == "TLSv1.1"
        refusal(BrokerAt("localhost", port, ""), "expected TLS 1.2 or newer", **linked(broker.encryption()))


def test_the_lowest_version_is_set_and_only_ca_file_is_trusted(broker: Wire) -> None:
    context = broker.encryption().context()
    assert context.minimum_version == ssl.TLSVersion.TLSv1_2
    assert (context.verify_mode, context.check_hostname) == (ssl.CERT_REQUIRED, True)
    assert context.cert_store_stats()["x509_ca"] == 1


def test_names_of_protocols_are_offered(broker: Wire) -> None:
    context = server_context(broker.own)
    context.set_alpn_protocols(["mqtt"])
    with front(context, broker.ports["plain"]) as shared:
        for alpn in (("mqtt",), ("x-amzn", "mqtt"), ()):
            encryption = broker.encryption(alpn=alpn)
            with heard(BrokerAt("localhost", shared.port, ""), 5, "alpn", **linked(encryption)) as one:
                start(one)
                publish(broker.at("plain"), one.topic, [b"1"])
                wait_until(lambda one=one: one.parcels, "it comes")  # type: ignore[misc]
        assert shared.protocols == ["mqtt", "mqtt", None]


def test_a_server_that_knows_none_of_the_protocols_is_named(broker: Wire, tmp_path: Path) -> None:
    port = free_port()
    files = ["-cert", str(broker.own / "server.pem"), "-key", str(broker.own / "server.key")]
    command = ["openssl", "s_server", "-accept", f"127.0.0.1:{port}", *files, "-alpn", "h2", "-quiet"]
    with running(command, tmp_path / "log"):
        wait_until(lambda: answers(port), "it answers")
        at, encryption = BrokerAt("localhost", port, ""), broker.encryption(alpn=("mqtt",))
        refusal(at, "expected the broker to know a name of alpn", **linked(encryption))


# ---------------------------------------------------------------- the one certificate


@pytest.mark.parametrize("before", [(), (ABSENT,)], ids=["the only one", "one of two"])
def test_the_expected_certificate_is_let_through(broker: Wire, before: tuple[str, ...]) -> None:
    expected = (*before, fingerprint(broker.own / "server.pem"))
    with heard(broker.at("tls"), 5, "pinned", **linked(broker.encryption(certificate_sha256=expected))) as one:
        start(one)


@pytest.mark.parametrize("transport", ["tcp", "websockets"])
def test_another_certificate_is_refused_by_name_and_nothing_is_sent(broker: Wire, transport: str) -> None:
    found = fingerprint(broker.own / "server.pem")
    encryption = broker.encryption("dustcake", certificate_sha256=(ABSENT,))
    with front(server_context(broker.own), broker.ports["plain"]) as before:
        at = BrokerAt("localhost", before.port, "")
        told = refusal(at, "SHA-256", **linked(encryption, transport=transport, username="who", password="hush"))
        assert told.startswith(f"broker localhost:{before.port}: the broker's certificate has the SHA-256 {found}")
        assert f"expected {ABSENT} (certificate_sha256)" in told
        wait_until(lambda: before.received, "the connection is over")
        assert set(before.received) == {0}


# ---------------------------------------------------------------- refusals

REFUSED: dict[str, tuple[str, dict[str, Any], str]] = {
    "another authority": ("tls", {"ca_file": "other/ca.pem"}, "expected one signed by an authority in ca_file"),
    "no authority given": ("tls", {"ca_file": None}, "expected one signed by an authority in ca_file"),
    "expired": ("expired", {}, "certificate has expired; renew the broker's certificate"),
    "another name": (
        "elsewhere",
        {"ca_file": "other/ca.pem"},
        "Hostname mismatch, certificate is not valid for 'local",
    ),
    "a gateway as broker": ("a gateway's", {}, "expected a certificate for a server"),
    "no certificate of ours": ("tls asks", {}, "alert certificate required; the broker refuses our certificate"),
    "ours of another authority": (
        "tls asks",
        {"certificate_file": "other/clients/gw-0.pem", "key_file": "other/clients/gw-0.key"},
        "alert unknown ca; the broker does not know who signed our certificate",
    ),
}


@pytest.mark.parametrize(("listener", "files", "text"), REFUSED.values(), ids=REFUSED)
def test_a_refusal_says_what_and_what_helps(broker: Wire, listener: str, files: dict[str, Any], text: str) -> None:
    folder = broker.own.parent
    given: dict[str, Any] = {key: None if name is None else folder / name for key, name in files.items()}
    told = refusal(broker.at(listener), text, **linked(broker.encryption(**given)))
    assert told.startswith(f"broker localhost:{broker.ports[listener]}: ")


def test_the_address_is_compared_too(broker: Wire) -> None:
    encryption = broker.encryption(ca_file=broker.other / "ca.pem")
    refusal(broker.at("elsewhere", "127.0.0.1"), "IP address mismatch", **linked(encryption))


def test_a_listener_without_tls_or_with_it_is_told_apart(broker: Wire) -> None:
    refusal(broker.at("tls"), "closed the connection without an answer", **linked(None))
    refusal(broker.at("plain"), "closed the connection without an answer", **linked(broker.encryption()))


# The client library leaves the connection beneath a failed WebSocket to the interpreter, which closes it at once.
@pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")
def test_where_there_is_no_websocket_path_and_setting_are_named(broker: Wire) -> None:
    for listener, encryption in (("plain", None), ("tls", broker.encryption())):
        link = linked(encryption, transport="websockets", path="/there")
        refusal(broker.at(listener), "no WebSocket at /there (", **link)


# ---------------------------------------------------------------- what is renewed


def test_renewed_certificates_are_taken_up_by_the_next_connection(broker: Wire, tmp_path: Path) -> None:
    ours: dict[str, Any] = {
        "ca_file": tmp_path / "ca.pem",
        "certificate_file": tmp_path / "c.pem",
        "key_file": tmp_path / "c.key",
    }

    def put(folder: Path, *, whole: bool) -> None:
        shutil.copy(folder / "ca.pem", ours["ca_file"])
        if whole:
            shutil.copy(folder / "clients" / "dustcake.pem", ours["certificate_file"])
            shutil.copy(folder / "clients" / "dustcake.key", ours["key_file"])

    put(broker.other, whole=True)
    with heard(broker.at("tls asks"), 5, "renewed", **linked(Encryption(**ours))) as one:
        one.receiver.start()
        wait_until(lambda: "authority in ca_file" in one.receiver.last_error, "the broker's is not known")
        put(broker.own, whole=False)
        wait_until(lambda: "who signed our certificate" in one.receiver.last_error, "ours is not known")
        ours["key_file"].write_text("")
        wait_until(lambda: "expected PEM files that the service may read" in one.receiver.last_error, "it is half done")
        put(broker.own, whole=True)
        wait_until(one.receiver.connected.is_set, "all is right")


def test_a_key_with_a_passphrase_is_refused_and_not_asked_for(broker: Wire, tmp_path: Path) -> None:
    pair, locked = broker.own / "clients" / "dustcake.key", tmp_path / "locked.key"
    command = ["openssl", "ec", "-aes128", "-passout", "pass:hush", "-in", str(pair), "-out", str(locked)]
    subprocess.run(command, check=True, capture_output=True)
    with pytest.raises(BadConfiguration, match=r"broker\.ca_file .*PEM lib.*; expected PEM files that"):
        broker.encryption("dustcake", key_file=locked).context()


@pytest.mark.parametrize("name", ["ca_file", "certificate_file", "key_file"])
def test_a_file_that_is_missing_is_named_and_no_other(broker: Wire, tmp_path: Path, name: str) -> None:
    with pytest.raises(BadConfiguration, match=rf"^broker\.{name} {tmp_path}/none: No such file") as caught:
        broker.encryption("dustcake", **{name: tmp_path / "none"}).context()
    keys = ("broker.ca_file", "certificate_file ", "key_file ")
    assert [key for key in keys if key in str(caught.value)] == [key for key in keys if name in key]


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[BrokerAt]:
    """A broker that knows one account: who, with the password hush-right."""
    make_password = shutil.which("mosquitto_passwd")
    if MOSQUITTO is None or make_password is None:
        pytest.skip("no mosquitto")
    (tmp_path / "passwords").touch(0o600)
    subprocess.run([make_password, "-b", str(tmp_path / "passwords"), "who", "hush-right"], check=True)
    port, config = free_port(), tmp_path / "guarded.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {tmp_path}/passwords\nuser root\n"
    )
    with running([MOSQUITTO, "-c", str(config)], tmp_path / "guarded.log"):
        wait_until(lambda: answers(port), "mosquitto answers")
        yield BrokerAt("127.0.0.1", port, "guarded")


@VERSIONS
def test_a_changed_password_file_is_taken_up_by_the_next_connection(
    guarded: BrokerAt, tmp_path: Path, version: int
) -> None:
    file = tmp_path / "secret"
    with heard(guarded, version, "file", username="who", secret=Secret("broker.password_file", file)) as one:
        one.receiver.start()
        wait_until(lambda: f"password_file {file}: No such file" in one.receiver.last_error, "there is none")
        file.write_bytes(b"\xffhush-wrong")
        wait_until(lambda: f"password_file {file}: not UTF-8" in one.receiver.last_error, "it is none")
        assert "hush" not in one.receiver.last_error
        file.write_text("hush-wrong\n")
        wait_until(lambda: "refused the connection: Not authorized" in one.receiver.last_error, "it is wrong")
        file.write_text("hush-right\n")
        wait_until(one.receiver.connected.is_set, "it is right")


def test_a_password_may_stand_in_the_environment(guarded: BrokerAt, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("BROKER_ACCESS", raising=False)
    secret = Secret("broker.credential_variable", variable="BROKER_ACCESS")
    with pytest.raises(
        BadConfiguration,
        match="credential_variable: the environment variable that it names is not set; expected the name of one",
    ):
        secret.read()
    with heard(guarded, 5, "variable", username="who", secret=secret) as one:
        one.receiver.start()
        wait_until(lambda: "that it names is not set" in one.receiver.last_error, "it is not there")
        monkeypatch.setenv("BROKER_ACCESS", "hush-right")
        wait_until(one.receiver.connected.is_set, "it is there")


def test_a_password_that_stands_where_its_variable_should_be_named_is_not_shown() -> None:
    secret = Secret("broker.credential_variable", variable="hush_right")
    with pytest.raises(BadConfiguration) as refused:
        secret.read()
    assert "broker.credential_variable" in str(refused.value)
    assert "hush" not in f"{refused.value} {secret!r}"
    for value in ("hush-right!", 31415926):
        broker = {"username": "u", "credential_variable": value}
        with pytest.raises(ValidationError) as wrong:
            BrokerSettings(**broker)
        (said,) = faults_of(wrong.value, BrokerSettings, broker)
        assert said.startswith("credential_variable: expected the name of an environment variable")
        assert str(value) not in said


def test_no_description_shows_a_password(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("BROKER_ACCESS", "hush-right")
    secret = Secret("broker.credential_variable", variable="BROKER_ACCESS")
    link = Link("h", 1, 5, "x", "who", secret.read(), None, 30, 3600, 10, 1.0, (), "s", secret=secret)
    assert link.password == "hush-right"
    assert "hush" not in f"{link!r} {secret!r}"


# ---------------------------------------------------------------- settings

ACCOUNT = {"username": "u", "password_file": "p"}
CLASHES: list[tuple[dict[str, Any], str]] = [
    ({"credential_variable": "X"}, "credential_variable without username: expected both or neither"),
    (
        {"username": "u", "password_file": "p", "credential_variable": "X"},
        "password_file and credential_variable: expected one of them",
    ),
    ({"certificate_sha256": [ABSENT]}, "certificate_sha256 without tls: expected tls = true"),
    ({"alpn": ["mqtt"]}, "alpn without tls: expected tls = true"),
    ({"path": "/other"}, "path '/other' without a WebSocket: expected transport = \"websockets\""),
    ({"identity_property": "p", "version": 3}, "identity_property with version 3: expected MQTT 5"),
    ({"transport": "websockets", "path": "mqtt"}, "path 'mqtt': expected one that begins with /"),
    ({"transport": "websockets", "path": "/a b"}, "path '/a b': expected one that begins with /"),
    ({"transport": "websockets", "path": "/a\r\nHost: b"}, "expected one that begins with /"),
    ({"tls": True, "certificate_sha256": ["ab:cd"]}, "fingerprint 'ab:cd': expected the 64 hexadecimal digits"),
    ({"tls": True, "certificate_sha256": ["xy" * 32]}, "expected the 64 hexadecimal digits"),
    ({"tls": True, "alpn": [""]}, "alpn.0\n  String should match pattern '^[!-~]{1,255}$'"),
    ({"tls": True, "alpn": ["m" * 256]}, "alpn.0\n  String should match pattern"),
    ({"username": "u", "credential_variable": "not a name"}, "expected the name of an environment variable"),
    ({"username": "u", "credential_variable": "näme"}, "expected the name of an environment variable"),
    ({"username": "u", "credential_variable": "name\n"}, "expected the name of an environment variable"),
    ({"username": "u", "credential_variable": 12345}, "expected the name of an environment variable"),
    ({"host": "10.0.0.7", **ACCOUNT}, "password_file without tls would send the password readable; set tls = true"),
    ({"host": "localhost.example", **ACCOUNT}, "password_file without tls would send the password readable"),
    ({"host": "0.0.0.0", **ACCOUNT}, "password_file without tls would send the password readable"),
    (
        {"host": "broker", "username": "u", "credential_variable": "X", "transport": "websockets"},
        "credential_variable without tls would send the password readable",
    ),
]


@pytest.mark.parametrize(("given", "text"), CLASHES, ids=[text for _, text in CLASHES])
def test_settings_that_do_not_go_together_are_refused(given: dict[str, Any], text: str) -> None:
    with pytest.raises(ValidationError) as refused:
        BrokerSettings(**given)
    assert text in str(refused.value)


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.0.1", "::1", "localhost", "LocalHost"])
def test_a_password_may_go_unencrypted_to_this_computer(host: str) -> None:
    assert BrokerSettings(host=host, **ACCOUNT).host == host


def test_a_password_may_go_encrypted_to_another_computer_and_a_name_alone_unencrypted() -> None:
    assert BrokerSettings(host="10.0.0.7", tls=True, **ACCOUNT).tls
    assert BrokerSettings(host="10.0.0.7", username="u").username == "u"


def test_a_fingerprint_may_be_written_as_tools_print_it() -> None:
    printed = ":".join(["AB"] * 32)
    assert BrokerSettings(tls=True, certificate_sha256=[printed]).certificate_sha256 == [ABSENT]


def test_the_page_names_every_key_and_what_each_refusal_says() -> None:
    page = (ROOT / "docs" / "wire.md").read_text("utf-8")
    keys = ("tls", "ca_file", "certificate_sha256", "alpn", "certificate_file", "key_file", "username", "password_file")
    for key in (*keys, "credential_variable", "transport", "path", "identity_property", "reconnect_longest_s"):
        assert key in BrokerSettings.model_fields
        assert f"`{key}" in page, key
    for _, _, text in REFUSED.values():
        said = text.partition(";")[0].removeprefix("expected ").partition(" for 'local")[0]
        assert said.removeprefix("alert ") in page, text

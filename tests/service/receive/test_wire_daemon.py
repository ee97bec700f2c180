"""The daemon over TLS: the brokers of the sources file, and a password that shows nowhere."""

from __future__ import annotations

import contextlib
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests import parts
from tests.service.receive.wire import Wire, fingerprint, wire

pytestmark = pytest.mark.broker
SECRET = "hush-7f3a-only-the-broker-knows"
ABSENT = "ab" * 32


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Wire]:
    with wire(tmp_path_factory.mktemp("wire")) as found:
        yield found


@contextlib.contextmanager
def daemon_of(folder: Path, at: parts.BrokerAt, *, broker: str = "", head: str = "") -> Iterator[parts.Daemon]:
    """A daemon with more keys under [broker], and more before all tables."""
    daemon = parts.Daemon(folder, at, parts.plant_text(2), settings='[log]\nlevel = "debug"')
    config = folder / "dustcake.toml"
    config.write_text(head + config.read_text().replace("[web]", f"{broker}\n[web]"))
    try:
        yield daemon
    finally:
        daemon.end()


def verb(daemon: parts.Daemon, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "service", *arguments, "--config", str(daemon.folder / "dustcake.toml")]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=parts.ROOT)


def trouble(daemon: parts.Daemon) -> str:
    """What the check of the broker says."""
    with contextlib.suppress(httpx.HTTPError, FileNotFoundError):
        return str(daemon.get("/api/v1/health")["checks"]["broker"])
    return ""


def table(broker: Wire, **keys: Any) -> str:
    """A broker of the sources file, reached by WebSocket over TLS with a client's certificate."""
    own = broker.own
    files = {"ca_file": own / "ca.pem", "certificate_file": own / "clients/dustcake.pem"}
    files["key_file"] = own / "clients/dustcake.key"
    lines = [f'{key} = "{path}"' for key, path in files.items()]
    lines += [f"{key} = {json.dumps(value)}" for key, value in keys.items()]
    port = broker.ports["wss asks"]
    head = f'[[broker]]\nname = "annex"\nhost = "localhost"\nport = {port}\ntls = true\ntransport = "websockets"\n'
    source = '[[source]]\nname = "silo"\nbroker = "annex"\nform = "plain"\ntopics = ["silo/{gateway}/{tag}"]\n'
    return head + "\n".join(lines) + f'\n{source}tags = {{ dp = {{ unit = "inH2O" }} }}\n'


def test_a_broker_of_the_sources_file_is_held_to_the_same_and_a_corrected_one_is_taken_up(
    broker: Wire, tmp_path: Path
) -> None:
    sources = tmp_path / "sources.toml"
    sources.write_text(table(broker, certificate_sha256=[ABSENT], client_id="annex-1"))
    with daemon_of(tmp_path / "d", broker.at("plain"), head=f'sources = "{sources}"\n') as daemon:
        daemon.start(ready=False)
        found = fingerprint(broker.own / "server.pem")
        parts.wait_until(lambda: f"has the SHA-256 {found}; expected {ABSENT}" in trouble(daemon), "it is refused")
        sources.write_text(table(broker, certificate_sha256=[found], client_id="annex-1"))
        done = verb(daemon, "reload", "--who", "ann", "--json")
        (change,) = json.loads(done.stdout)["changes"]
        assert (done.returncode, change.partition(":")[0]) == (0, "broker annex certificate_sha256")
        parts.wait_until(daemon.is_ready, "it is connected to both")
        with parts.publisher(broker.at("plain")) as client:
            client.publish("silo/gw-0/dp", b"2.5", qos=1).wait_for_publish(20)
        parts.wait_until(lambda: '"last_value": 2.5' in json.dumps(daemon.get("/api/v1/overview")), "it is read")
        sources.write_text(table(broker, certificate_sha256=[ABSENT], client_id="annex-1"))
        assert verb(daemon, "reload", "--who", "ann").returncode == 0
        parts.wait_until(lambda: ABSENT in trouble(daemon), "a connection that is no longer good enough is ended")
        assert daemon.stop() == 0


def test_a_file_that_is_not_there_names_the_broker_of_the_sources_file(broker: Wire, tmp_path: Path) -> None:
    sources = tmp_path / "sources.toml"
    sources.write_text(table(broker).replace(str(broker.own / "ca.pem"), "/nowhere/ca.pem"))
    with daemon_of(tmp_path / "d", broker.at("plain"), head=f'sources = "{sources}"\n') as daemon:
        daemon.start(ready=False)
        assert daemon.process is not None
        assert daemon.process.wait(30) == 2
        said = (tmp_path / "d" / "daemon.log").read_text()
    assert "broker[annex].ca_file /nowhere/ca.pem" in said
    assert not list((tmp_path / "d" / "data").glob("ledger*")), "a file that was refused is on no record"
    assert "Traceback" not in said


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[parts.BrokerAt]:
    """A broker with one account; its log is beside."""
    make_password = shutil.which("mosquitto_passwd")
    if parts.MOSQUITTO is None or make_password is None:
        pytest.skip("no mosquitto")
    (tmp_path / "passwords").touch(0o600)
    subprocess.run([make_password, "-b", str(tmp_path / "passwords"), "who", SECRET], check=True)
    port, config = parts.free_port(), tmp_path / "guarded.conf"
    config.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {tmp_path}/passwords\nuser root\n"
    )
    with parts.running([parts.MOSQUITTO, "-c", str(config)], tmp_path / "guarded.log"):
        parts.wait_until(lambda: parts.answers(port), "mosquitto answers")
        yield parts.BrokerAt("127.0.0.1", port, "guarded")


@pytest.mark.parametrize("place", ["file", "environment"])
def test_the_password_shows_nowhere(
    guarded: parts.BrokerAt, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, place: str
) -> None:
    secret = tmp_path / "secret"
    secret.write_text(SECRET + "\n")
    secret.chmod(0o600)
    keys = f'username = "who"\npassword_file = "{secret}"'
    if place == "environment":
        monkeypatch.setenv("BROKER_ACCESS", SECRET)
        keys = 'username = "who"\ncredential_variable = "BROKER_ACCESS"'
    with daemon_of(tmp_path / "d", guarded, broker=keys) as daemon:
        daemon.start()
        assert daemon.process is not None
        shown = {
            "arguments": Path(f"/proc/{daemon.process.pid}/cmdline").read_text(),
            "ps": subprocess.run(["ps", "-eww", "-o", "args"], capture_output=True, text=True, check=True).stdout,
            "health": json.dumps(daemon.get("/api/v1/health")),
            "overview": json.dumps(daemon.get("/api/v1/overview")),
        }
        for name in ("status", "reload"):  # the second is refused, because there is no sources file
            done = verb(daemon, name, *(["--who", "ann"] if name == "reload" else []), "--json")
            shown[name] = done.stdout + done.stderr
        assert daemon.stop() == 0
        shown["log"] = (tmp_path / "d" / "daemon.log").read_text()
        kept = b"".join(path.read_bytes() for path in (tmp_path / "d" / "data").iterdir() if path.is_file())
    assert all(shown.values())
    assert [name for name, text in shown.items() if SECRET in text] == []
    assert SECRET.encode() not in kept


def test_a_refused_password_does_not_show_either(guarded: parts.BrokerAt, tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("hush-wrong")
    keys = f'username = "who"\npassword_file = "{tmp_path}/secret"'
    with daemon_of(tmp_path / "d", guarded, broker=keys) as daemon:
        daemon.start(ready=False)
        parts.wait_until(lambda: "refused the connection: Not authorized" in trouble(daemon), "it says that")
        assert "hush" not in trouble(daemon)
        assert daemon.stop() == 0
    assert "hush" not in (tmp_path / "d" / "daemon.log").read_text()

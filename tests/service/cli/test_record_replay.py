"""`dustcake record` and `dustcake replay` with a real broker, a real daemon, and processes that are killed."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.cli.app import run
from service.cli.failure import Exit
from service.recording import Missed, Recorded, survey
from tests import parts
from tests.service.test_recording import START_US, demo_messages, message, read, written
from tests.service.test_replaying import DEMO, tables

Said = pytest.CaptureFixture[str]
S = 1_000_000
pytestmark = pytest.mark.broker


@contextlib.contextmanager
def mosquitto(folder: Path, port: int, *lines: str) -> Iterator[subprocess.Popen[bytes]]:
    """A broker on a given port, so that it can come back there."""
    if parts.MOSQUITTO is None:
        pytest.skip("no mosquitto binary")
    folder.mkdir(exist_ok=True)
    config = folder / "mosquitto.conf"
    config.write_text("\n".join([f"listener {port} 127.0.0.1", "allow_anonymous true", "user root", *lines]) + "\n")
    with parts.running([parts.MOSQUITTO, "-c", str(config)], folder / "mosquitto.log") as process:
        parts.wait_until(lambda: parts.answers(port), "mosquitto answers")
        yield process
        process.terminate()
        process.wait(10)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[parts.BrokerAt]:
    (tmp_path / "broker").mkdir()
    with parts.mosquitto(tmp_path / "broker") as at:
        yield at


def settings(folder: Path, port: int, *, sources: str = "", version: int = 5) -> Path:
    """A settings file for a broker on this computer."""
    folder.mkdir(exist_ok=True)
    path, more = folder / "dustcake.toml", folder / "sources.toml"
    more.write_text(sources)
    path.write_text(
        f'name = "visited"\ndata_dir = "{folder}/data"\nsources = "{more}"\nplant = "{DEMO}"\n'
        f'[broker]\nhost = "127.0.0.1"\nport = {port}\nversion = {version}\n'
    )
    return path


def keep(at: parts.BrokerAt, *messages: Recorded) -> None:
    """Publish messages as retained, so that they come with every subscription."""
    with parts.publisher(at) as client:
        for item in messages:
            properties: Any = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            if item.content_type:
                properties.ContentType = item.content_type
            if item.user_properties:
                properties.UserProperty = list(item.user_properties)
            client.publish(item.topic, item.payload, item.qos, retain=True, properties=properties).wait_for_publish(20)


@contextlib.contextmanager
def hearing(at: parts.BrokerAt, topic: str) -> Iterator[list[tuple[float, paho.MQTTMessage]]]:
    """What is published from now on, with when it came (monotonic)."""
    heard: list[tuple[float, paho.MQTTMessage]] = []
    ready = threading.Event()
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.on_connect = lambda *_: client.subscribe(topic, 2)  # type: ignore[assignment]
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _c, _d, item: heard.append((time.monotonic(), item))
    client.connect(at.host, at.port)
    client.loop_start()
    assert ready.wait(20)
    yield heard
    client.disconnect()
    client.loop_stop()


@contextlib.contextmanager
def command(*words: object) -> Iterator[subprocess.Popen[str]]:
    """A verb as a process of its own; killed at the end if it still runs."""
    line = [sys.executable, "-m", "service", *map(str, words)]
    with subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=parts.ROOT) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


def flushed(path: Path, messages: int) -> bool:
    """Whether so many messages are in a file that is still being written."""
    return path.exists() and path.stat().st_size > 30 and survey(path).messages >= messages


def recording(path: Path, items: Sequence[Recorded]) -> Path:
    path.write_bytes(written(items, ended_us=items[-1].received_us))
    return path


# ---------------------------------------------------------------- record


@pytest.mark.parametrize("version", [5, 3])
def test_messages_are_recorded_exactly_as_they_come(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said, version: int
) -> None:
    sent = [
        Recorded(
            0,
            "main",
            "dustcake/v1/gw-1/status",
            b"\x00\xff",
            1,
            content_type="text/x",
            user_properties=(("a", "b"), ("a", "c")),
        ),
        Recorded(0, "main", "dustcake/v1/gw-2/status", b"{}", 0),
    ]
    keep(broker, *sent, Recorded(0, "main", "elsewhere/x", b"not asked for", 1))
    path, before_us = tmp_path / "a.heard", time.time_ns() // 1000
    config = settings(tmp_path / "s", broker.port, version=version)
    assert run(["record", str(path), "--messages", "2", "--json", "--config", str(config)]) == Exit.OK
    found, cut_off = read(path)
    assert cut_off == ""
    by_topic = {item.topic: item for item in found if isinstance(item, Recorded)}
    assert sorted(by_topic) == [item.topic for item in sent], "the topics of the sources, by default"
    for item in sent:
        got = by_topic[item.topic]
        assert (got.broker, got.payload, got.qos) == ("main", item.payload, item.qos)
        assert (got.is_retained, got.is_again) == (True, False)
        if version == 5:
            assert (got.content_type, got.user_properties) == (item.content_type, item.user_properties)
        assert before_us <= got.received_us <= time.time_ns() // 1000
    said = capsys.readouterr()
    summary = json.loads(said.out)
    assert (summary["messages"], summary["retained"], summary["topics"], summary["payload_bytes"]) == (2, 2, 2, 4)
    assert summary["file_bytes"] == path.stat().st_size
    assert "2 messages" in said.err, "progress is on standard error"


def test_other_topics_and_other_brokers_are_recorded_when_asked_for(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said
) -> None:
    sources = (
        f'[[broker]]\nname = "annex"\nhost = "127.0.0.1"\nport = {broker.port}\n'
        '[[source]]\nname = "silo"\nbroker = "annex"\nform = "plain"\ntopics = ["silo/{gateway}/{tag}"]\n'
    )
    keep(broker, message(0), Recorded(0, "", "silo/S7/dp", b"7", 1))
    config = ["--config", str(settings(tmp_path / "s", broker.port, sources=sources))]
    by_source, by_filter = tmp_path / "a.heard", tmp_path / "b.heard"
    assert run(["record", str(by_source), "--broker", "annex", "--messages", "1", *config]) == Exit.OK
    assert [(item.broker, item.topic) for item in read(by_source)[0] if isinstance(item, Recorded)] == [
        ("annex", "silo/S7/dp")
    ]
    asked = ["--topic", "#", "--topic", "other/+"]
    assert run(["record", str(by_filter), *asked, "--messages", "2", *config]) == Exit.OK
    assert set(survey(by_filter).topics) == {("main", "silo/S7/dp"), ("main", "works/g0/dp")}
    assert "b.heard: 2 messages on 2 topics" in capsys.readouterr().out


def test_a_file_is_not_overwritten_unless_asked(tmp_path: Path, broker: parts.BrokerAt, capsys: Said) -> None:
    path = tmp_path / "a.heard"
    path.write_bytes(b"dear to somebody")
    words = ["record", str(path), "--for", "PT0.1S", "--config", str(settings(tmp_path / "s", broker.port))]
    assert run(words) == Exit.USAGE
    assert "--force" in capsys.readouterr().err
    assert path.read_bytes() == b"dear to somebody"
    assert run([*words, "--force"]) == Exit.OK
    assert read(path) == ([], ""), "it ended by itself after the time, in order"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_a_recording_in_order(tmp_path: Path, broker: parts.BrokerAt, number: signal.Signals) -> None:
    path, config = tmp_path / "a.heard", settings(tmp_path / "s", broker.port)
    keep(broker, message(0))
    with command("record", path, "--topic", "works/#", "--json", "--config", config) as process:
        parts.wait_until(lambda: flushed(path, 1), "it listens")
        with parts.publisher(broker) as client:
            for count in range(20):
                client.publish("works/g1/dp", str(count), qos=count % 2).wait_for_publish(20)
        parts.wait_until(lambda: flushed(path, 21), "they are in the file while it goes on")
        process.send_signal(number)
        out, err = process.communicate(timeout=30)
    assert process.returncode == Exit.OK, err
    found, cut_off = read(path)
    assert cut_off == ""
    live = [item for item in found if isinstance(item, Recorded) and not item.is_retained]
    assert [item.payload for item in live] == [str(count).encode() for count in range(20)]
    assert [item.qos for item in live] == [count % 2 for count in range(20)]
    assert json.loads(out)["messages"] == 21


def test_a_recording_that_is_killed_is_read_up_to_two_seconds_before(tmp_path: Path, broker: parts.BrokerAt) -> None:
    path, config = tmp_path / "a.heard", settings(tmp_path / "s", broker.port)
    keep(broker, message(0), message(1))
    with command("record", path, "--topic", "#", "--config", config) as process:
        parts.wait_until(lambda: flushed(path, 2), "it listens")
        process.kill()
        process.wait(20)
    found, cut_off = read(path)
    assert len(found) == 2
    assert f"cut off at byte {path.stat().st_size}" in cut_off


def test_a_broker_that_goes_and_comes_back_leaves_its_time_in_the_recording(tmp_path: Path) -> None:
    port, path = parts.free_port(), tmp_path / "a.heard"
    config, at = settings(tmp_path / "s", port), parts.BrokerAt("127.0.0.1", port, "mosquitto")
    with contextlib.ExitStack() as stack:
        with mosquitto(tmp_path / "b", port) as first:
            keep(at, message(0))
            process = stack.enter_context(command("record", path, "--topic", "#", "--json", "--config", config))
            parts.wait_until(lambda: flushed(path, 1), "it listens")
            first.kill()
            first.wait(10)
        with mosquitto(tmp_path / "b", port):
            keep(at, message(1))
            parts.wait_until(lambda: flushed(path, 2), "it listens again")
            process.send_signal(signal.SIGTERM)
            out, err = process.communicate(timeout=30)
    assert process.returncode == Exit.OK, err
    found, cut_off = read(path)
    assert cut_off == ""
    missed = [item for item in found if isinstance(item, Missed)]
    assert len(missed) == 1
    assert missed[0].to_us > missed[0].from_us
    assert len(json.loads(out)["without_connection_s"]) == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--broker", "annex"], "--broker 'annex': expected one of main"),
        (["--topic", "a/#/b"], "expected topic filters of MQTT"),
        (["--for", "10 min"], "--for: duration '10 min': expected ISO 8601"),
    ],
)
def test_a_recording_that_is_asked_for_wrongly_leaves_no_file(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said, words: list[str], says: str
) -> None:
    path, config = tmp_path / "a.heard", settings(tmp_path / "s", broker.port)
    assert run(["record", str(path), *words, "--config", str(config)]) == Exit.USAGE
    assert says in capsys.readouterr().err
    assert not path.exists()


def test_a_broker_that_is_away_or_refuses_is_one_sentence_and_no_file(tmp_path: Path, capsys: Said) -> None:
    port, path = parts.free_port(), tmp_path / "a.heard"
    words = ["record", str(path), "--for", "PT1S", "--config", str(settings(tmp_path / "s", port))]
    assert run(words) == Exit.UNREACHABLE
    assert f"broker 127.0.0.1:{port}" in capsys.readouterr().err
    with mosquitto(tmp_path / "b", port, "allow_anonymous false"):
        assert run(words) == Exit.REFUSED
        assert "refused the connection" in capsys.readouterr().err
    assert not path.exists()


# ---------------------------------------------------------------- replay to a broker


@pytest.mark.parametrize("version", [5, 3])
def test_a_recording_is_published_in_its_order_with_its_qos_and_properties(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said, version: int
) -> None:
    items = [
        Recorded(START_US + n, "main", f"works/g{n % 5}", b"%d" % n, n % 3, is_retained=n % 2 == 0) for n in range(1000)
    ]
    items.append(message(9, b"last", content_type="text/x", user_properties=(("a", "b"), ("a", "c"))))
    path, config = recording(tmp_path / "a.heard", items), str(settings(tmp_path / "s", broker.port, version=version))
    with hearing(broker, "rehearsal/#") as heard:
        words = ["--to-broker", "--fast", "--topic-prefix", "rehearsal/", "--json", "--config", config]
        assert run(["replay", str(path), *words]) == Exit.OK
        parts.wait_until(lambda: len(heard) == len(items), "all have come")
    done = json.loads(capsys.readouterr().out)
    assert (done["messages"], done["acknowledged"], done["stopped"]) == (1001, 1001, False)
    # The order holds for each QoS: one of QoS 2 takes two more steps between client and broker (MQTT 5.0, 4.6).
    for qos in (0, 1, 2):
        got = [(item.topic, item.payload) for _, item in heard if item.qos == qos]
        assert got == [(f"rehearsal/{item.topic}", item.payload) for item in items if item.qos == qos]
    if version == 5:
        last: Any = next(item.properties for _, item in heard if item.payload == b"last")
        assert (last.ContentType, last.UserProperty) == ("text/x", [("a", "b"), ("a", "c")])
    kept = tmp_path / "kept.heard"
    assert run(["record", str(kept), "--topic", "#", "--for", "PT0.5S", "--config", config]) == Exit.OK
    assert read(kept)[0] == [], "nothing stays at the broker"


def test_the_pace_of_the_recording_is_kept_and_can_be_raised(tmp_path: Path, broker: parts.BrokerAt) -> None:
    items = [Recorded(START_US + n * 600_000, "main", "works/a", b"%d" % n, 1) for n in range(4)]
    path, config = recording(tmp_path / "a.heard", items), str(settings(tmp_path / "s", broker.port))
    for speed, least_s in ((["--speed", "2"], 0.9), ([], 1.8)):
        began_s = time.monotonic()
        with hearing(broker, "works/#") as heard:
            assert run(["replay", str(path), "--to-broker", *speed, "--config", config]) == Exit.OK
            parts.wait_until(lambda: len(heard) == 4, "all have come")
        assert [item.payload for _, item in heard] == [b"0", b"1", b"2", b"3"]
        assert heard[-1][0] - began_s >= least_s, "never sooner than recorded"


def test_a_running_daemon_must_not_take_a_replay_for_live_data(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said
) -> None:
    path = recording(tmp_path / "a.heard", [Recorded(START_US, "main", "dustcake/v1/gw-0/readings", b"{}", 1)])
    daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(1))
    own, other = str(daemon.folder / "dustcake.toml"), str(settings(tmp_path / "s", broker.port))
    words = ["replay", str(path), "--to-broker", "--fast"]
    try:
        daemon.start()
        for config, says in ((own, "is running with these settings"), (other, "says that it is there")):
            assert run([*words, "--config", config]) == Exit.REFUSED
            said = capsys.readouterr().err
            assert says in said
            assert "would look like live data" in said
            assert "--topic-prefix" in said
            assert "--yes" in said
        assert daemon.get("/api/v1/quarantine") == [], "nothing was published"
        assert run([*words, "--topic-prefix", "rehearsal/", "--config", own]) == Exit.OK
        assert run([*words, "--yes", "--config", own]) == Exit.OK
        parts.wait_until(lambda: daemon.get("/api/v1/quarantine"), "it is taken for live data")
        assert len(daemon.get("/api/v1/quarantine")) == 1, "that with a prefix was not"
        assert daemon.stop() == 0
        assert run([*words, "--config", own]) == Exit.OK, "nobody is there any more"
    finally:
        daemon.end()


def test_a_prefix_that_leads_to_topics_of_the_sources_is_no_protection(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said
) -> None:
    path = recording(tmp_path / "a.heard", [Recorded(START_US, "main", "gw-0/readings", b"{}", 1)])
    keep(broker, Recorded(0, "", "dustcake/v1/service/far/status", b'{"service":"far","state":"online"}', 1))
    config = str(settings(tmp_path / "s", broker.port))
    words = ["replay", str(path), "--to-broker", "--fast", "--config", config, "--topic-prefix"]
    assert run([*words, "dustcake/v1/"]) == Exit.REFUSED
    assert "its topics, such as dustcake/v1/gw-0/readings, are those of the sources" in capsys.readouterr().err
    assert run([*words, "rehearsal/"]) == Exit.OK


def test_a_broker_that_goes_ends_a_replay_and_a_signal_does_in_order(tmp_path: Path) -> None:
    port = parts.free_port()
    items = [Recorded(START_US + n * 3600 * S, "main", "works/a", b"%d" % n, 1) for n in range(2)]
    path, config = recording(tmp_path / "a.heard", items), settings(tmp_path / "s", port)
    at = parts.BrokerAt("127.0.0.1", port, "mosquitto")
    words = ("replay", path, "--to-broker", "--json", "--config", config)
    with mosquitto(tmp_path / "b", port) as broker, hearing(at, "works/#") as heard:
        with command(*words) as first:
            parts.wait_until(lambda: heard, "it waits for the second")
            first.send_signal(signal.SIGTERM)
            out, err = first.communicate(timeout=30)
        assert first.returncode == Exit.OK, err
        assert (json.loads(out)["messages"], json.loads(out)["stopped"]) == (1, True)
        with command(*words) as second:
            parts.wait_until(lambda: len(heard) == 2, "it waits for the second")
            broker.kill()
            broker.wait(10)
            _, err = second.communicate(timeout=30)
        assert second.returncode == Exit.UNREACHABLE
        assert "the connection was lost after 1 acknowledged messages" in err


# ---------------------------------------------------------------- replay into a record


def test_two_processes_make_the_same_report_to_the_byte_and_the_same_tables(tmp_path: Path) -> None:
    items = demo_messages(300)
    path, said = recording(tmp_path / "a.heard", items), []
    for seed, name in (("1", "one"), ("2", "two")):
        words = ["replay", str(path), "--into", str(tmp_path / name), "--plant", str(DEMO), "--json"]
        done = subprocess.run(
            [sys.executable, "-m", "service", *words],
            capture_output=True,
            check=False,
            cwd=parts.ROOT,
            env=os.environ | {"PYTHONHASHSEED": seed},
        )
        assert done.returncode == Exit.OK, done.stderr
        assert b"300 of 300 messages" in done.stderr
        assert b"times real time" in done.stderr
        said.append(done.stdout)
    assert said[0] == said[1]
    assert json.loads(said[0])["messages"] == 300
    assert tables(tmp_path / "one") == tables(tmp_path / "two")


def test_the_report_for_people_and_a_file_that_was_cut_off(tmp_path: Path, capsys: Said) -> None:
    path = tmp_path / "a.heard"
    items = [*demo_messages(8), Recorded(START_US + 60 * S, "main", "dustcake/v1/gw-cut-1/readings", b"?", 1)]
    path.write_bytes(written(items, ended_us=None))
    assert run(["replay", str(path), "--into", str(tmp_path / "new"), "--plant", str(DEMO)]) == Exit.OK
    said = capsys.readouterr()
    assert "where it was cut off\n9 messages, 56 readings" in said.out
    assert "- refused: 1 message-invalid" in said.out
    assert "notifications are owed, and none is sent from here" in said.out
    assert "cut off at byte" in said.err
    assert run(["replay", str(path), "--into", str(tmp_path / "new"), "--plant", str(DEMO)]) == Exit.USAGE
    assert "is not empty" in capsys.readouterr().err


def test_a_damaged_file_makes_no_record(tmp_path: Path, capsys: Said) -> None:
    path = tmp_path / "a.heard"
    whole = written(demo_messages(8), cuts=[4])
    path.write_bytes(whole[:-50] + b"?" + whole[-49:])
    for mode in (["--into", str(tmp_path / "new"), "--plant", str(DEMO)], ["--to-broker"]):
        config = ["--config", str(settings(tmp_path / "s", 1))]
        assert run(["replay", str(path), *mode, *config]) == Exit.USAGE
        said = capsys.readouterr().err
        assert "the block at byte" in said
        assert "head -c" in said
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "give either --to-broker, or --into"),
        (["--to-broker", "--into", "x"], "give either --to-broker, or --into"),
        (["--into", "x"], "--into needs a plant file"),
        (["--into", "x", "--speed", "2"], "--into goes with --plant"),
        (["--into", "x", "--yes"], "--into goes with --plant"),
        (["--to-broker", "--plant", "x"], "--plant and --sources go with --into"),
        (["--to-broker", "--fast", "--speed", "2"], "--fast and --speed"),
        (["--to-broker", "--topic-prefix", "a/#"], "without + and #"),
    ],
)
def test_options_that_do_not_go_together_are_refused(
    tmp_path: Path, capsys: Said, monkeypatch: pytest.MonkeyPatch, words: list[str], says: str
) -> None:
    path = recording(tmp_path / "a.heard", [message(0)])
    if "--to-broker" in words:
        words = [*words, "--config", str(settings(tmp_path / "s", 1))]
    monkeypatch.delenv("DUSTCAKE_CONFIG", raising=False)
    assert run(["replay", str(path), *words]) == Exit.USAGE
    assert says in capsys.readouterr().err


def test_a_recording_made_beside_a_daemon_leads_to_the_alarms_that_the_daemon_raised(
    tmp_path: Path, broker: parts.BrokerAt
) -> None:
    daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(2))
    path, config = tmp_path / "a.heard", daemon.folder / "dustcake.toml"
    try:
        daemon.start()
        with command("record", path, "--config", config) as recorder:
            now_s = time.time() - 200
            with parts.publisher(broker) as client:
                first = parts.message("gw-1", 0, [("airflow", now_s, 9000.0)])
                client.publish("dustcake/v1/gw-1/readings", first, qos=1, retain=True).wait_for_publish(20)
                parts.wait_until(lambda: flushed(path, 1), "it listens")
                for n in range(100):
                    dp = 6.5 if 20 <= n < 45 or n >= 70 else 4.0
                    rows = [("airflow", now_s + n, 9000.0), ("dp", now_s + n, dp), ("header", now_s + n, 90.0)]
                    body = parts.message("gw-0", n, rows)
                    client.publish("dustcake/v1/gw-0/readings", body, qos=1).wait_for_publish(20)
            raised = "SELECT id, tier, raised_us, cleared_us FROM alarm ORDER BY id"
            parts.wait_until(lambda: len(daemon.ask_ledger(raised)) == 4, "all alarms are raised")
            parts.wait_until(lambda: flushed(path, 101), "all are recorded")
            recorder.send_signal(signal.SIGTERM)
            _, err = recorder.communicate(timeout=30)
            assert recorder.returncode == Exit.OK, err
        assert daemon.is_ready(), "its session was not taken over"
        alarms = daemon.ask_ledger(raised)
        assert daemon.stop() == 0
    finally:
        daemon.end()
    assert survey(path).messages == 101
    words = ["--into", str(tmp_path / "new"), "--plant", str(tmp_path / "d" / "plant.toml")]
    assert run(["replay", str(path), *words, "--json"]) == Exit.OK
    again = [row[:1] + row[3:4] + row[7:9] for row in tables(tmp_path / "new")["ledger alarm"]]
    assert sorted(again) == alarms

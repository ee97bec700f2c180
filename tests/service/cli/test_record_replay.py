"""`dustcake record` and `dustcake replay` with a real broker, a real daemon, and processes that are killed."""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.cli import recorder
from service.cli.app import run
from service.cli.failure import Exit
from service.recording import Missed, Recorded, survey
from service.wiring import DISK_LEAST_BYTES
from tests import parts
from tests.service.cli.visits import Scripted, command, flushed, keep, mosquitto, recording, settings
from tests.service.test_recording import START_US, demo_messages, message, read, written
from tests.service.test_replaying import DEMO, tables

Said = pytest.CaptureFixture[str]
S = 1_000_000
pytestmark = pytest.mark.broker


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


@pytest.fixture
def kept(broker: parts.BrokerAt) -> Iterator[list[str]]:
    """Options that record a topic on which there is something at once."""
    with parts.publisher(broker) as client:
        client.publish("kept/x", b"1", qos=1, retain=True).wait_for_publish(20)
        yield ["--topic", "kept/x", "--messages", "1"]
        client.publish("kept/x", b"", qos=1, retain=True).wait_for_publish(20)


@pytest.mark.parametrize("force", [False, True])
def test_where_nothing_was_heard_there_is_no_recording(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said, force: bool
) -> None:
    path = tmp_path / "a.heard"
    if force:
        path.write_bytes(b"dear to somebody")
    words = ["record", str(path), "--for", "PT0.1S", "--config", str(settings(tmp_path / "s", broker.port))]
    assert run([*words, *(["--force"] if force else [])]) == Exit.USAGE
    assert "--topic '#' is all" in capsys.readouterr().err
    assert [item.read_bytes() for item in tmp_path.glob("a.heard*")] == ([b"dear to somebody"] if force else [])


def test_a_broker_is_recorded_before_there_is_a_sources_file(
    tmp_path: Path, broker: parts.BrokerAt, kept: list[str]
) -> None:
    config = settings(tmp_path / "s", broker.port)
    config.write_text(re.sub(r'sources = "[^"]*"', f'sources = "{tmp_path}/none.toml"', config.read_text()))
    assert run(["record", str(tmp_path / "a.heard"), *kept, "--config", str(config)]) == Exit.OK
    assert run(["watch", "x", "--messages", "1", "--config", str(config)]) == Exit.USAGE


def test_a_file_is_not_overwritten_unless_asked(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said, kept: list[str]
) -> None:
    path = tmp_path / "a.heard"
    path.write_bytes(b"dear to somebody")
    words = ["record", str(path), *kept, "--config", str(settings(tmp_path / "s", broker.port))]
    assert run(words) == Exit.USAGE
    assert "--force" in capsys.readouterr().err
    assert path.read_bytes() == b"dear to somebody"
    assert run([*words, "--force"]) == Exit.OK
    records, cut_off = read(path)
    assert (len(records), cut_off) == (1, ""), "it ended by itself, in order"


@pytest.mark.parametrize("force", [False, True])
def test_only_its_owner_may_read_a_recording(
    tmp_path: Path, broker: parts.BrokerAt, force: bool, kept: list[str]
) -> None:
    path, config = tmp_path / "a.heard", settings(tmp_path / "s", broker.port)
    if force:
        path.write_bytes(b"old")
        path.chmod(0o644)
    before = os.umask(0o022)
    try:
        words = [*kept, "--config", str(config), *(["--force"] if force else [])]
        assert run(["record", str(path), *words]) == Exit.OK
    finally:
        os.umask(before)
    assert path.stat().st_mode & 0o777 == 0o600
    assert [item.name for item in tmp_path.glob("a.heard*")] == ["a.heard"]


def test_an_old_file_is_not_lost_to_a_recording_that_cannot_begin(tmp_path: Path, capsys: Said) -> None:
    port, path = parts.free_port(), tmp_path / "a.heard"
    path.write_bytes(b"dear to somebody")
    words = ["record", str(path), "--force", "--topic", "works/#", "--for", "PT1S"]
    words += ["--config", str(settings(tmp_path / "s", port, version=3))]
    assert run(words) == Exit.UNREACHABLE
    with Scripted(subscribes=[0x80], port=port):
        assert run(words) == Exit.REFUSED
        assert "refused the subscription to works/#" in capsys.readouterr().err
    assert path.read_bytes() == b"dear to somebody"
    assert [item.name for item in tmp_path.glob("a.heard*")] == ["a.heard"]


def test_an_old_file_goes_once_something_has_been_recorded(tmp_path: Path, broker: parts.BrokerAt) -> None:
    path, config = tmp_path / "a.heard", settings(tmp_path / "s", broker.port)
    path.write_bytes(b"dear to somebody, and longer than the head of a recording")
    with command("record", path, "--force", "--topic", "#", "--config", config) as process:
        parts.wait_until(lambda: list(tmp_path.glob("a.heard.*.part")), "it has begun")
        assert path.read_bytes().startswith(b"dear")
        keep(broker, message(0))
        parts.wait_until(lambda: not path.read_bytes().startswith(b"dear"), "something has been recorded")
        process.kill()
        process.wait(20)
    assert len(read(path)[0]) == 1
    assert not list(tmp_path.glob("a.heard.*"))


def test_a_disk_that_the_service_may_need_ends_a_recording_in_order(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert recorder.FREE_LEAST_BYTES == DISK_LEAST_BYTES, "the bound is the service's own"
    keep(broker, message(0))
    free = iter([recorder.FREE_LEAST_BYTES] * 3 + [recorder.FREE_LEAST_BYTES - 1] * 99)
    usage = shutil.disk_usage(tmp_path)
    monkeypatch.setattr(recorder.shutil, "disk_usage", lambda _: usage._replace(free=next(free)))
    path, config = tmp_path / "a.heard", str(settings(tmp_path / "s", broker.port))
    assert run(["record", str(path), "--topic", "#", "--json", "--config", config]) == Exit.BROKEN
    said = capsys.readouterr()
    assert "stopped in order before its time" in said.err
    assert "1023 MiB free, at least 1024 expected" in said.err
    assert json.loads(said.out)["messages"] == 1
    found, cut_off = read(path)
    assert (len(found), cut_off) == (1, "")
    assert run(["record", str(path), "--force", "--topic", "#", "--config", config]) == Exit.BROKEN
    assert read(path)[0] == found, "nothing is begun on a disk that is too full"


def test_what_is_no_file_is_not_replaced(tmp_path: Path, broker: parts.BrokerAt, capsys: Said) -> None:
    config = str(settings(tmp_path / "s", broker.port))
    for path in ("/dev/null", str(tmp_path)):
        assert run(["record", path, "--force", "--for", "PT0.1S", "--config", config]) == Exit.USAGE
        assert "give another name" in capsys.readouterr().err


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

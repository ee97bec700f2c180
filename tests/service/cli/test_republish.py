"""`dustcake replay --to-broker` with a real broker and daemon: what is published, what never is, and the guard."""

from __future__ import annotations

import json
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from service.cli.app import run
from service.cli.failure import Exit
from service.recording import Recorded
from tests import parts
from tests.service.cli.visits import command, hearing, mosquitto, recording, settings
from tests.service.test_recording import START_US, message

Said = pytest.CaptureFixture[str]
S = 1_000_000
pytestmark = pytest.mark.broker


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
    assert run(["record", str(kept), "--topic", "#", "--for", "PT0.5S", "--config", config]) == Exit.USAGE
    assert "#: nothing was heard" in capsys.readouterr().err, "nothing stays at the broker"


def test_the_pace_of_the_recording_is_kept_and_can_be_raised(tmp_path: Path, broker: parts.BrokerAt) -> None:
    items = [Recorded(START_US + n * 600_000, "main", "works/a", b"%d" % n, 1) for n in range(4)]
    path, config = recording(tmp_path / "a.heard", items), str(settings(tmp_path / "s", broker.port))
    for speed, least_s in ((["--speed", "2"], 0.9), ([], 1.8)):
        began_s = time.monotonic()
        with hearing(broker, "again/#") as heard:
            words = ["--to-broker", "--topic-prefix", "again/", *speed, "--config", config]
            assert run(["replay", str(path), *words]) == Exit.OK
            parts.wait_until(lambda: len(heard) == 4, "all have come")
        assert [item.payload for _, item in heard] == [b"0", b"1", b"2", b"3"]
        assert heard[-1][0] - began_s >= least_s, "never sooner than recorded"


def test_a_daemon_that_is_stopped_must_not_take_a_replay_for_live_data_either(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said
) -> None:
    """Its session waits at the broker, and takes what comes meanwhile at its next start."""
    path = recording(tmp_path / "a.heard", [Recorded(START_US, "main", "dustcake/v1/gw-0/readings", b"{}", 1)])
    daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(1))
    words = ["replay", str(path), "--to-broker", "--fast", "--config", str(daemon.folder / "dustcake.toml")]
    try:
        daemon.start()
        assert daemon.stop() == 0
        assert run(words) == Exit.REFUSED
        said = capsys.readouterr().err
        for text in ("dustcake/v1/gw-0/readings: a source", "would look like live data", "--topic-prefix", "--yes"):
            assert text in said
        assert run([*words, "--topic-prefix", "rehearsal/"]) == Exit.OK
        daemon.start()
        assert daemon.get("/api/v1/quarantine") == [], "nothing was published under its topics"
        assert run([*words, "--yes"]) == Exit.OK
        parts.wait_until(lambda: daemon.get("/api/v1/quarantine"), "it is taken for live data")
        assert len(daemon.get("/api/v1/quarantine")) == 1, "that with a prefix was not"
    finally:
        daemon.end()


def test_a_prefix_that_leads_to_topics_of_the_sources_is_no_protection(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said
) -> None:
    path = recording(tmp_path / "a.heard", [Recorded(START_US, "main", "gw-0/readings", b"{}", 1)])
    config = str(settings(tmp_path / "s", broker.port))
    words = ["replay", str(path), "--to-broker", "--fast", "--config", config, "--topic-prefix"]
    assert run([*words, "dustcake/v1/"]) == Exit.REFUSED
    assert "dustcake/v1/gw-0/readings: a source of the settings takes this topic" in capsys.readouterr().err
    assert run([*words, "rehearsal/"]) == Exit.OK


SPARKPLUG = """
[[source]]
name = "line"
form = "sparkplug"
topics = ["spBv1.0/works/{kind}/{node}", "spBv1.0/works/{kind}/{node}/{device}"]
"""
COMMANDS = ("spBv1.0/works/NCMD/press-1", "spBv1.0/works/DCMD/press-1/valve", "spBv1.0/STATE/host")
TO_EQUIPMENT = "works/plc-1/set/damper"
DATA = "spBv1.0/works/NDATA/press-1"


@pytest.mark.parametrize(
    ("words", "published", "no_source"),
    [(["--yes"], [DATA], 1), (["--topic-prefix", "x/"], [f"x/{TO_EQUIPMENT}", f"x/{DATA}"], 0)],
)
def test_commands_to_equipment_are_never_published(
    tmp_path: Path, capsys: Said, words: list[str], published: list[str], no_source: int
) -> None:
    topics = [*COMMANDS, TO_EQUIPMENT, DATA]
    items = [Recorded(START_US + n, "main", topic, b"OPEN", 1) for n, topic in enumerate(topics)]
    path = recording(tmp_path / "a.heard", items)
    with parts.mosquitto(tmp_path) as broker, hearing(broker, "#") as heard:
        config = str(settings(tmp_path / "s", broker.port, sources=SPARKPLUG))
        line = ["replay", str(path), "--to-broker", "--fast", "--config", config, *words]
        assert run([*line, "--json"]) == Exit.OK
        done = json.loads(capsys.readouterr().out)
        assert run(line) == Exit.OK
        parts.wait_until(lambda: len(heard) >= 2 * len(published), "all have come")
    assert [item.topic for _, item in heard] == 2 * published
    assert (done["messages"], done["of"]) == (len(published), 5)
    assert done["skipped"] == {"commands": 3, "no_source": no_source}
    assert "- 3 were skipped: Sparkplug commands" in capsys.readouterr().out


def test_a_recording_of_which_nothing_may_be_published_is_no_success(
    tmp_path: Path, broker: parts.BrokerAt, capsys: Said
) -> None:
    path = recording(tmp_path / "a.heard", [Recorded(START_US, "main", TO_EQUIPMENT, b"OPEN", 1)])
    config = str(settings(tmp_path / "s", broker.port))
    with hearing(broker, "#") as heard:
        assert run(["replay", str(path), "--to-broker", "--fast", "--yes", "--config", config]) == Exit.REFUSED
        said = capsys.readouterr()
        with parts.publisher(broker) as client:
            client.publish("end", b"", 1).wait_for_publish(20)
        parts.wait_until(lambda: heard, "what came first has come")
    assert [item.topic for _, item in heard] == ["end"]
    assert "published 0 of 1 messages" in said.out
    assert "nothing was published" in said.err


def test_what_the_broker_refuses_is_counted_and_no_success(tmp_path: Path, capsys: Said) -> None:
    """PUBACK with a reason of 0x80 or above (MQTT 5.0, 3.4.2.1)."""
    port, rights = parts.free_port(), tmp_path / "rights"
    rights.write_text("topic readwrite ok/#\n")
    path = recording(tmp_path / "a.heard", [message(n) for n in range(3)])
    prefixes = {"x/": (3, 3, 0), "ok/": (3, 0, 3)}
    with mosquitto(tmp_path / "b", port, f"acl_file {rights}"):
        config = str(settings(tmp_path / "s", port))
        for prefix, counts in prefixes.items():
            words = ["--to-broker", "--fast", "--topic-prefix", prefix, "--config", config]
            expected = Exit.REFUSED if counts[1] else Exit.OK
            assert run(["replay", str(path), *words, "--json"]) == expected
            said = capsys.readouterr()
            done = json.loads(said.out)
            assert (done["messages"], done["refused"], done["acknowledged"]) == counts
            assert ("refused 3 of 3 messages" in said.err) is bool(counts[1])
        assert run(["replay", str(path), *words[:2], "--topic-prefix", "x/", "--config", config]) == Exit.REFUSED
        assert "- 3 of them were refused by the broker" in capsys.readouterr().out


def test_a_broker_that_goes_ends_a_replay_and_a_signal_does_in_order(tmp_path: Path) -> None:
    port = parts.free_port()
    items = [Recorded(START_US + n * 3600 * S, "main", "works/a", b"%d" % n, 1) for n in range(2)]
    path, config = recording(tmp_path / "a.heard", items), settings(tmp_path / "s", port)
    at = parts.BrokerAt("127.0.0.1", port, "mosquitto")
    words = ("replay", path, "--to-broker", "--topic-prefix", "again/", "--json", "--config", config)
    with mosquitto(tmp_path / "b", port) as broker, hearing(at, "again/#") as heard:
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

"""`dustcake watch` beside a real broker: every stage of a value, in lines for people and for programs."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from service.cli.watch import _remembered
from tests import parts
from tests.service.decode import test_sparkplug as sparkplug

SOURCES = """
[[source]]
name = "silo"
form = "plain"
topics = ["silo/{gateway}/{tag}"]
gateways = { S7 = "gw-0" }
tags = { druck = { tag = "dp", unit = "mbar" } }
"""

SPARKPLUG = """
[[source]]
name = "line"
form = "sparkplug"
topics = ["spBv1.0/works/{kind}/{node}"]
gateways = { gw-1 = "gw-0" }
tags = { dp = { unit = "inH2O" } }
[source.sparkplug]
reorder_s = 0.5
"""


def watched(folder: Path, *arguments: str, topic: str = "silo/#") -> str:
    """What it prints of two messages that are published until it has seen them."""
    with parts.mosquitto(folder) as broker:
        daemon = parts.Daemon(folder / "d", broker, parts.plant_text(1))  # its files; it is not started
        config = folder / "d" / "dustcake.toml"
        (folder / "sources.toml").write_text(SOURCES)
        config.write_text(f'sources = "{folder}/sources.toml"\n{config.read_text()}')
        command = [sys.executable, "-m", "service", "watch", topic, "--messages", "2", *arguments]
        with (
            subprocess.Popen(
                [*command, "--config", str(config)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=parts.ROOT
            ) as process,
            parts.publisher(broker) as client,
        ):
            while process.poll() is None:
                client.publish("silo/S7/druck", b"13.7", qos=1)
                client.publish("silo/S7/other", b"9\x1b[2J", qos=1)
                time.sleep(0.1)
            assert process.stdout is not None
            assert process.stderr is not None
            out, error = process.stdout.read().decode(), process.stderr.read().decode()
        assert process.returncode == 0, error
        assert daemon.process is None
    return out


@pytest.mark.broker
def test_people_see_each_stage_and_what_is_refused(tmp_path: Path) -> None:
    lines = [line.strip() for line in watched(tmp_path).splitlines()]
    assert any(line.endswith("silo/S7/druck  (4 bytes, source silo, plain)") for line in lines)
    assert "raw         13.7" in lines
    assert "decoded     gw-0: druck 13.7 (no unit) at arrival" in lines
    assert "canonical 1370 Pa" in lines
    assert any(line.startswith("shown     5.5") and line.endswith("0.5 beyond high 5 inH2O") for line in lines)
    assert any(line.startswith("REFUSED") for line in lines)
    assert "\x1b" not in "".join(lines), "names and payloads must not steer a terminal"


@pytest.mark.broker
def test_programs_get_one_document_a_line(tmp_path: Path) -> None:
    found = [json.loads(line) for line in watched(tmp_path, "--json", topic="silo/S7/druck").splitlines()]
    assert [one["readings"][0]["canonical"] for one in found] == ["1370 Pa", "1370 Pa"]
    assert found[0]["raw"] == "13.7"


@pytest.mark.broker
def test_another_gateway_is_left_out(tmp_path: Path) -> None:
    assert watched(tmp_path, "--gateway", "gw-9", topic="silo/S7/druck") == ""


def test_it_is_said_when_the_names_of_sparkplug_nodes_cannot_be_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _remembered(tmp_path / "ledger.sqlite") == []
    assert "names of Sparkplug nodes" in capsys.readouterr().err


@pytest.mark.broker
def test_messages_that_waited_are_shown_without_a_further_message(tmp_path: Path) -> None:
    with parts.mosquitto(tmp_path) as broker:
        daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(1))  # its files; it is not started
        config = tmp_path / "d" / "dustcake.toml"
        (tmp_path / "sources.toml").write_text(SPARKPLUG)
        config.write_text(f'sources = "{tmp_path}/sources.toml"\n{config.read_text()}')
        command = [sys.executable, "-m", "service", "watch", "spBv1.0/#", "--json", "--config", str(config)]
        with (
            subprocess.Popen([*command, "--gateway", "gw-0"], stdout=subprocess.PIPE, cwd=parts.ROOT) as process,
            parts.publisher(broker) as client,
        ):
            assert process.stdout is not None
            os.set_blocking(process.stdout.fileno(), False)
            heard: list[bytes] = []

            def comes(text: bytes) -> bool:
                heard.append(process.stdout.read() or b"")  # type: ignore[union-attr]  # it is there
                return text in b"".join(heard)

            def begins() -> bool:
                client.publish(sparkplug.BIRTH, sparkplug.birth(), 1).wait_for_publish(20)
                return comes(b"gateway gw-0 is online")

            parts.wait_until(begins, "the birth is seen")
            client.publish(sparkplug.DATA, sparkplug.data(2), 1).wait_for_publish(20)
            parts.wait_until(lambda: comes(b'"has_waited":true'), "what waited is shown")
            process.send_signal(signal.SIGTERM)
            assert process.wait(20) == 0
        assert daemon.process is None

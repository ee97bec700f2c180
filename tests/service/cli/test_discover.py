"""`dustcake discover` from a recording and from a real broker: what it says, what it writes, how it ends."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from service.cli.app import run
from service.cli.failure import Exit
from service.model import BadConfiguration
from service.plant import file as plant_file
from service.recording import Recorded, Writer
from service.sources import file as sources_file
from tests import parts
from tests.service.discover.made import GATEWAYS, START_US, traffic
from tests.service.discover.test_forms import spoiled

Said = pytest.CaptureFixture[str]


def recording(
    folder: Path, *, retained: Sequence[tuple[str, bytes]] = (), broker: str = "main", form: str = "mapped"
) -> Path:
    """A recording of gateways of which two send wrong units."""
    path = folder / "one.heard"
    with path.open("wb") as file:
        writer = Writer(file, START_US)
        for topic, payload in retained:
            writer.add(Recorded(START_US, broker, topic, payload, 1, is_retained=True), START_US)
        for topic, payload, at_us in traffic(form, change=spoiled):
            writer.add(Recorded(at_us, broker, topic, payload, 1), at_us)
        writer.end(START_US)
    return path


def test_a_recording_becomes_drafts_that_load(tmp_path: Path, capsys: Said) -> None:
    folder = tmp_path / "drafts"
    assert run(["discover", "--from", str(recording(tmp_path)), "--write", str(folder)]) == Exit.OK
    said = capsys.readouterr().out
    assert "180 messages on 3 topics in 590 s: 1 sources, 3 gateways, 18 tags, 2 open questions" in said
    assert "OPEN gw-cut-1/dp: differential pressure, sent in inH2O" in said
    assert "as mbar it is 3.0" in said
    assert "unsure gw-cut-1/header: " in said
    assert f"written: {folder}/sources.toml\nwritten: {folder}/plant.toml\n" in said
    assert "prove each unit with a handheld instrument" in said
    assert "not a safety function" in said
    assert [source.form for source in sources_file.load(folder / "sources.toml").source] == ["mapped"]
    assert len(plant_file.load(folder / "plant.toml").collector) == len(GATEWAYS)


def test_nothing_is_written_unless_asked_for(tmp_path: Path, capsys: Said) -> None:
    path = recording(tmp_path)
    assert run(["discover", "--from", str(path)]) == Exit.OK
    assert "write the drafts with --write FOLDER" in capsys.readouterr().out
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("name", ["sources.toml", "plant.toml"])
def test_a_file_that_is_there_is_left_alone(name: str, tmp_path: Path, capsys: Said) -> None:
    (tmp_path / name).write_text("mine")
    assert run(["discover", "--from", str(recording(tmp_path)), "--write", str(tmp_path)]) == Exit.USAGE
    assert f"{name}: there is one already" in capsys.readouterr().err
    assert (tmp_path / name).read_text() == "mine"
    assert len(list(tmp_path.glob("*.toml"))) == 1


def test_findings_for_programs(tmp_path: Path, capsys: Said) -> None:
    assert run(["discover", "--from", str(recording(tmp_path)), "--json"]) == Exit.OK
    found = json.loads(capsys.readouterr().out)
    assert (found["messages"], found["questions"], found["written"]) == (180, 2, [])
    assert [source["templates"] for source in found["sources"]] == [["quay/devices/{gateway}/report"]]
    doubted = [tag for tag in found["tags"] if tag["questions"]]
    assert [(tag["gateway"], tag["tag"], [each["unit"] for each in tag["candidates"]]) for tag in doubted] == [
        ("gw-cut-1", "dp", ["mbar"]),
        ("gw-cut-2", "header", ["psi(a)"]),
    ]


def test_only_the_topics_that_are_asked_for(tmp_path: Path, capsys: Said) -> None:
    path = str(recording(tmp_path))
    assert run(["discover", "--from", path, "--json", "--topic", "quay/devices/gw-mill-1/#"]) == Exit.OK
    assert [each["id"] for each in json.loads(capsys.readouterr().out)["gateways"]] == ["gw-mill-1"]
    assert run(["discover", "--from", path, "--topic", "elsewhere/#"]) == Exit.USAGE
    assert "elsewhere/#: nothing was heard" in capsys.readouterr().err


def test_what_the_broker_had_kept_is_told_and_not_taken_for_live(tmp_path: Path, capsys: Said) -> None:
    path = recording(tmp_path, retained=[("old/gw-9/dp", b"3.1 inH2O")])
    assert run(["discover", "--from", str(path)]) == Exit.OK
    said = capsys.readouterr().out
    assert "left out: 1 messages (old/gw-9/dp): kept by the broker from before" in said
    assert "gateway gw-9" not in said


@pytest.mark.parametrize("form", ["mapped", "native"])
def test_what_was_heard_at_another_broker_is_taken_from_there_and_nowhere_else(
    form: str, tmp_path: Path, capsys: Said
) -> None:
    path, folder = recording(tmp_path, broker="annex", form=form), tmp_path / "drafts"
    assert run(["discover", "--from", str(path)]) == Exit.USAGE
    assert "give --broker annex" in capsys.readouterr().err
    assert run(["discover", "--from", str(path), "--broker", "annex", "--write", str(folder)]) == Exit.OK
    draft = folder / "sources.toml"
    with pytest.raises(BadConfiguration, match=r"broker 'annex': expected one of main; add the broker"):
        sources_file.load(draft)  # how to reach it only the person knows who has it in the present file
    text = draft.read_text()
    draft.write_text('[[broker]]\nname = "annex"\nhost = "10.0.0.7"\n\n' + text)
    (source,) = sources_file.load(draft).source
    assert (source.broker, source.form) == ("annex", form)
    assert "# [[broker]]" in text


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--from", "nowhere.heard"], "nowhere.heard: No such file"),
        (["--for", "5 minutes"], "--for: duration '5 minutes'"),
        (["--config", "nowhere.toml"], "nowhere.toml: there is no such file"),
    ],
)
def test_wrong_usage_is_one_sentence_with_a_remedy(arguments: list[str], says: str, capsys: Said) -> None:
    assert run(["discover", *arguments]) == Exit.USAGE
    said = capsys.readouterr().err
    assert says in said
    assert "Traceback" not in said


# ---------------------------------------------------------------- a real broker


def settings(folder: Path, at: parts.BrokerAt) -> Path:
    path = folder / "dustcake.toml"
    path.write_text(f'name = "visited"\n[broker]\nhost = "{at.host}"\nport = {at.port}\n')
    return path


def listening(config: Path, *arguments: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "service", "discover", "--config", str(config), *arguments]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=parts.ROOT)


def found_live(folder: Path, *, by_hand: bool) -> tuple[dict[str, Any], str]:
    """What it finds of a broker on which one gateway speaks until it has ended; `by_hand`: by Ctrl-C."""
    messages = traffic("native", gateways=GATEWAYS[:1])
    with parts.mosquitto(folder) as at, parts.publisher(at) as client, parts.hearing(at, "#") as spoken:
        client.publish("old/topic", b'{"dp": 3.1}', qos=1, retain=True).wait_for_publish(20)
        with listening(settings(folder, at), "--json", "--for", "PT1H" if by_hand else "PT4S") as process:
            assert process.stderr is not None
            first = process.stderr.readline()
            for topic, payload, _ in messages:
                client.publish(topic, payload, qos=1).wait_for_publish(20)
            if by_hand:
                process.send_signal(signal.SIGINT)
            out, err = process.communicate(timeout=parts.DEADLINE_S)
        assert process.returncode == Exit.OK, err
        assert len(spoken) == len(messages) + 1, "nobody but the gateway has published anything"
    return json.loads(out), first + err


@pytest.mark.broker
@pytest.mark.parametrize("by_hand", [False, True], ids=["time is over", "ctrl-c"])
def test_live_traffic_is_found_with_progress_on_standard_error(tmp_path: Path, by_hand: bool) -> None:
    found, err = found_live(tmp_path, by_hand=by_hand)
    assert [(each["form"], each["is_built_in"]) for each in found["sources"]] == [("native", True)]
    assert [each["id"] for each in found["gateways"]] == ["gw-cut-1"]
    assert found["messages"] > 5
    assert [each["topics"] for each in found["left_out"]] == [["old/topic"]]
    assert "listening at broker 127.0.0.1" in err
    assert "messages on 1 topics" in err


@pytest.mark.broker
def test_a_broker_that_is_not_there_is_said(tmp_path: Path, capsys: Said) -> None:
    at = parts.BrokerAt("127.0.0.1", parts.free_port(), "none")
    assert run(["discover", "--config", str(settings(tmp_path, at))]) == Exit.UNREACHABLE
    assert "see whether it runs" in capsys.readouterr().err


def test_help_needs_no_service(capsys: Said) -> None:
    assert run(["discover", "--help"]) == Exit.OK
    said = capsys.readouterr().out
    assert all(option in said for option in ("--topic", "--broker", "--for", "--from", "--write", "--json"))

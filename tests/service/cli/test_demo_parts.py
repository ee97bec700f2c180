"""The parts of the demo: its folder, its children, what it tells and how it draws."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from rich.console import Console

from service.cli.app import run
from service.cli.demo.children import Children
from service.cli.demo.folder import MARK, make, merged, toml, write_settings
from service.cli.demo.story import Mail, Story, read_mail
from service.cli.demo.view import draw, pressing
from service.cli.failure import Exit, Failure
from service.web.shown import shown
from tests.service.web.house import FakeHouse, alarm, collector, house, limit, pressure

DEADLINE_S = 20.0
SLEEPER = "import time; print('up', flush=True); time.sleep(600)"
STUBBORN = f"import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN); {SLEEPER}"


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline, "the condition did not come true in time"
        time.sleep(0.02)


def is_alive(pid: int) -> bool:
    """Whether the process runs; a dead one that nobody has collected does not."""
    try:
        return "\nState:\tZ" not in Path(f"/proc/{pid}/status").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False


# ---------------------------------------------------------------- the folder


def test_the_folder_is_made_anew_and_its_secrets_are_for_the_owner_alone(tmp_path: Path) -> None:
    first = make(tmp_path / "demo")
    token = first.token.read_text()
    (first.path / "data").mkdir()
    second = make(tmp_path / "demo")
    assert not (second.path / "data").exists()
    assert second.token.read_text() != token
    for secret in (second.token, second.hook_secret):
        assert secret.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize("content", ["a file", "a folder"])
def test_what_the_demo_has_not_made_is_left_alone(tmp_path: Path, content: str) -> None:
    place = tmp_path / "mine"
    if content == "a folder":
        place.mkdir()
        (place / "letter").write_text("dear")
    else:
        place.write_text("dear")
    with pytest.raises(Failure, match="--folder") as caught:
        make(place)
    assert caught.value.code == Exit.USAGE
    assert place.exists()


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    assert (make(tmp_path).path / MARK).exists()


def test_the_settings_of_the_demo_are_the_sample_with_the_changes(tmp_path: Path) -> None:
    folder = make(tmp_path / "demo")
    write_settings(folder, {"broker": {"port": 4711}, "channels": {"mail": {"port": 4712}}})
    written = tomllib.loads(folder.settings.read_text())
    assert written["broker"]["port"] == 4711
    assert written["broker"]["host"] == "127.0.0.1"
    assert (written["channels"]["mail"]["port"], written["channels"]["mail"]["kind"]) == (4712, "email")
    assert tomllib.loads(folder.plant.read_text())["enterprise"]["id"] == "alder-pike"


def test_a_missing_sample_plant_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.cli.demo.folder.SOURCES", tmp_path / "nowhere")
    with pytest.raises(Failure, match="comes with a checkout"):
        write_settings(make(tmp_path / "demo"), {})


@pytest.mark.parametrize(
    "table",
    [
        {},
        {"a": 1, "b": {"c": {"d": [1, 2.5, "x"]}, "e": True}, "f": 'quote " and \\ and \n'},
        {"only": {"nested": {"deep": 0.1}}},
    ],
)
def test_toml_is_read_back_as_it_was(table: dict[str, Any]) -> None:
    assert tomllib.loads(toml(table)) == table


def test_merging_goes_table_by_table_and_changes_neither() -> None:
    old = {"a": {"b": 1, "c": 2}}
    assert merged(old, {"a": {"c": 3}, "d": 4}) == {"a": {"b": 1, "c": 3}, "d": 4}
    assert old == {"a": {"b": 1, "c": 2}}


# ---------------------------------------------------------------- the children


@pytest.fixture
def children(tmp_path: Path) -> Iterator[Children]:
    held = Children(tmp_path, Event())
    yield held
    held.stop_all()


def module(folder: Path, name: str, text: str) -> str:
    """A module that `-m` finds through PYTHONPATH."""
    (folder / f"{name}.py").write_text(text)
    return name


def start(children: Children, folder: Path, monkeypatch: pytest.MonkeyPatch, text: str) -> int:
    monkeypatch.setenv("PYTHONPATH", str(folder))
    children.start("part", [module(folder, "demo_part", text)])
    return children._running["part"].pid


def test_children_are_stopped_and_a_stubborn_one_is_killed(
    children: Children, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("service.cli.demo.children.STOP_S", 0.3)
    for text in (SLEEPER, STUBBORN):
        pid = start(children, tmp_path, monkeypatch, text)
        assert children.wait_until(lambda: "up" in children.log("part").read_text(), "start", DEADLINE_S)
        children.stop_all()
        assert not is_alive(pid)


def test_a_child_that_ends_on_its_own_is_named_with_the_end_of_its_log(
    children: Children, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    start(children, tmp_path, monkeypatch, "print('first'); print('the disk is full'); raise SystemExit(7)")
    with pytest.raises(Failure, match=r"(?s)the part ended on its own with code 7.*the disk is full") as caught:
        children.wait_until(lambda: False, "anything", DEADLINE_S)
    assert caught.value.code == Exit.BROKEN


def test_waiting_ends_when_the_demo_is_to_stop_and_when_time_is_out(tmp_path: Path) -> None:
    stop = Event()
    with pytest.raises(Failure, match="dawn did not happen within"):
        Children(tmp_path, stop).wait_until(lambda: False, "dawn", 0.1)
    stop.set()
    assert not Children(tmp_path, stop).wait_until(lambda: False, "dawn", DEADLINE_S)


@pytest.mark.skipif(sys.platform != "linux", reason="the parent's death is told by Linux only")
def test_children_end_when_the_demo_itself_is_killed(tmp_path: Path) -> None:
    (tmp_path / "demo_part.py").write_text(SLEEPER)
    script = (
        "import sys, time, threading, pathlib; from service.cli.demo.children import Children;"
        f"children = Children(pathlib.Path({str(tmp_path)!r}), threading.Event());"
        "children.start('part', ['demo_part']); print(children._running['part'].pid, flush=True); time.sleep(600)"
    )
    environment = os.environ | {"PYTHONPATH": str(tmp_path)}
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, env=environment) as parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        until(lambda: "up" in (tmp_path / "part.log").read_text())
        parent.send_signal(signal.SIGKILL)
        parent.wait(DEADLINE_S)
    until(lambda: not is_alive(pid))


# ---------------------------------------------------------------- what it tells


def seen(owner: FakeHouse) -> dict[str, Any]:
    return shown(owner.overview(), owner.health()).model_dump(mode="json")


def test_every_happening_is_told_once_and_timed() -> None:
    quiet = collector(1, "quiet", pressure(3.0, limit("high", 6.0)))
    barely = collector(1, "pending", pressure(6.5, limit("high", 6.0, "pending", 14_400, 60)))
    pending = collector(1, "pending", pressure(6.5, limit("high", 6.0, "pending", 14_400, 3600)))
    silent = collector(1, "no data", pressure(None, limit("high", 6.0), health="stale"), link="silent")
    story = Story()
    one = alarm(1, "high")
    steps: list[tuple[Any, Any, str | None]] = [
        ([quiet], [], "first value received"),
        ([quiet], [], None),
        ([barely], [], None),
        ([quiet], [], None),
        ([pending], [], "dp high 6 inH2O for 4 h: beyond, counted 1 h of 4 h (now 6.50 inH2O)"),
        ([pending], [], None),
        ([quiet], [], "back within"),
        ([pending], [one], "ALARM Cutting hall 1 (quay/cutting/dc-1): Differential pressure high"),
        ([quiet], [], "over: Cutting hall 1"),
        ([silent], [], "gateway silent: gw-cut-1"),
        ([silent], [], None),
    ]
    for number, (collectors, alarms, words) in enumerate(steps):
        new = story.hear(seen(house(collectors=collectors, alarms=alarms)), float(number))
        assert any(words in line for line in new) if words else new == [], (number, new)
    assert (story.first_value_s, story.first_alarm_s, story.alarms) == (0.0, 7.0, 1)


def test_deliveries_are_counted_and_the_first_is_timed() -> None:
    story = Story()
    assert story.deliver([], 0, 1.0) == []
    [mail] = story.deliver([Mail("lead@alder-pike.example", "Alarm", ())], 0, 2.0)
    assert 'lead@alder-pike.example: "Alarm"' in mail
    assert len(story.deliver([], 2, 3.0)) == 1
    assert story.deliver([], 2, 4.0) == []
    assert story.summary() == {
        "first_value_s": None, "first_alarm_s": None, "first_delivered_s": 2.0, "alarms": 0, "emails": 1, "hooks": 2,
    }  # fmt: skip


def test_an_email_is_read_as_people_see_it() -> None:
    raw = (
        b"Return-Path: <a@b.example>\r\nDelivered-To: lead@alder-pike.example\r\nTo: x@y.example\r\n"
        b"Subject: =?utf-8?q?Plattenzuschnitt_=E2=80=93_high?=\r\nContent-Type: text/plain; charset=utf-8\r\n\r\n"
        b"first\r\n\r\nsecond\r\n" + b"more\r\n" * 20
    )
    mail = read_mail(raw)
    assert (mail.to, mail.subject) == ("lead@alder-pike.example", "Plattenzuschnitt – high")
    assert mail.lines[:2] == ("first", "second")
    assert len(mail.lines) == 8


def drawn(owner: FakeHouse | None, story: Story, height_lines: int = 50) -> str:
    console = Console(file=io.StringIO(), width=220, force_terminal=False)
    console.print(draw(seen(owner) if owner else None, story, "http://127.0.0.1:1/?key=k", height_lines))
    assert isinstance(console.file, io.StringIO)
    return console.file.getvalue()


def test_the_screen_shows_link_collectors_alarm_and_the_newest_email() -> None:
    story = Story(lines=["  1.0 s  a happening"])
    story.deliver([Mail("lead@alder-pike.example", "Cutting hall 2 is in alarm", ("It is beyond.",))], 1, 5.0)
    text = drawn(house(), story)
    for words in (
        "Open the page: http://127.0.0.1:1/?key=k", "▲ ALARM", "◐ pending", "? no data", "· quiet",
        "counted 2 h 10 min of 4 h", "Differential pressure high-high", "told: lead by mail",
        "Cutting hall 2 is in alarm", "It is beyond.", "a happening", "Ctrl-C",
    ):  # fmt: skip
        assert words in text
    assert "starting" in drawn(None, Story())


def test_a_low_terminal_gets_it_all_in_its_height() -> None:
    story = Story(lines=[f"{number} s  a happening" for number in range(30)])
    story.deliver([Mail("lead@alder-pike.example", "Alarm", tuple("123456"))], 1, 5.0)
    owner = house(alarms=[alarm(alarm_id=f"a{number}") for number in range(5)])
    assert drawn(owner, story, 24).count("\n") <= 26
    assert drawn(owner, story).count("\n") > 26


def test_the_most_pressing_limit_gets_the_line() -> None:
    near = limit("high", 6.0, "pending", 600, 500)
    far = limit("low", 1.0, "pending", 600, 10)
    one = seen(house(collectors=[collector(1, "pending", pressure(1.0, limit("low-low", 0.5), far, near))]))
    _, pressed = pressing(one["collectors"][0])
    assert pressed is not None
    assert pressed["limit"] == "high"


# ---------------------------------------------------------------- wrong usage of the verb


@pytest.mark.parametrize(
    "arguments", [["--speed", "0"], ["--for", "-1"], ["--broker", "nowhere"], ["--broker", "x:99999"], ["--speed", "x"]]
)
def test_wrong_usage_ends_with_2(tmp_path: Path, arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["demo", "--folder", str(tmp_path / "demo"), *arguments]) == Exit.USAGE
    assert "Traceback" not in capsys.readouterr().err

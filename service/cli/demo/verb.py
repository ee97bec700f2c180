"""The verb itself: start broker, mailbox, service and plant in this order, watch them, and end them in reverse."""

from __future__ import annotations

import importlib.util
import json as json_text
import signal
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from typing import Annotated, Any

from cyclopts import Parameter
from cyclopts.validators import Number

from service.cli.daemon import Daemon
from service.cli.demo.children import Children
from service.cli.demo.folder import DemoFolder, free_port, make, write_settings
from service.cli.demo.story import Story, read_mail
from service.cli.failure import Exit, Failure
from service.cli.output import plain as one_line
from service.cli.output import say, say_json
from service.clock import SystemClock

START_S = 60.0
LOOK_S = 0.5
PAYLOAD_BYTES = 1_048_576  # the embedded broker's own cap of 20 kB would drop the connection of a gateway's burst
BROKER = """\
id = 0
[router]
id = 0
max_connections = 1000
max_outgoing_packet_count = 200
max_segment_size = 104857600
max_segment_count = 10
[v5.1]
name = "demo"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v5.1.connections]
connection_timeout_ms = 60000
max_payload_size = {payload}
max_inflight_count = 100
dynamic_filters = true
"""


def demo(
    *,
    speed: Annotated[float, Parameter(validator=Number(gt=0, lte=2000))] = 240.0,
    fault: Annotated[list[str] | None, Parameter(name="--fault")] = None,
    seconds: Annotated[float | None, Parameter(name="--for", validator=Number(gt=0))] = None,
    folder: Path = Path(".demo"),
    broker: str | None = None,
    plain: bool = False,
    json: bool = False,
) -> int:
    """Play a small plant on this computer and watch it, from fault to email.

    Parameters
    ----------
    speed
        How many plant seconds pass in a second.
    fault
        One more fault, NAME@COLLECTOR+HOURS in plant hours from the start; may be repeated.
    seconds
        Stop after so many seconds and print a summary.
    folder
        Where everything of the demo is; made anew at each run.
    broker
        An MQTT broker as HOST:PORT, instead of the embedded one.
    plain
        One line for each happening, also on a terminal.
    json
        Print only the summary, as JSON for programs.
    """
    began = time.monotonic()
    place = make(folder)
    story = Story()
    with _told_to_stop() as stop:
        children = Children(place.logs, stop)
        try:
            daemon = _start(children, place, speed, fault or [], broker)
            if daemon is not None:
                show = _silent if json else _lines() if plain or not sys.stdout.isatty() else None
                _watch(children, place, daemon, story=story, stop=stop, began=began, seconds=seconds, show=show)
        finally:
            children.stop_all()
    _close(place, story, time.monotonic() - began, json)
    return Exit.OK


@contextmanager
def _told_to_stop() -> Iterator[Event]:
    """An event that SIGTERM and Ctrl-C set, for as long as the context lasts."""
    stop = Event()
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


# ---------------------------------------------------------------- starting


def _start(children: Children, place: DemoFolder, speed: float, faults: list[str], broker: str | None) -> Daemon | None:
    """Everything running, or None when it was told to stop meanwhile."""
    host, port = _start_broker(children, place) if broker is None else _address(broker)
    if not children.wait_until(lambda: _answers(host, port), f"an answer of the broker at {host}:{port}", START_S):
        return None
    box = ["simulators", "mailbox", "--smtp-port", "0", "--hook-port", "0"]
    children.start("mailbox", [*box, "--folder", str(place.mailbox), "--secret-file", str(place.hook_secret)])
    if not children.wait_until(lambda: bool(_ports(children.log("mailbox"))), "the mailbox's start", START_S):
        return None
    anchor_s = round(SystemClock().wall_us() / 1e6, 3)
    web_port = free_port()
    mailbox = _ports(children.log("mailbox"))
    settings = _settings(place, broker=(host, port), mailbox=mailbox, web_port=web_port, speed=speed, anchor_s=anchor_s)
    write_settings(place, settings)
    children.start("service", ["service", "run", "--config", str(place.settings)])
    daemon = Daemon(f"http://127.0.0.1:{web_port}", place.token.read_text(encoding="utf-8").strip())
    if not children.wait_until(lambda: _ready(daemon), "readiness of the service", START_S):
        return None
    anchors = ["--speed", str(speed), "--wall-anchor", str(anchor_s), "--plant-anchor", str(anchor_s)]
    play = ["simulators", "plant", "--broker", f"{host}:{port}", "--scenario", "demo", *anchors]
    children.start("plant", [*play, *(part for one in faults for part in ("--fault", one))])
    return daemon


def _start_broker(children: Children, place: DemoFolder) -> tuple[str, int]:
    if importlib.util.find_spec("iotcore") is None:
        raise Failure(
            Exit.USAGE, "the embedded broker is not installed; install dustcake[demo], or give --broker HOST:PORT"
        )
    port, path = free_port(), place.path / "broker.toml"
    path.write_text(BROKER.format(port=port, payload=PAYLOAD_BYTES), encoding="utf-8")
    children.start("broker", ["iotcore", "--config", str(path), "--log-level", "CRITICAL"])
    return "127.0.0.1", port


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit() or not 0 < int(port) < 65_536:
        raise Failure(Exit.USAGE, f"--broker {text!r}: HOST:PORT expected, such as 127.0.0.1:1883")
    return host.strip("[]"), int(port)


def _settings(
    place: DemoFolder, *, broker: tuple[str, int], mailbox: dict[str, int], web_port: int, speed: float, anchor_s: float
) -> dict[str, Any]:
    return {
        "data_dir": str(place.path / "data"),
        "plant": str(place.plant),
        "broker": {"host": broker[0], "port": broker[1], "version": 5},
        "web": {"host": "127.0.0.1", "port": web_port, "token_file": str(place.token)},
        "clock": {"speed": speed, "wall_anchor": anchor_s, "plant_anchor": anchor_s},
        "channels": {
            "mail": {"host": "127.0.0.1", "port": mailbox["smtp_port"]},
            "hook": {
                "url": f"http://127.0.0.1:{mailbox['hook_port']}/hook",
                "secret_file": str(place.hook_secret),
            },
        },
    }


def _answers(host: str, port: int) -> bool:
    try:
        with socket.create_connection((host, port), 0.5):
            return True
    except OSError:
        return False


def _ports(log: Path) -> dict[str, int]:
    """The ports that the mailbox has printed; empty until it has."""
    for line in log.read_text(encoding="utf-8", errors="replace").splitlines():
        try:
            found = json_text.loads(line)
        except ValueError:
            continue
        if isinstance(found, dict) and {"smtp_port", "hook_port"} <= found.keys():
            return found
    return {}


def _ready(daemon: Daemon) -> bool:
    try:
        return bool(daemon.get("/api/v1/health")["ready"])
    except Failure:
        return False


# ---------------------------------------------------------------- watching


def _watch(
    children: Children,
    place: DemoFolder,
    daemon: Daemon,
    *,
    story: Story,
    stop: Event,
    began: float,
    seconds: float | None,
    show: Callable[[list[str]], None] | None,
) -> None:
    """Look twice a second until told to stop or `seconds` are over. `show` None draws on the terminal."""
    read: set[Path] = set()
    with _screen(daemon, story) if show is None else _printer(daemon, show) as update:
        while not stop.wait(LOOK_S):
            elapsed_s = time.monotonic() - began
            children.check()
            seen = _overview(children, daemon)
            letters = sorted(set((place.mailbox / "mail").glob("*.eml")) - read)
            read.update(letters)
            new = story.hear(seen, elapsed_s)
            hooks = len(list((place.mailbox / "hook").glob("*.json")))
            new += story.deliver([read_mail(letter.read_bytes()) for letter in letters], hooks, elapsed_s)
            update(seen, new)
            if seconds is not None and elapsed_s >= seconds:
                return


def _overview(children: Children, daemon: Daemon) -> Any:
    try:
        return daemon.get("/api/v1/overview")
    except Failure as failure:
        children.check()  # says more, when it has ended
        raise Failure(Exit.BROKEN, str(failure)) from None


@contextmanager
def _screen(daemon: Daemon, story: Story) -> Iterator[Callable[[dict[str, Any], list[str]], None]]:
    from rich.live import Live  # noqa: PLC0415 - on a terminal only

    from service.cli.demo.view import draw  # noqa: PLC0415

    with Live(draw(None, story, daemon.page), auto_refresh=False, vertical_overflow="ellipsis") as live:

        def update(seen: dict[str, Any], _: list[str]) -> None:
            live.update(draw(seen, story, daemon.page, live.console.height), refresh=True)

        yield update


@contextmanager
def _printer(
    daemon: Daemon, show: Callable[[list[str]], None]
) -> Iterator[Callable[[dict[str, Any], list[str]], None]]:
    show([f"open the page: {daemon.page}"])
    yield lambda _, new: show(new)


def _lines() -> Callable[[list[str]], None]:
    def show(new: list[str]) -> None:
        for line in new:
            say(one_line(line))
        sys.stdout.flush()

    return show


def _silent(_: list[str]) -> None:
    """With --json the summary is the only thing printed."""


def _close(place: DemoFolder, story: Story, elapsed_s: float, json: bool) -> None:
    summary = {"elapsed_s": round(elapsed_s, 1), **story.summary(), "folder": str(place.path)}
    if json:
        say_json({key: round(value, 1) if isinstance(value, float) else value for key, value in summary.items()})
        return
    say(f"{summary['alarms']} alarms, {summary['emails']} emails, {summary['hooks']} webhooks in {elapsed_s:.0f} s.")
    for name, what in (("value", "first value"), ("alarm", "first alarm"), ("delivered", "first delivery")):
        at_s = summary[f"first_{name}_s"]
        say(f"{what} after {at_s:.1f} s" if at_s is not None else f"{what}: none")
    say(f"Settings, record, mailbox and logs of this run are in {place.path}")

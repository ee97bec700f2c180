"""What the tests of verbs that visit a broker share: brokers, settings, listeners, verbs as processes, recordings."""

from __future__ import annotations

import contextlib
import socket
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

from service.recording import Recorded, survey
from tests import parts
from tests.chaos.relay import Frames
from tests.service.test_recording import written
from tests.service.test_replaying import DEMO


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


CONNECT, SUBSCRIBE, PING = 1, 8, 12


class Scripted:
    """A broker of MQTT 3.1.1 that answers CONNECT and SUBSCRIBE in turn as it is told, the last answer for ever.

    To an accepted subscription it sends one message: works/a with the count of subscriptions as its payload.
    """

    def __init__(self, connects: Sequence[int] = (0,), subscribes: Sequence[int] = (0,), port: int = 0) -> None:
        self._connects, self._subscribes = list(connects), list(subscribes)
        self.subscriptions = 0
        self._now: socket.socket | None = None
        self._listening = socket.create_server(("127.0.0.1", port))
        self.port = int(self._listening.getsockname()[1])
        self._thread = threading.Thread(target=self._serve)

    def __enter__(self) -> Scripted:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._listening.shutdown(socket.SHUT_RDWR)
        self._listening.close()
        self.drop()
        self._thread.join(10)

    def drop(self) -> None:
        """Cut the connection that there is."""
        if self._now is not None:
            with contextlib.suppress(OSError):
                self._now.shutdown(socket.SHUT_RDWR)

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                self._now, _ = self._listening.accept()
                with self._now as connection, contextlib.suppress(OSError):
                    frames = Frames(lambda head, body: self._answer(connection, head >> 4, body))
                    while data := connection.recv(65_536):
                        frames.feed(data)

    def _answer(self, connection: socket.socket, kind: int, body: bytes) -> None:
        if kind == CONNECT:
            code = _next(self._connects)
            connection.sendall(bytes([0x20, 2, 0, code]))
            if code:
                self.drop()
        elif kind == SUBSCRIBE:
            code, count, at = _next(self._subscribes), 0, 2
            while at < len(body):
                at, count = at + 3 + int.from_bytes(body[at : at + 2], "big"), count + 1
            self.subscriptions += 1
            connection.sendall(bytes([0x90, 2 + count]) + body[:2] + bytes([code]) * count)
            if code < 0x80:
                said = b"\x00\x07works/a" + str(self.subscriptions).encode()
                connection.sendall(bytes([0x30, len(said)]) + said)
        elif kind == PING:
            connection.sendall(b"\xd0\x00")


def _next(answers: list[int]) -> int:
    return answers.pop(0) if len(answers) > 1 else answers[0]

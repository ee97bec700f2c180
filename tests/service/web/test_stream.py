"""The live stream over a real server: changes are pushed to a bounded number, and those who leave free their places."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import httpx
import pytest

from service.model import BadConfiguration
from service.web import stream
from service.web.server import WebServer
from tests.service.web.client import BEARER, serving
from tests.service.web.house import HOSTS, TOKEN, FakeHouse, house

DEADLINE_S = 10.0


@pytest.fixture
def owner() -> FakeHouse:
    return house()


@pytest.fixture
def server(owner: FakeHouse) -> Iterator[WebServer]:
    with serving(owner) as running:
        yield running


def listen(server: WebServer, stack: ExitStack, headers: dict[str, str] | None = None) -> Iterator[dict[str, str]]:
    """The events of one new listener, each as its fields."""
    url = f"http://127.0.0.1:{server.port}/api/v1/events"
    asking = stack.enter_context(httpx.Client(timeout=DEADLINE_S, trust_env=False))
    answer = stack.enter_context(asking.stream("GET", url, headers=BEARER | (headers or {})))
    assert answer.status_code == 200
    return events(answer.iter_lines())


def events(lines: Iterator[str]) -> Iterator[dict[str, str]]:
    fields: dict[str, str] = {}
    for line in lines:
        name, colon, value = line.partition(": ")
        if colon and name:
            fields[name] = value
        elif not line and fields:
            yield fields
            fields = {}


def until(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < deadline, "the condition did not come true in time"
        time.sleep(0.02)


def version(event: dict[str, str]) -> Any:
    return json.loads(event["data"])["version"]


def test_a_listener_gets_the_present_and_then_every_change(owner: FakeHouse, server: WebServer) -> None:
    with ExitStack() as stack:
        heard = listen(server, stack)
        first = next(heard)
        assert (first["event"], version(first)) == ("overview", 1)
        owner.change(enterprise="Renamed")
        second = next(heard)
        assert (version(second), json.loads(second["data"])["enterprise"]) == (2, "Renamed")


def test_pushes_come_at_most_twice_a_second_and_the_last_is_not_lost(owner: FakeHouse, server: WebServer) -> None:
    with ExitStack() as stack:
        heard = listen(server, stack)
        next(heard)
        began, pushes, last = time.monotonic(), 0, 1
        for _ in range(40):
            owner.change()
        while last < 41:
            last, pushes = version(next(heard)), pushes + 1
        assert pushes <= 1 + (time.monotonic() - began) / stream.INTERVAL_S


def test_silence_is_broken_by_a_heartbeat_with_fresh_ages(server: WebServer, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(stream, "HEARTBEAT_S", 0.1)
    with ExitStack() as stack:
        heard = listen(server, stack)
        assert [version(next(heard)) for _ in range(2)] == [1, 1]


def test_who_comes_back_is_not_sent_what_it_already_has(owner: FakeHouse, server: WebServer) -> None:
    with ExitStack() as stack:
        had = next(listen(server, stack))["id"]
        again = listen(server, stack, {"Last-Event-ID": had})
        owner.change()
        assert version(next(again)) == 2


def test_places_are_bounded_and_given_back(
    owner: FakeHouse, server: WebServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    broadcast = server._app.state.broadcast
    monkeypatch.setattr(broadcast, "_listeners_max", 3)
    url = f"http://127.0.0.1:{server.port}/api/v1/events"
    with ExitStack() as stack:
        listeners = [listen(server, stack) for _ in range(3)]
        assert [version(next(heard)) for heard in listeners] == [1, 1, 1]
        refused = httpx.get(url, headers=BEARER, trust_env=False)
        assert refused.status_code == 503
        assert refused.headers["content-type"] == "application/problem+json"
    until(lambda: broadcast.listeners == 0)
    with ExitStack() as stack:
        assert version(next(listen(server, stack))) == 1
    assert owner.waiting_most == 1, "one thread waits, whatever the number of listeners"


def test_nobody_listening_takes_no_thread(owner: FakeHouse, server: WebServer) -> None:
    with ExitStack() as stack:
        next(listen(server, stack))
    until(lambda: server._app.state.broadcast.listeners == 0)
    until(lambda: owner.waiting == 0)
    owner.waiting_most = 0
    owner.change()
    httpx.get(f"http://127.0.0.1:{server.port}/healthz", trust_env=False)
    assert owner.waiting_most == 0


def test_a_failing_house_ends_the_streams_and_they_can_be_had_again(owner: FakeHouse, server: WebServer) -> None:
    with ExitStack() as stack:
        heard = listen(server, stack)
        next(heard)
        owner.fails = True
        owner.change()
        assert next(heard, None) is None
        owner.fails = False
        assert version(next(listen(server, stack))) == 2


def test_stopping_ends_live_streams_at_once(owner: FakeHouse) -> None:
    with ExitStack() as stack:
        with serving(owner) as server:
            heard = listen(server, stack)
            next(heard)
            began = time.monotonic()
        assert time.monotonic() - began < 2 * stream.WAIT_S + 1
        assert next(heard, None) is None


def test_a_taken_port_is_a_clear_error(owner: FakeHouse, server: WebServer) -> None:
    with pytest.raises(BadConfiguration, match="choose an address"):
        WebServer(owner, "127.0.0.1", server.port, TOKEN, HOSTS).start()

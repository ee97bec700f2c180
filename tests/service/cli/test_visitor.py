"""A visit to a broker that goes, comes back, and does not let us listen for a while: it is said, and tried again."""

from __future__ import annotations

import json
import signal
from pathlib import Path

import pytest

from service.cli import visitor
from service.cli.failure import Exit, Failure
from service.cli.visitor import Visitor, reach
from service.recording import Missed, Recorded
from tests import parts
from tests.service.cli.visits import Scripted, command, flushed, settings
from tests.service.test_recording import read

NOT_AUTHORIZED, NO_SUBSCRIPTION = 5, 0x80  # MQTT 3.1.1, 3.2.2.3 and 3.9.3


def visiting(folder: Path, broker: Scripted) -> Visitor:
    _, _, link = reach(settings(folder, broker.port, version=3), "main")
    return Visitor(link, "tst", comes_back=True)


def said(visit: Visitor, text: str) -> None:
    """Wait until it tells this."""
    told: list[str] = []

    def look() -> bool:
        told.append(visit.check())
        return text in told[-1]

    parts.wait_until(look, text)


def test_a_refusal_ends_a_visit_only_at_its_beginning(tmp_path: Path) -> None:
    with Scripted([NOT_AUTHORIZED]) as broker:
        visit = visiting(tmp_path, broker)
        with pytest.raises(Failure, match="refused the connection"):
            visit.enter()
        visit.leave()
    with Scripted(subscribes=[NO_SUBSCRIPTION]) as broker:
        visit = visiting(tmp_path, broker)
        visit.enter()
        with pytest.raises(Failure, match="refused the subscription to a/#"):
            visit.subscribe(["a/#"])
        visit.leave()


def test_a_refused_reconnection_is_told_and_forgotten_when_it_listens_again(tmp_path: Path) -> None:
    with Scripted([0, NOT_AUTHORIZED, 0]) as broker:
        visit = visiting(tmp_path, broker)
        visit.enter()
        try:
            visit.subscribe(["a/#"])
            assert visit.check() == ""
            broker.drop()
            said(visit, "refused the connection")
            said(visit, "it listens again")
            assert (visit.trouble, visit.check()) == ("", "")
        finally:
            visit.leave()


def test_a_refused_subscription_after_a_reconnection_is_told_and_asked_for_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(visitor, "ASK_AGAIN_S", 0.2)
    with Scripted(subscribes=[0, NO_SUBSCRIPTION, NO_SUBSCRIPTION, 0]) as broker:
        visit = visiting(tmp_path, broker)
        visit.enter()
        try:
            visit.subscribe(["a/#", "b"])
            broker.drop()
            said(visit, "refused the subscription to a/#, b")
            said(visit, "it listens again")
            assert broker.subscriptions == 4
        finally:
            visit.leave()


def test_a_recorder_puts_down_that_nothing_could_come_until_the_subscription_was_accepted(tmp_path: Path) -> None:
    path = tmp_path / "a.heard"
    with Scripted([0, NOT_AUTHORIZED, 0], [0, NO_SUBSCRIPTION, 0]) as broker:
        config = settings(tmp_path / "s", broker.port, version=3)
        with command("record", path, "--topic", "#", "--json", "--config", config) as process:
            parts.wait_until(lambda: flushed(path, 1), "it listens")
            broker.drop()
            parts.wait_until(lambda: broker.subscriptions == 2, "its subscription is refused")
            broker.drop()
            parts.wait_until(lambda: flushed(path, 2), "it listens again")
            process.send_signal(signal.SIGTERM)
            out, err = process.communicate(timeout=30)
    assert process.returncode == Exit.OK, err
    found, cut_off = read(path)
    assert cut_off == ""
    assert [item.payload if isinstance(item, Recorded) else "missed" for item in found] == [b"1", "missed", b"3"]
    missed = next(item for item in found if isinstance(item, Missed))
    assert json.loads(out)["without_connection_s"] == [round((missed.to_us - missed.from_us) / 1e6, 3)]
    for text in ("the connection was lost", "refused the connection", "refused the subscription", "it listens again"):
        assert text in err
    assert err.index("refused the connection") < err.index("refused the subscription") < err.index("listens again")

"""The daemon killed again and again under load: each reading is in the history once, alarms as if it never died."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest

from tests import parts
from tests.end_to_end.story import Story, tell, truth

COLLECTORS, SECONDS = 6, 1200
FAR_US = 4_000_000_000_000_000


def published(broker: parts.BrokerAt, story: Story, between: Callable[[int], None]) -> None:
    """Publish all of it in order, calling `between` after each message, and wait until the broker has it."""
    with parts.publisher(broker) as client:
        for number, (topic, payload) in enumerate(story.payloads()):
            info = client.publish(topic, payload, qos=1)
            between(number)
        info.wait_for_publish(60)


def check_everything_is_there_once(daemon: parts.Daemon, story: Story) -> None:
    """History against what was published, alarms against the streaming engine."""
    counted = "SELECT coalesce(sum(rows), 0) FROM journal"
    parts.wait_until(lambda: daemon.ask_ledger(counted)[0][0] >= story.readings, "all readings are in the ledger")
    expected = truth(story, daemon.plant, FAR_US)
    assert len(expected) >= 20
    told = "SELECT id, raised_us, cleared_us FROM alarm"
    parts.wait_until(lambda: len(daemon.ask_ledger(told)) >= len(expected), "all alarms are in the ledger")
    assert daemon.stop() == 0
    assert daemon.ask_history("SELECT count(*) FROM reading WHERE NOT late")[0][0] == story.readings
    assert daemon.ask_history("SELECT count(*) FROM reading")[0][0] == story.readings
    assert (
        daemon.ask_history("SELECT count(*) FROM (SELECT DISTINCT point, at_utc FROM reading)")[0][0] == story.readings
    )
    total = sum(value for _, rows in story.messages for _, _, value in rows)
    assert daemon.ask_history("SELECT sum(original) FROM reading")[0][0] == pytest.approx(total, rel=1e-12)
    assert {row[0]: row[1:] for row in daemon.ask_ledger(told)} == expected


@pytest.mark.broker
@pytest.mark.parametrize("kind", [parts.mosquitto, parts.embedded], ids=["mosquitto", "embedded"])
def test_every_reading_is_in_the_history_once_and_alarms_are_those_of_the_rules(
    kind: Callable[[Path], AbstractContextManager[parts.BrokerAt]], tmp_path: Path
) -> None:
    story = tell(COLLECTORS, SECONDS // 2, start_s=int(time.time()) - 3600, seed=3)
    with kind(tmp_path) as broker:
        daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(COLLECTORS))
        try:
            daemon.start()
            published(broker, story, lambda _: None)
            check_everything_is_there_once(daemon, story)
        finally:
            daemon.end()


@pytest.mark.broker
@pytest.mark.timeout(300)
def test_ten_kills_under_load_lose_nothing_and_count_nothing_twice(tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(10**6)
    print("seed", seed)  # shown when the test fails
    draw = random.Random(seed)
    story = tell(COLLECTORS, SECONDS, start_s=int(time.time()) - 3600, seed=seed)
    kills = sorted(draw.sample(range(50, len(story.messages)), 10))
    with parts.mosquitto(tmp_path) as broker:
        daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(COLLECTORS), "[intake]\nbatch_parcels = 20\n")
        try:
            daemon.start()

            def between(number: int) -> None:
                if number in kills:
                    time.sleep(draw.uniform(0, 0.05))
                    daemon.kill()
                    daemon.start(ready=draw.random() < 0.5)

            published(broker, story, between)
            check_everything_is_there_once(daemon, story)
        finally:
            daemon.end()

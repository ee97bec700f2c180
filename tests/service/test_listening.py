"""Several brokers in the whole service: whose time stands still when one comes or goes, and where it publishes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.model import MAIN
from service.settings import Settings
from service.wiring import Service
from tests.parts import plant_text

MINUTE_US = 60 * 10**6
SOURCES = """
[[broker]]
name = "annex"
host = "127.0.0.1"
port = 1
client_id = "a"

[[source]]
name = "silo"
broker = "annex"
form = "plain"
topics = ["silo/{gateway}/{tag}"]
gateways = { S7 = "gw-1" }
"""


class Fake:
    """The face of a receiver."""

    def __init__(self, connected_us: int | None = None, listened_us: int | None = None) -> None:
        self.connected_since_us, self.listened_since_us = connected_us, listened_us
        self.published: list[str] = []

    def publish(self, topic: str, _payload: bytes, _timeout_s: float) -> None:
        self.published.append(topic)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """A whole service that is built and not started: gw-0 speaks through the main broker, gw-1 through another."""
    (tmp_path / "plant.toml").write_text(plant_text(2))
    (tmp_path / "sources.toml").write_text(SOURCES)
    built = Service(
        Settings(
            data_dir=tmp_path / "data",
            plant=tmp_path / "plant.toml",
            sources=tmp_path / "sources.toml",
            channels={"bus": {"kind": "mqtt", "topic": "news"}},  # type: ignore[dict-item]  # as a file has it
        )
    )
    yield built
    built.ledger.close()
    built.outbox.close()
    built.reader.close()
    built._hold.close()


def stand_in(service: Service, **fakes: Fake) -> None:
    receivers: Any = fakes
    service.brokers._receivers = receivers


def heard_for_s(service: Service, gateway: str) -> tuple[int, int] | None:
    """Whole seconds since it is heard: by this connection, and in all; None while it is not."""
    listening, now_us = service._listening(), service.clock.plant_us()
    assert listening is not None
    connected_us, since_us = listening.connected_of(gateway), listening.since_of(gateway)
    if connected_us is None or since_us is None:
        return None
    return round((now_us - connected_us) / 1e6), round((now_us - since_us) / 1e6)


def test_a_gateway_has_the_time_of_its_own_broker(service: Service) -> None:
    now_us = service.clock.wall_us()
    long = Fake(now_us - 60 * MINUTE_US, now_us - 60 * MINUTE_US)
    back = Fake(now_us - 10**6, now_us - 70 * 10**6)
    stand_in(service, main=long, annex=back)
    assert (heard_for_s(service, "gw-0"), heard_for_s(service, "gw-1")) == ((3600, 3600), (1, 70))
    stand_in(service, main=back, annex=long)
    assert (heard_for_s(service, "gw-0"), heard_for_s(service, "gw-1")) == ((1, 70), (3600, 3600))
    stand_in(service, main=long, annex=Fake())
    assert (heard_for_s(service, "gw-0"), heard_for_s(service, "gw-1")) == ((3600, 3600), None)
    stand_in(service, main=Fake(), annex=long)
    assert (heard_for_s(service, "gw-0"), heard_for_s(service, "gw-1")) == (None, (3600, 3600))
    stand_in(service, main=Fake(), annex=Fake())
    assert service._listening() is None


def test_notifications_and_heartbeats_go_to_the_main_broker_of_now(service: Service) -> None:
    new = Fake()
    stand_in(service, **{MAIN: new})
    channel: Any = service.channels["bus"]
    channel._publish("news", b"x", 1.0)
    service.watch.heartbeat._publish("beat", b"x", 1.0)
    assert new.published == ["news", "beat"]

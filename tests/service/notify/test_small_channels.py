"""The log and MQTT channels: what they say, and what they refuse to be set up as."""

from __future__ import annotations

import json

import pytest
from structlog.testing import capture_logs

from service.model import Accepted, BadConfiguration, Refused
from service.notify.log import LogChannel
from service.notify.message import body_json, subject
from service.notify.mqtt import MqttChannel
from tests.service.notify.made import TOLD, row


def test_the_log_channel_writes_one_line_without_the_address() -> None:
    with capture_logs() as lines:
        assert isinstance(LogChannel("log").send(row()), Accepted)
    assert len(lines) == 1
    assert lines[0]["event"] == "notification"
    assert lines[0]["subject"] == subject(TOLD)
    assert lines[0]["log_level"] == "warning"
    assert "address" not in lines[0]


def test_mqtt_publishes_on_its_own_topic_and_waits_for_the_acknowledgement() -> None:
    published: list[tuple[str, bytes, float]] = []
    channel = MqttChannel("bus", topic="plant/news", publish=lambda *given: published.append(given), timeout_s=3.0)
    answer = channel.send(row(address="plant/fan/start"))  # an address must not choose the topic
    assert answer == Accepted("acknowledged by the broker on plant/news")
    ((topic, payload, timeout_s),) = published
    assert (topic, timeout_s) == ("plant/news", 3.0)
    assert json.loads(payload) == json.loads(json.dumps(body_json(TOLD)))


@pytest.mark.parametrize("error", [TimeoutError("no PUBACK in 3 s"), RuntimeError("not connected"), ValueError("full")])
def test_what_the_broker_did_not_acknowledge_is_tried_again(error: Exception) -> None:
    def publish(_topic: str, _payload: bytes, _timeout_s: float) -> None:
        raise error

    answer = MqttChannel("bus", topic="plant/news", publish=publish).send(row())
    assert answer == Refused(f"publish on plant/news: {type(error).__name__}: {error}")


@pytest.mark.parametrize("topic", ["", "plant/#", "plant/+/news", "$SYS/news", "a\x00b", "x" * 65_536])
def test_a_topic_that_cannot_be_published_on_is_refused_at_the_start(topic: str) -> None:
    with pytest.raises(BadConfiguration, match=r"channels\.bus\.topic"):
        MqttChannel("bus", topic=topic, publish=lambda *_: None)

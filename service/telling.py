"""Builds the channels by which people are told, from the settings. Sends nothing."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from service.model import Channel
from service.notify.email import EmailChannel
from service.notify.log import LogChannel
from service.notify.mqtt import MqttChannel
from service.notify.webhook import WebhookChannel
from service.receive.access import Secret

Publish = Callable[[str, bytes, float], None]  # topic, payload, time-out in seconds


def channel_of(name: str, item: Any, *, now_us: Callable[[], int], publish: Publish) -> Channel:
    """The channel that a table of the settings describes; `publish` is the main broker's. BadConfiguration."""
    if item.kind == "email":
        return EmailChannel(
            name,
            host=item.host,
            sender=item.sender,
            port=item.port,
            security=item.security,
            username=item.username,
            password=_text(item.password_file, f"channels.{name}.password_file"),
            ca_file=item.ca_file,
            timeout_s=item.timeout_s,
        )
    if item.kind == "webhook":
        return WebhookChannel(
            name,
            url=item.url,
            secret=_text(item.secret_file, f"channels.{name}.secret_file"),
            now_us=now_us,
            timeout_s=item.timeout_s,
            allow_private=item.allow_private,
            ca_file=item.ca_file,
        )
    if item.kind == "mqtt":
        return MqttChannel(name, topic=item.topic, publish=publish, timeout_s=item.timeout_s)
    return LogChannel(name)


def _text(file: Path | None, key: str) -> str | None:
    return None if file is None else Secret(key, file).read()

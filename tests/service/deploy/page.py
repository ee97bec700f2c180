"""Prints the commented settings file from the model, so that the file and the model cannot disagree."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from service.settings import (
    EmailChannelSettings,
    LogChannelSettings,
    MqttChannelSettings,
    Section,
    Settings,
    WebhookChannelSettings,
)

WIDTH = 118
HEAD = """\
# The settings of the service, all of them, each with its default. Lines that begin with "#" and a key are off: take the
# "#" away to set them. Every setting can also come from the environment, which wins: DUSTCAKE_NAME,
# DUSTCAKE_BROKER__PORT (two underscores after the table), DUSTCAKE_CHANNELS__MAIL__PORT; lists are JSON there.
#
# A password or key is never written here: it stands in a file of its own that only the service's account can read, and
# the setting that ends in _file is the path of that file. Relative paths start at the folder the service is started in.
#
# This is condition monitoring, advisory only. It is not a safety function: it trips, isolates and suppresses nothing,
# and must not be the only means to detect fire, explosion or toxic release. A lost signal is not a healthy signal.
"""
CHANNELS = """\
# ---------------------------------------------------------------- channels
# Ways to tell people. The name after "channels." is yours (small letters, digits, hyphens); contacts in the plant file
# use it. Without a channel nobody is told anything: set one, and try it with a test notification.
"""
EXAMPLES: tuple[tuple[str, type[Section]], ...] = (
    ("mail", EmailChannelSettings),
    ("hook", WebhookChannelSettings),
    ("news", MqttChannelSettings),
    ("journal", LogChannelSettings),
)


def page() -> str:
    """The whole file: scalars first, then the tables, then an example of each channel, switched off."""
    scalars = {name: field for name, field in Settings.model_fields.items() if not _is_table(field)}
    parts = [HEAD, "".join(_lines(scalars))]
    for name, field in Settings.model_fields.items():
        if isinstance(field.default, BaseModel):
            model = type(field.default)
            parts.append(_comment(model.__doc__ or "") + f"[{name}]\n" + "".join(_lines(model.model_fields)))
    parts.append(CHANNELS)
    for name, model in EXAMPLES:
        body = f"[channels.{name}]\n" + "".join(_lines(model.model_fields))
        parts.append(_comment(model.__doc__ or "") + "".join(f"#{line}\n" for line in body.splitlines()))
    return "\n".join(parts)


def switched_on(text: str) -> str:
    """The file with every example set: each "#key = value" and "#[table]" without its "#"."""
    lines = []
    for line in text.splitlines():
        while re.match(r"#[^ ]", line):
            line = line[1:]  # noqa: PLW2901 - one "#" after the other
        lines.append(line)
    return "\n".join(lines)


def _is_table(field: FieldInfo) -> bool:
    return isinstance(field.default, BaseModel | dict)


def _lines(fields: dict[str, FieldInfo]) -> Iterator[str]:
    for name, field in fields.items():
        if field.description:
            yield _comment(field.description)
        has_default = not field.is_required() and field.default is not None
        value = field.default if has_default else (field.examples or [""])[0]
        off = "" if has_default or field.is_required() else "#"
        yield f"{off}{name} = {_toml(value)}\n"


def _comment(text: str) -> str:
    words = " ".join(text.split())
    return "".join(f"# {line}\n" for line in textwrap.wrap(words, WIDTH - 2))


def _toml(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return '"' + str(value).replace("\\", "\\\\").replace('"', '\\"') + '"'

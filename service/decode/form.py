"""What every payload form has in common: what it is given, what it answers, and how its memory is kept.

A form reads bytes; it must never know points or limits, convert a unit, or read a clock. Whatever arrives, its answer
is a `Read`, or BadInput when nothing of the message can be used.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

from service.model import BadInput, GatewayMessage, GatewayStatus, Rejected

READINGS_MOST = 100_000  # in a message: the most that the settings allow
TEXT_MOST = 128  # characters of a gateway's or a tag's name, as `service.model.Text`


class Arrived(NamedTuple):
    """One message as a form gets it. `parts` are the named parts of its topic; `is_again`: it was kept, and is retried.

    A message that is retried must not disturb what the form remembers of the live sequence. `is_retained`: the broker
    kept it for a while that nobody knows, so its arrival says nothing about when anything was measured.
    """

    topic: str
    payload: bytes
    received_us: int
    parts: Mapping[str, str]
    is_again: bool = False
    is_retained: bool = False


class Ask(NamedTuple):
    """A message that the form wants published: the request to be told all names again. Never a command to equipment.

    `gateway` is whose message made it wanted.
    """

    topic: str
    payload: bytes
    gateway: str


class Waited(NamedTuple):
    """What an earlier message says, which was held back until now; and when that one arrived."""

    message: GatewayMessage
    received_us: int


@dataclass(slots=True)
class Read:
    """What a message says. A unit that it does not name is the empty text, and so is a time: then it is the arrival's.

    `faults` are the readings that could not be read, each with what, value, expected and remedy: then the message goes
    to quarantine as it came, beside what could be used of it.
    """

    messages: list[GatewayMessage] = field(default_factory=list)
    before: list[Waited] = field(default_factory=list)  # of earlier messages, let go before this one was read
    waited: list[Waited] = field(default_factory=list)  # likewise, let go by this one or since
    statuses: list[GatewayStatus] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    asks: list[Ask] = field(default_factory=list)
    rejected: list[Rejected] = field(default_factory=list)  # of a form that can keep what is refused by itself


class Form(Protocol):
    """One payload form with one source's settings."""

    def read(self, arrived: Arrived) -> Read:
        """What the message says; BadInput when nothing of it can be used."""
        ...

    def due(self, now_us: int) -> Read:
        """What has fallen due since without a message, such as readings that waited for an earlier one."""
        ...

    def changed(self) -> dict[str, bytes]:
        """What must be saved of its memory together with the readings of the batch, by key; forgets that it changed."""
        ...

    def load(self, saved: Mapping[str, bytes]) -> None:
        """Take up what was saved last."""
        ...


class Stateless:
    """The part of a form that remembers nothing."""

    def due(self, now_us: int) -> Read:  # noqa: ARG002 - nothing waits here
        return Read()

    def changed(self) -> dict[str, bytes]:
        return {}

    def load(self, saved: Mapping[str, bytes]) -> None:
        """What another form of the same source's name left behind is not for this one."""


_PART = re.compile(r"\{([a-z_][a-z0-9_]*)(\.\.\.)?\}")


class Template:
    """A topic in which whole levels are named parts: `works/{gateway}/{tag}`; a last `{tag...}` is all the rest."""

    def __init__(self, text: str) -> None:
        """ValueError when it is not one."""
        levels = text.split("/")
        self.text, self.names = text, tuple(found[1] for found in _PART.finditer(text))
        if len(set(self.names)) != len(self.names):
            raise ValueError(f"topic {text!r}: a part is named twice; expected each name once; rename one")
        pattern, filters = [], []
        for at, level in enumerate(levels):
            found = _PART.fullmatch(level)
            if found is None and set(level) & set("{}+#\0"):
                raise ValueError(f"topic {text!r}: {level!r} is no level; expected a name or one {{part}}; correct it")
            if found is None:
                pattern.append(re.escape(level))
                filters.append(level)
            elif found[2] is None:
                pattern.append(f"(?P<{found[1]}>[^/]+)")
                filters.append("+")
            elif at == len(levels) - 1:
                pattern.append(f"(?P<{found[1]}>.+)")
                filters.append("#")
            else:
                raise ValueError(
                    f"topic {text!r}: {level!r} stands before the end; only the last part may take the rest"
                )
        self.filter = "/".join(filters)
        self._pattern = re.compile("/".join(pattern), re.DOTALL)  # names may have line ends

    def parts(self, topic: str) -> dict[str, str] | None:
        """The named parts of a topic; None when it is another."""
        found = self._pattern.fullmatch(topic)
        return None if found is None else found.groupdict()


def named(arrived: Arrived, part: str, remedy: str) -> str:
    """A part of the topic; BadInput when the template has none of this name, or it is too long for a name."""
    found = arrived.parts.get(part)
    if not found or len(found) > TEXT_MOST:
        raise BadInput(
            f"topic {arrived.topic[:TEXT_MOST]!r}: no usable part {part!r}; expected 1 to {TEXT_MOST} characters; "
            f"{remedy}"
        )
    return found

"""The topics of Sparkplug (Sparkplug 3.0.0, chapter 4): who speaks, and what kind of message it is.

Must never read a payload or remember anything.
"""

from __future__ import annotations

from typing import NamedTuple

from service.decode.form import TEXT_MOST
from service.model import BadInput

SPACE = "spBv1.0"
_STATE = "STATE"
_LEVELS = {"NBIRTH": 4, "NDEATH": 4, "NDATA": 4, "NCMD": 4, "DBIRTH": 5, "DDEATH": 5, "DDATA": 5, "DCMD": 5}
_COMMANDS = ("NCMD", "DCMD")


class Topic(NamedTuple):
    """Who speaks, and what kind of message it is; `device` is empty for the edge node itself."""

    group: str
    kind: str
    node: str
    device: str

    @property
    def key(self) -> str:
        return f"{self.group}/{self.node}"

    @property
    def text(self) -> str:
        """The topic as it came."""
        return "/".join(filter(None, (SPACE, self.group, self.kind, self.node, self.device)))

    @property
    def is_birth(self) -> bool:
        return self.kind in ("NBIRTH", "DBIRTH")


def topic_of(text: str) -> Topic | None:
    """The parts of a topic; None for what is not for us (the state of hosts, commands). BadInput when it is none."""
    levels = text.split("/")
    if len(levels) == 3 and levels[:2] == [SPACE, _STATE]:
        return None
    ids = [each for i, each in enumerate(levels) if i not in (0, 2)]
    kind = levels[2] if len(levels) > 2 else ""
    if levels[0] != SPACE or _LEVELS.get(kind) != len(levels) or not all(_is_id(each) for each in ids):
        raise BadInput(
            f"topic {text[:TEXT_MOST]!r}: expected {SPACE}/group/type/node[/device] with one of the types "
            f"{', '.join(_LEVELS)} and names of 1 to {TEXT_MOST} characters without + or #; correct the source's topic"
        )
    return None if kind in _COMMANDS else Topic(levels[1], kind, levels[3], "".join(levels[4:]))


def _is_id(text: str) -> bool:
    return 0 < len(text) <= TEXT_MOST and not set("+#\0") & set(text)

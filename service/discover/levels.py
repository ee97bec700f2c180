"""Which level of like topics names the gateway and which the tag, and the templates that say so.

A level is judged by how it varies and by what its names hint at. What was chosen for want of anything better is told in
a note.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from service.discover.columns import tells_kinds
from service.discover.words import GENERIC_LEVELS, tokens

LITERALS_MOST = 8  # combinations of other levels that are written out; beyond it they are parts without a meaning
APART_MOST = 40  # that are written out where those parts would make one of several machines
OPEN_LEVEL = "{level_"  # what such a part begins with
_VERSION = re.compile(r"v[0-9.]+")
_FORBIDDEN = set("{}+#\0")


@dataclass(slots=True)
class Branch:
    """Topics that one source takes; the template is empty when none can name them.

    `gateway` is its name where no level says it, `own` what sets it apart from the other branches.
    """

    template: str
    topics: list[str]
    gateway: str = ""
    own: str = ""
    notes: list[str] = field(default_factory=list)


def branches(
    topics: Sequence[str], *, needs_tag: bool, says_gateway: bool, named: Mapping[str, set[str]]
) -> list[Branch]:
    """One branch for each combination of the levels that are neither gateway nor tag. All topics are of one length.

    `needs_tag`: the payload does not say the tag. `says_gateway`: the payload names the gateway, as in `named`.
    """
    levels = _Levels(topics, named)
    levels.tag = levels.find_tag() if needs_tag else None
    levels.gateway = levels.find_gateway()
    if says_gateway and not levels.is_named(levels.gateway):
        levels.gateway = None  # the payload knows better
    return levels.split()


class _Levels:
    """Like topics as a table of levels."""

    def __init__(self, topics: Sequence[str], named: Mapping[str, set[str]]) -> None:
        self._topics, self._named = topics, named
        self._rows = [topic.split("/") for topic in topics]
        self._width = len(self._rows[0])
        self._varying = [place for place in range(self._width) if len(self._at(place)) > 1]
        self._notes: list[str] = []
        self.tag: int | None = None
        self.gateway: int | None = None

    def find_tag(self) -> int:
        """The level whose names hint most at what is measured."""
        scored = {place: tells_kinds(self._at(place)) for place in range(self._width)}
        best = max(scored, key=lambda place: (scored[place], place))
        if scored[best] > 0:
            return best
        self._notes.append("no name in the topic tells what is measured: the last level is taken for the tag")
        return self._width - 1

    def find_gateway(self) -> int | None:
        """The level that is what the payload names; else the last that varies, or looks like a name; else none."""
        places = [place for place in range(self._width) if place != self.tag]
        same = [place for place in places if self.is_named(place)]
        if same:
            return same[-1]
        free = [place for place in places if place in self._varying and tells_kinds(self._at(place)) < 0.5]
        if free:
            return free[-1]
        if self._named:
            return None
        specific = [place for place in places if place not in self._varying and not _is_generic(self._rows[0][place])]
        with_digit = [place for place in specific if any(each.isdigit() for each in tokens(self._rows[0][place]))]
        self._notes.append("only one gateway was heard: check which level names it")
        found = with_digit or specific
        return found[-1] if found else None

    def is_named(self, place: int | None) -> bool:
        """Whether a level is what the payloads name as their gateway."""
        if place is None or not self._named:
            return False
        return all(self._named.get(topic) == {row[place]} for topic, row in zip(self._topics, self._rows, strict=True))

    def split(self) -> list[Branch]:
        """The branches, in the order of their levels."""
        others = [place for place in range(self._width) if place not in (self.gateway, self.tag)]
        groups: dict[tuple[str, ...], list[int]] = {}
        for index, row in enumerate(self._rows):
            groups.setdefault(tuple(row[place] for place in others), []).append(index)
        if len(groups) > (LITERALS_MOST if self._is_apart() else APART_MOST):
            return [self._branch(range(len(self._rows)), [place for place in others if place in self._varying])]
        found = []
        for key, members in sorted(groups.items()):
            branch = self._branch(members, ())
            branch.own = "-".join(part for part, place in zip(key, others, strict=True) if place in self._varying)
            found.append(branch)
        return found

    def _is_apart(self) -> bool:
        """Whether gateway and tag tell all topics apart, without any other level."""
        told = {
            (row[self.gateway] if self.gateway is not None else "", row[self.tag] if self.tag is not None else "",
             *sorted(self._named.get(topic, ())))
            for topic, row in zip(self._topics, self._rows, strict=True)
        }  # fmt: skip
        return len(told) == len(self._topics)

    def _at(self, place: int) -> set[str]:
        return {row[place] for row in self._rows}

    def _branch(self, members: Sequence[int], open_levels: Sequence[int]) -> Branch:
        levels, fixed = list(self._rows[members[0]]), ""
        is_fit = not any(_FORBIDDEN & set(level) for level in levels)
        if self.gateway == 0 and len({self._rows[index][0] for index in members}) == 1:
            fixed = levels[0]  # or the subscription would begin with a wildcard, and take everything
        elif self.gateway is not None:
            levels[self.gateway] = "{gateway}"
        if self.tag is not None:
            levels[self.tag] = "{tag}"
        for place in open_levels:
            levels[place] = f"{OPEN_LEVEL}{place + 1}}}"
        notes = list(self._notes)
        if levels[0].startswith("{") and is_fit:
            notes.append("its subscription begins with a wildcard: see that nothing else matches it")
        template = "/".join(levels) if is_fit else ""
        return Branch(template, [self._topics[index] for index in members], fixed, notes=notes)


def _is_generic(level: str) -> bool:
    return not level or level.lower() in GENERIC_LEVELS or _VERSION.fullmatch(level.lower()) is not None


def overlap(first: str, second: str) -> bool:
    """Whether two templates would take the same topics; the sources file must not have both."""
    one, other = first.split("/"), second.split("/")
    for at in range(max(len(one), len(other))):
        if any(at < len(levels) and levels[at].endswith("...}") for levels in (one, other)):
            return at < len(one) and at < len(other)
        if at >= len(one) or at >= len(other):
            return False
        if not (one[at].startswith("{") or other[at].startswith("{") or one[at] == other[at]):
            return False
    return True

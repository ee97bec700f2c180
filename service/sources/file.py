"""Reads the sources file and checks it against itself: names, brokers, topics that two sources would both take."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path

from pydantic import ValidationError

from service.faults import faults_of, read_toml, refuse
from service.model import MAIN
from service.sources.form import Source, Sources


def load(path: Path) -> Sources:
    """The sources of a file that is right in itself; otherwise BadConfiguration, with one line for every fault."""
    data = read_toml(path)
    try:
        sources = Sources.model_validate(data)
    except ValidationError as error:
        refuse(path, faults_of(error, Sources, data))
        raise  # not reached: an error has at least one fault
    refuse(path, _faults(sources))
    return sources


def digest(sources: Sources) -> str:
    """A short name of what the file says: 32 hexadecimal digits."""
    text = json.dumps(sources.model_dump(mode="json"), sort_keys=True)
    return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def differences(before: Sources, after: Sources) -> list[str]:
    """What a change of the file changes, a line for each broker and source."""
    lines: list[str] = []
    for kind in ("broker", "source"):
        old = {item.name: item for item in getattr(before, kind)}
        new = {item.name: item for item in getattr(after, kind)}
        lines += [f"{kind} {name} is new" for name in new if name not in old]
        lines += [f"{kind} {name} is gone" for name in old if name not in new]
        lines += [f"{kind} {name} changed" for name in new if name in old and new[name] != old[name]]
    return lines


def _faults(sources: Sources) -> Iterator[str]:
    for kind, names in (
        ("broker", [item.name for item in sources.broker]),
        ("source", [item.name for item in sources.source]),
    ):
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield f"{kind}[{name}]: the name is there twice; expected each once; rename one"
    brokers = {MAIN, *(item.name for item in sources.broker)}
    if MAIN in (item.name for item in sources.broker):
        yield f"broker[{MAIN}]: that is the broker of the settings file; expected another name; rename it"
    for source in sources.source:
        if source.broker not in brokers:
            yield (
                f"source[{source.name}].broker {source.broker!r}: expected one of {', '.join(sorted(brokers))}; "
                "add the broker, or correct it"
            )
    for one, other in combinations(sources.source, 2):
        yield from _both(one, other)


def _both(one: Source, other: Source) -> Iterator[str]:
    """Topics that two sources of one broker would both take: the second would never get its messages."""
    if one.broker != other.broker:
        return
    for first in one.topics:
        for second in other.topics:
            if _overlap(first.split("/"), second.split("/")):
                yield (
                    f"source[{other.name}].topics {second!r}: source {one.name} takes some of them with {first!r}; "
                    "expected topics of one source only; make one of them narrower"
                )


def _overlap(first: list[str], second: list[str]) -> bool:
    """Whether there is a topic that both templates take."""
    for at in range(max(len(first), len(second))):
        if any(at < len(levels) and levels[at].endswith("...}") for levels in (first, second)):
            return at < len(first) and at < len(second)
        if at >= len(first) or at >= len(second):
            return False
        if not (first[at].startswith("{") or second[at].startswith("{") or first[at] == second[at]):
            return False
    return True

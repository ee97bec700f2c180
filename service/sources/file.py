"""Reads the sources file and checks it against itself: names, brokers, topics that two sources would both take."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from service import differing
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


def differences(before: Sources, after: Sources) -> list[str]:
    """What a change of the file changes: lines such as "source silo tags p unit: mbar -> inH2O"."""
    return differing.lines(as_table(before), as_table(after), {"broker": "broker ", "source": "source "})


def left_behind(before: Sources, after: Sources) -> list[str]:
    """The sources whose memory means nothing any more: those that are gone, or have another form or broker."""
    now = {(source.name, source.form, source.broker) for source in after.source}
    return [source.name for source in before.source if (source.name, source.form, source.broker) not in now]


def as_table(sources: Sources) -> dict[str, Any]:
    """What the file says, for the record; secrets are not in it, only where they stand."""
    return sources.model_dump(mode="json", by_alias=True, exclude_none=True)


def _faults(sources: Sources) -> Iterator[str]:
    for kind, names in (
        ("broker", [item.name for item in sources.broker]),
        ("source", [item.name for item in sources.source]),
    ):
        for name in sorted({name for name in names if names.count(name) > 1}):
            yield f"{kind}[{name}]: the name is there twice; expected each once; rename one"
    used = {source.broker for source in sources.source}
    for broker in sources.broker:
        if broker.name not in used:
            yield f"broker[{broker.name}]: no source has it; expected one or more; remove it, or name it in a source"
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
            if overlap(first, second):
                yield (
                    f"source[{other.name}].topics {second!r}: source {one.name} takes some of them with {first!r}; "
                    "expected topics of one source only; make one of them narrower"
                )


def overlap(one: str, other: str) -> bool:
    """Whether there is a topic that both templates take."""
    first, second = one.split("/"), other.split("/")
    for at in range(max(len(first), len(second))):
        if any(at < len(levels) and levels[at].endswith("...}") for levels in (first, second)):
            return at < len(first) and at < len(second)
        if at >= len(first) or at >= len(second):
            return False
        if not (first[at].startswith("{") or second[at].startswith("{") or first[at] == second[at]):
            return False
    return True

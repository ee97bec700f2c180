"""From messages to findings: keep, group, read, judge, compare. Pure; the one door of the analysis."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from service.discover import between, clocks, readings
from service.discover.families import slug, sources_of, unique
from service.discover.findings import Findings, GatewayFound, LeftOut, SourceFound, TagFound
from service.discover.judge import judge
from service.discover.kept import Kept, Message
from service.discover.readings import Heard, Series

_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,58}")


def find(messages: Iterable[Message]) -> Findings:
    """What these messages (topic, payload, microseconds UTC of arrival), in the order of arrival, say."""
    kept = Kept()
    kept.add_all(messages)
    return findings_of(kept)


def findings_of(kept: Kept) -> Findings:
    """What a kept sample says; it may be asked again while the sample grows."""
    sources, left_out = sources_of(kept)
    found = Findings(kept.messages, len(kept.topics), kept.first_us, kept.last_us, left_out=left_out)
    if kept.left_out_messages:
        why = "more topics than are looked at (or longer ones): they may number themselves"
        found.left_out.append(LeftOut(why, (), 0, kept.left_out_messages))
    if kept.long_messages:
        found.left_out.append(LeftOut("longer than one message may be", (), 0, kept.long_messages))
    heard = {source.name: each for source in sources if (each := _read(source, kept, found)) is not None}
    found.sources = [source for source in sources if source.name in heard]
    _name_gateways(found.sources, heard)
    pairs: list[between.Pair] = []
    for source in found.sources:
        if heard[source.name].left_out:
            why = f"{heard[source.name].left_out} readings: more tags than are looked at"
            found.left_out.append(LeftOut(why, tuple(source.templates), 1, 0))
        mine = _tags(source, heard[source.name], kept)
        _gateways(found, source, heard[source.name], kept, mine)
        pairs += mine
    between.compare(pairs)
    found.tags = [tag for tag, _ in pairs]
    return found


def _read(source: SourceFound, kept: Kept, found: Findings) -> Heard | None:
    """What the source's form reads; None when no source can be built of it."""
    try:
        return readings.read(source, kept)
    except ValueError as error:
        why = f"no source can be built of it: {str(error)[:200]}"
        found.left_out.append(LeftOut(why, tuple(source.templates), 1, source.messages))
        return None


def _name_gateways(sources: Sequence[SourceFound], heard: Mapping[str, Heard]) -> None:
    """An id for each gateway. One name with the same tags in two places is two gateways."""
    tags: dict[str, dict[str, set[str]]] = {}  # by the name that arrives, then by source
    for source in sources:
        for arrives_as, tag in heard[source.name].series:
            tags.setdefault(arrives_as, {}).setdefault(source.name, set()).add(tag)
    taken: set[str] = set()
    for arrives_as, by_source in sorted(tags.items()):
        is_one = sum(map(len, by_source.values())) == len(set().union(*by_source.values()))
        shared = unique(_id(arrives_as), taken) if is_one else ""
        for source in sources:
            if source.name in by_source:
                source.gateways[arrives_as] = shared or unique(_id(f"{source.own or source.name}-{arrives_as}"), taken)


def _id(text: str) -> str:
    """The text where it can be an id, else what is left of it."""
    return text if _ID.fullmatch(text) else slug(text) or "gateway"


def _tags(source: SourceFound, heard: Heard, kept: Kept) -> list[tuple[TagFound, Series]]:
    found = []
    for (arrives_as, name), series in sorted(heard.series.items()):
        tag = judge(series, source.units.get(name, ""))
        tag = replace(tag, gateway=source.gateways[arrives_as], source=source.name)
        tag.every_us = clocks.every_us(series, heard, kept)
        found.append((tag, series))
    return found


def _gateways(
    found: Findings, source: SourceFound, heard: Heard, kept: Kept, pairs: list[tuple[TagFound, Series]]
) -> None:
    by_gateway: dict[str, list[between.Pair]] = {}
    for tag, series in pairs:
        by_gateway.setdefault(tag.gateway, []).append((tag, series))
    for arrives_as, name in source.gateways.items():
        mine = by_gateway[name]
        gateway = GatewayFound(name, arrives_as, source.name)
        gateway.every_us = clocks.middle_of({tag.tag: tag.every_us for tag, _ in mine})
        spread = clocks.spread_of(max((series for _, series in mine), key=lambda each: each.messages), heard, kept)
        if spread is not None:
            gateway.every_from_us, gateway.every_to_us = spread
        first_at_us = next((series.values[0][0] for _, series in mine if series.values), None)
        clocks.judge_clock(gateway, heard.lags_us.get(arrives_as, []), first_at_us)
        found.gateways.append(gateway)

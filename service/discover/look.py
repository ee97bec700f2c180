"""From messages to findings: keep, group, read, judge, compare. Pure; the one door of the analysis."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from service.discover import between, clocks, readings
from service.discover.families import TOPICS_SHOWN, slug, sources_of, unique
from service.discover.findings import Findings, GatewayFound, LeftOut, SourceFound, TagFound
from service.discover.judge import judge
from service.discover.kept import Kept, Message
from service.discover.levels import OPEN_LEVEL
from service.discover.readings import Heard, Series
from service.model import MAIN

NO_ZONE = (
    "its times name no zone and are taken as UTC: local time may look like it, in winter or by chance. Write the zone "
    "of its clock in time_zone"
)
_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,58}")


def find(messages: Iterable[Message]) -> Findings:
    """What these messages (topic, payload, microseconds UTC of arrival), in the order of arrival, say."""
    kept = Kept()
    kept.add_all(messages)
    return findings_of(kept)


def findings_of(kept: Kept, broker: str = MAIN) -> Findings:
    """What a kept sample of a broker says; it may be asked again while the sample grows."""
    sources, left_out = sources_of(kept)
    for source in sources:
        source.is_built_in = source.is_built_in and broker == MAIN  # the service's own topics are those of main
        if "time_zone" in source.keys:
            source.questions.append(NO_ZONE)
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
    for (arrives_as, _), series in sorted(heard.series.items()):
        tag = replace(judge(series), gateway=source.gateways[arrives_as], source=source.name)
        if source.form == "senml":
            _say_ratio(tag)
        _ask_whether_one(tag, source, series)
        tag.every_us = clocks.every_us(series, heard, kept)
        found.append((tag, series))
    return found


def _say_ratio(tag: TagFound) -> None:
    """Where a number cannot be a ratio: what the sender wrote as % is none of a hundred in SenML, and arrives as /."""
    if tag.is_open and "/" in tag.sent_units and tag.working is not None:
        tag.questions.insert(
            0,
            f"SenML's % is a ratio and no percentage, the same as its / (RFC 8428 section 12.1, note 1): "
            f"{tag.working:.4g} says {100 * tag.working:.4g} %; if the sender means per cent, "
            'write unit = "%" in the sources file',
        )


def _ask_whether_one(tag: TagFound, source: SourceFound, series: Series) -> None:
    """A question where topics that the template does not keep apart bring one tag: it may be of several machines."""
    left_open = [level.strip("{}") for level in source.templates[0].split("/") if level.startswith(OPEN_LEVEL)]
    if not left_open or len(series.topics) < 2:
        return
    tag.is_merged = True
    shown = ", ".join(sorted(series.topics)[:TOPICS_SHOWN])
    tag.questions.append(
        f"it comes on {len(series.topics)} topics that differ in {' and '.join(left_open)} ({shown}, ...): perhaps "
        "several machines; split the source into one for each"
    )


def _gateways(
    found: Findings, source: SourceFound, heard: Heard, kept: Kept, pairs: list[tuple[TagFound, Series]]
) -> None:
    by_gateway: dict[str, list[between.Pair]] = {}
    for tag, series in pairs:
        by_gateway.setdefault(tag.gateway, []).append((tag, series))
    for arrives_as, name in source.gateways.items():
        mine = by_gateway[name]
        gateway = GatewayFound(name, arrives_as, source.name, assumed_zone=source.keys.get("time_zone", ""))
        gateway.every_us = clocks.middle_of({tag.tag: tag.every_us for tag, _ in mine})
        spread = clocks.spread_of(max((series for _, series in mine), key=lambda each: each.messages), heard, kept)
        if spread is not None:
            gateway.every_from_us, gateway.every_to_us = spread
        first_at_us = next((series.values[0][0] for _, series in mine if series.values), None)
        clocks.judge_clock(gateway, heard.lags_us.get(arrives_as, []), first_at_us)
        found.gateways.append(gateway)

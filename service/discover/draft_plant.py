"""The draft of the plant file as text: a collector for each gateway, a point for each tag, names to be reviewed.

Limits stand as comments only. A point of which neither quantity nor unit is known stands as a comment too, and so does
every open one whose readings no sources file could refuse.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator

from service.discover.draft_sources import heading, said_of_gateway, summary, what
from service.discover.families import slug, unique
from service.discover.findings import Findings, GatewayFound, TagFound
from service.discover.judge import seen_unit
from service.discover.toml_text import comment, quoted
from service.discover.words import BY_NAME
from service.units.times import duration

_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,58}")
PLACE = """
[enterprise]
id = "enterprise"            # REVIEW: all ids and names of this draft but those of gateways are placeholders
name = "Enterprise"

[[site]]
id = "site"
name = "Site"
time_zone = "UTC"            # REVIEW: the site's own, such as Europe/Dublin

[[area]]
id = "site/area"
name = "Area"
"""
HOLDS = 3  # reports for which a value holds, as the service has it
SLOWER = 1.5  # than its gateway's other tags: then it is held for longer
SAYS_IT_RUNS = ("airflow", "current", "speed")  # kinds, the best first
SILENT_US = 30 * 60_000_000  # the service's own default of silent_after


def plant_text(found: Findings) -> str:
    """The whole file."""
    lines = [*heading(found, "plant file"), *_cautions(), *PLACE.rstrip().splitlines()]
    built_in = {source.name for source in found.sources if source.is_built_in}
    by_id: dict[str, list[GatewayFound]] = {}
    for gateway in found.gateways:
        by_id.setdefault(gateway.id, []).append(gateway)
    for name, parts in by_id.items():
        tags = [tag for tag in found.tags if tag.gateway == name]
        lines += _collector(name, parts, tags, built_in)
    return "\n".join(lines) + "\n"


def _cautions() -> Iterator[str]:
    yield from comment(
        "Limits are comments: their numbers are starting values, common practice, no source; the permit, the maker's "
        "ratings and local codes come first.",
        further="# ",
    )
    yield "# Condition monitoring only: advisory, not a safety function."


def _collector(name: str, parts: list[GatewayFound], tags: list[TagFound], built_in: set[str]) -> Iterator[str]:
    taken: set[str] = set()
    every_us = max((each.every_us for each in parts if each.every_us is not None), default=None)
    reports_us = None if every_us is None else _rounded_us(every_us)
    points = [list(_point(tag, unique(_name(tag), taken), reports_us)) for tag in tags]
    used = [_is_used(tag, is_built_in=tag.source in built_in) for tag in tags]
    mark = "" if any(used) else "# "
    yield ""
    yield from comment(f"Gateway {name}: {'; '.join(said_of_gateway(each) for each in parts)}.")
    yield f"{mark}[[gateway]]"
    yield f"{mark}id = {quoted(name)}"
    if reports_us is not None:
        yield f"{mark}reports_every = {quoted(duration(reports_us))}"
        if reports_us >= SILENT_US:
            yield f"{mark}silent_after = {quoted(duration(HOLDS * reports_us))}"
    yield ""
    yield f"{mark}[[collector]]"
    yield f"{mark}id = {quoted(f'site/area/{name}')}"
    yield f"{mark}name = {quoted(name)}            # REVIEW: the name that people use"
    yield f'{mark}kind = "other"            # REVIEW: cartridge, baghouse, bin vent'
    yield f"{mark}gateway = {quoted(name)}"
    yield from _running(tags)
    for tag, lines, is_used in zip(tags, points, used, strict=True):
        yield ""
        yield from comment(_about(tag, is_used=is_used))
        yield from lines if is_used else (f"# {line}" for line in lines)
        yield from _limits(tag)


def _about(tag: TagFound, *, is_used: bool) -> str:
    if not is_used:
        return f"{tag.tag}: {summary(tag)}"
    return f"{what(tag)}." + (f" OPEN: {_wait(tag)}." if tag.is_open else "")


def _wait(tag: TagFound) -> str:
    if tag.is_merged:
        return "refused until the sources file keeps its machines apart"
    which = "what comes without a unit is " if tag.is_unit_sometimes and len(tag.questions) == 1 else ""
    return f"{which}refused until the sources file names its unit"


def _is_used(tag: TagFound, *, is_built_in: bool) -> bool:
    return bool(tag.quantity and seen_unit(tag)) and not (is_built_in and tag.is_open)


def _point(tag: TagFound, name: str, reports_us: int | None) -> Iterator[str]:
    yield "[[collector.point]]"
    yield f"name = {quoted(name)}"
    yield f"quantity = {quoted(tag.quantity)}"
    yield f"unit = {quoted(seen_unit(tag))}"
    if name != tag.tag:
        yield f"tag = {quoted(tag.tag)}"
    if tag.every_us is not None and reports_us is not None and tag.every_us > SLOWER * reports_us:
        yield f"hold = {quoted(duration(HOLDS * _rounded_us(tag.every_us)))}  # it comes less often than the others"


def _name(tag: TagFound) -> str:
    """The tag itself where it can be a point's name."""
    plain = tag.tag.lower()
    return plain if _NAME.fullmatch(plain) else slug(tag.tag) or "point"


def _running(tags: list[TagFound]) -> Iterator[str]:
    """The rule that says when limits count; its numbers are for a person to set."""
    likely = [tag for kind in SAYS_IT_RUNS for tag in tags if tag.kind == kind]
    moved = [tag for tag in likely if tag.working is not None and tag.working > 0]
    if not moved:
        what_is_there = (
            f"{', '.join(tag.tag for tag in likely)} never showed that it runs"
            if likely
            else "No airflow, motor current or fan speed that could say when it runs"
        )
        yield from comment(f"{what_is_there}: without a running rule, limits are judged at all times.")
        return
    yield from _rule(min(moved, key=lambda tag: tag.is_open))  # of equals the first


def _rule(tag: TagFound) -> Iterator[str]:
    """Half and a quarter of what a tag works at; without numbers where those that are sent stand for others."""
    assert tag.working is not None
    is_scaled = tag.is_loop or (tag.raw_full > 0 and not tag.candidates)
    numbers = ["?" if is_scaled else f"{float(f'{part * tag.working:.2g}'):g}" for part in (0.5, 0.25)]
    unit = tag.unit if not tag.is_open else seen_unit(tag) if is_scaled else "?"
    yield "# REVIEW: on and off are half and a quarter of what it works at."
    if is_scaled:
        yield from comment(f"OPEN: what {tag.tag} stands for is not known yet, and so the numbers are not.")
    elif tag.is_open:
        yield from comment(
            f"OPEN: the unit of {tag.tag} is not proven: write it here once it is; on and off are as sent."
        )
    rule = f"point = {quoted(_name(tag))}, on = {numbers[0]}, off = {numbers[1]}, unit = {quoted(unit)}"
    yield f'# running = {{ {rule}, settle = "PT5M" }}'


def _limits(tag: TagFound) -> Iterator[str]:
    kind = BY_NAME.get(tag.kind)
    if kind is None or not kind.limits or tag.is_open or tag.quantity != kind.quantity:
        return
    yield f"# Starting values in {kind.unit}, common practice, no source:"
    yield from (f"# {line}" for line in kind.limits)


def _rounded_us(us: int) -> int:
    """An interval as a person would write it, never shorter: whole seconds, or tenths below two."""
    grain_us = 1_000_000 if us >= 2_000_000 else 100_000
    nearest_us = round(us / grain_us) * grain_us
    within_us = nearest_us if abs(nearest_us - us) <= 0.02 * us else math.ceil(us / grain_us) * grain_us
    return max(within_us, grain_us)

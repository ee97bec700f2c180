"""Builds the intake from the settings and the sources file. Owns nothing; decides nothing about a reading."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path

from service.clock import clock_of
from service.decode import mapped
from service.decode.adjust import (
    LOOP_HIGH_MA,
    LOOP_LOW_MA,
    LOOP_UNIT,
    OVER_RANGE_MA,
    UNDER_RANGE_MA,
    Adjuster,
    Rules,
    Scale,
    Tag,
    Timing,
    as_sent,
)
from service.decode.csv_line import CsvForm
from service.decode.form import Form, Template
from service.decode.intake import Intake
from service.decode.intake import Source as Taken
from service.decode.native_source import NativeForm, native_sources
from service.decode.plain import PlainForm
from service.decode.senml import SenmlForm
from service.decode.sparkplug import SparkplugForm
from service.faults import refuse
from service.model import MAIN, BadInput
from service.plant.form import Plant
from service.settings import Settings
from service.sources.file import overlap
from service.sources.form import Csv, Mapped, Plain, Senml, Source, Sources, Sparkplug, TagRules, Time
from service.units.convert import lookup

NATIVE_NAMES = ("native", "native status")


def intake_of(settings: Settings, sources: Sources, path: Path | str = "sources file") -> Intake:
    """The intake for these settings and sources; BadConfiguration, naming `path`, when a source cannot be built."""
    most = settings.intake.readings_per_message
    native = native_sources(settings.topics.readings, settings.topics.status, most)
    built, faults = [*native], list[str]()
    for source in sources.source:
        faults += _shadowed(source, native)
        try:
            built.append(build(source, most))
        except ValueError as error:
            faults.append(f"source[{source.name}]: {error}")
    refuse(path, faults)
    return Intake(
        built,
        payload_bytes=settings.intake.payload_bytes,
        readings_most=most,
        future_us=int(settings.intake.future_s * 1e6),
        identified=identified_by(settings, sources),
        plant_of=clock_of(*settings.clock.numbers).plant_of,
    )


def _shadowed(source: Source, native: Iterable[Taken]) -> Iterator[str]:
    """Topics that the settings' native ones take already: the rules of the source would never be applied to them."""
    if source.broker != MAIN:
        return
    for theirs in (template.text for one in native for template in one.templates):
        for topic in source.topics:
            if overlap(topic, theirs):
                yield (
                    f"source[{source.name}].topics {topic!r}: the settings take some of them as native, {theirs!r}; "
                    "expected topics of one source only; make them narrower, or change topics in the settings"
                )


def identified_by(settings: Settings, sources: Sources) -> dict[str, str]:
    """Of each broker that says who published a message, the user property in which it does."""
    named = {MAIN: settings.broker.identity_property, **{one.name: one.identity_property for one in sources.broker}}
    return {name: asked for name, asked in named.items() if asked is not None}


def brokers_of(sources: Sources) -> dict[str, str]:
    """The broker of each gateway that a source names and that does not speak through the main one."""
    return {
        gateway: source.broker
        for source in sources.source
        for gateway in (*source.gateways.values(), *([source.gateway] if source.gateway else []))
        if source.broker != MAIN
    }


def doubts_of(sources: Sources, plant: Plant) -> list[str]:
    """What no fault is, and yet will bring nothing: names that the plant file does not have, units that do not fit."""
    known = {point.gateway or collector.gateway for collector in plant.collector for point in collector.point}
    tags: dict[str, set[str]] = {}
    for point in (point for collector in plant.collector for point in collector.point):
        tags.setdefault(point.tag or point.name, set()).add(point.quantity)
    lines: list[str] = []
    for source in sources.source:
        at = f"source[{source.name}]"
        named = [*source.gateways.values(), *([source.gateway] if source.gateway else [])]
        lines += [f"{at}: the plant file has no gateway {name}" for name in named if name not in known]
        lines += [f"{at}.time_of: the plant file has no gateway {name}" for name in source.time_of if name not in known]
        lines += [
            f"{at}: no point of the plant file has the tag {rules.tag or name.rpartition('/')[2]}"
            for name, rules in source.tags.items()
            if (rules.tag or name.rpartition("/")[2]) not in tags
        ]
        lines += _meant_twice(at, source)
        lines += _misfits(at, source, tags)
    return lines


def _misfits(at: str, source: Source, tags: Mapping[str, set[str]]) -> Iterator[str]:
    """Units that no point of the tag takes, and tags of which neither the file nor the message says the unit."""
    mapped_unit, columns = bool(source.mapped and source.mapped.unit), source.csv.columns if source.csv else []
    says_unit = source.form in ("native", "senml", "sparkplug", "plain") or mapped_unit or "unit" in columns
    for name, rules in source.tags.items():
        refusals: list[str] = []
        for quantity in sorted(tags.get(rules.tag or name.rpartition("/")[2], ())):
            if rules.unit is None and not says_unit:
                refusals.append("no unit here, and none in the message; expected one; add unit")
                break
            try:
                if rules.unit is not None:
                    lookup(rules.unit, quantity)
            except BadInput as error:
                refusals.append(str(error))
        yield from (f"{at}.tags.{name}: {why}" for why in refusals)


def _meant_twice(at: str, source: Source) -> Iterator[str]:
    """Rules that make two tags one, which is right only where no gateway sends both."""
    first: dict[tuple[str, str], str] = {}
    for name, rules in source.tags.items():
        gateway, _, tag = name.rpartition("/")
        key = gateway, rules.tag or tag
        if key in first:
            yield f"{at}.tags: {first[key]} and {name} both become {key[1]}: right only where no gateway sends both"
        first.setdefault(key, name)


def build(source: Source, readings_most: int) -> Taken:
    """One source; ValueError when a topic or an expression is none."""
    templates = tuple(Template(text) for text in source.topics)
    rules, form = _rules(source), _form(source, readings_most)
    _check_names(source, templates)
    # Other forms may leave the unit or the time to the rules.
    adjuster = None if source.form == "native" and rules.is_empty else Adjuster(rules)
    return Taken(source.name, source.broker, templates, form, adjuster, source.gateway, keeps_part=adjuster is None)


def _form(source: Source, readings_most: int) -> Form:
    words = source.words()
    if isinstance(words, Mapped):
        return mapped.MappedForm(mapped.Mapping(**words.model_dump()))
    if isinstance(words, Csv):
        return CsvForm(**words.model_dump())
    if isinstance(words, Plain):
        return PlainForm(decimal=words.decimal)
    if isinstance(words, Senml):
        return SenmlForm(words.coding, tag_from=words.tag_from)
    if isinstance(words, Sparkplug):
        return SparkplugForm(
            gateway_of=words.gateway_of, asks_rebirth=words.asks_rebirth, reorder_us=int(words.reorder_s * 1e6)
        )
    return NativeForm(readings_most)


def _check_names(source: Source, templates: Sequence[Template]) -> None:
    """Where neither payload nor settings name the gateway the topic must, and the same for a plain value's tag."""
    says_itself = source.form in ("native", "sparkplug", "senml") or (source.mapped and source.mapped.gateway)
    for template in templates:
        if not says_itself and source.gateway is None and "gateway" not in template.names:
            raise ValueError(
                f"topics {template.text!r}: no part {{gateway}}; expected the gateway in the topic, in the payload "
                "(mapped.gateway), or as gateway of the source; add one"
            )
        if source.form == "plain" and "tag" not in template.names:
            raise ValueError(f"topics {template.text!r}: no part {{tag}}; expected the tag in the topic; add it")


def _rules(source: Source) -> Rules:
    return Rules(
        gateways=dict(source.gateways),
        only_named=source.only_named,
        tags={name: _tag(tag) for name, tag in source.tags.items()},
        timing=_timing(source.time),
        timings={gateway: _timing(time) for gateway, time in source.time_of.items()},
    )


def _tag(tag: TagRules) -> Tag:
    scale, lowest, highest = None, tag.lowest, tag.highest
    if tag.loop is not None:
        scale = Scale(LOOP_LOW_MA, LOOP_HIGH_MA, tag.loop.at_4_mA, tag.loop.at_20_mA)
        lowest = UNDER_RANGE_MA if lowest is None else lowest
        highest = OVER_RANGE_MA if highest is None else highest
    elif tag.line is not None:
        scale = Scale(*tag.line.raw, *tag.line.value)
    return Tag(
        name=tag.tag or "",
        unit=tag.unit or "",
        scale=scale,
        lowest=float("-inf") if lowest is None else lowest,
        highest=float("inf") if highest is None else highest,
        bad=frozenset().union(*map(as_sent, tag.bad)),
        raw_unit=LOOP_UNIT if tag.loop is not None else "",
        is_counter=tag.counter is not None,
        wraps_at=tag.counter.wraps_at if tag.counter is not None else None,
    )


def _timing(time: Time) -> Timing:
    return Timing(time.by, round(time.offset_s * 1e6))

"""Reads the kept messages with the very forms that the drafts name, into a bounded series for each gateway and tag."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from service.decode.form import READINGS_MOST, Arrived, Form, Template
from service.decode.sparkplug import REORDER_US
from service.discover.columns import code_of
from service.discover.findings import SourceFound
from service.discover.kept import Kept
from service.model import BadInput, GatewayMessage
from service.sources.form import Source
from service.sourcing import build
from service.units.times import parse_rfc3339, parse_unix_s

SERIES_MOST = 20_000
VALUES_MOST = 600  # of one tag
UNITS_MOST = 8  # different ones of one tag
FAULTS_SHOWN = 3
LAGS_MOST = 600  # of one gateway


@dataclass(slots=True)
class Series:
    """What one tag of one gateway sent: (instant, value) in order of arrival; without a time it is the arrival's."""

    gateway: str
    tag: str
    values: list[tuple[int, float]] = field(default_factory=list)
    units: dict[str, int] = field(default_factory=dict)
    readings: int = 0
    bad: int = 0
    messages: int = 0
    topics: dict[str, int] = field(default_factory=dict)  # messages of each topic that brought it
    step: int = 1
    lowest: float = math.inf  # of all good values, also those that are not kept; without `codes`
    highest: float = -math.inf
    codes: dict[float, int] = field(default_factory=dict)  # good values that may stand for no measurement; how often

    def add(self, at_us: int, value: float | None, unit: str, *, is_good: bool) -> None:
        if unit in self.units or len(self.units) < UNITS_MOST:
            self.units[unit] = self.units.get(unit, 0) + 1
        if value is None or not is_good or not math.isfinite(value):
            self.bad += 1
        else:
            self._value(at_us, value)
        self.readings += 1

    def _value(self, at_us: int, value: float) -> None:
        code = code_of(value)
        if code is not None:
            value = code
            self.codes[code] = self.codes.get(code, 0) + 1
        else:
            self.lowest, self.highest = min(self.lowest, value), max(self.highest, value)
        if self.readings % self.step == 0:
            self.values.append((at_us, value))
            if len(self.values) > VALUES_MOST:
                self.values, self.step = self.values[::2], self.step * 2


@dataclass(slots=True)
class Heard:
    """The series of one source, and how long after their times the messages of each gateway came."""

    series: dict[tuple[str, str], Series] = field(default_factory=dict)
    lags_us: dict[str, list[int]] = field(default_factory=dict)
    kept_of: dict[str, int] = field(default_factory=dict)  # messages kept of each topic
    left_out: int = 0


def table_of(source: SourceFound) -> dict[str, Any]:
    """The source without its tags, as the sources file has it."""
    table: dict[str, Any] = {"name": source.name, "form": source.form, "topics": source.templates}
    if source.gateway:
        table["gateway"] = source.gateway
    keys = source.keys | ({"values": source.values} if source.values else {})
    if keys:
        table[source.form] = keys
    return table


def read(source: SourceFound, kept: Kept) -> Heard:
    """What the source's form makes of what was kept. Counts the messages that it reads without a fault."""
    built = build(Source.model_validate(table_of(source)), READINGS_MOST)
    heard = Heard()
    for arrived in _arrived(source, kept, built.templates):
        heard.kept_of[arrived.topic] = heard.kept_of.get(arrived.topic, 0) + 1
        for message, received_us in _read(source, built.form, arrived):
            _take(heard, message, arrived.topic, received_us)
    return heard


def _arrived(source: SourceFound, kept: Kept, templates: Sequence[Template]) -> Iterator[Arrived]:
    """The kept messages of its topics in the order of arrival; births before all else of the same instant."""
    rows = []
    for topic in kept.used():
        parts = next((found for template in templates if (found := template.parts(topic.name)) is not None), None)
        if parts is not None:
            parts = ({"gateway": source.gateway} if source.gateway else {}) | parts
            rows += [(received_us, topic.name, payload, parts) for received_us, payload in topic.messages]
    rows.sort(key=lambda row: (row[0], "/NBIRTH/" not in row[1], "/DBIRTH/" not in row[1]))
    for received_us, name, payload, parts in rows:
        # Data of Sparkplug is read out of turn, because some of it was left out here; births must be taken up.
        is_again = source.form == "sparkplug" and "BIRTH/" not in name
        yield Arrived(name, payload, received_us, parts, is_again)


def _read(source: SourceFound, form: Form, arrived: Arrived) -> list[tuple[GatewayMessage, int]]:
    """What is said by then, each with the arrival of its message."""
    messages: list[tuple[GatewayMessage, int]] = []
    try:
        reads = [form.read(arrived)]
        if source.form == "sparkplug":  # what would wait for messages that were left out takes its turn at once
            reads.append(form.due(arrived.received_us + 2 * REORDER_US))
    except BadInput as error:
        faults = [str(error)]
    else:
        faults = [fault for found in reads for fault in (*found.faults, *(each.reason for each in found.rejected))]
        for found in reads:
            messages += [*found.before, *((each, arrived.received_us) for each in found.messages), *found.waited]
    source.read += not faults
    for fault in faults:
        if len(source.faults) < FAULTS_SHOWN and fault not in source.faults:
            source.faults.append(fault)
    return messages


def _take(heard: Heard, message: GatewayMessage, topic: str, received_us: int) -> None:
    latest_us: int | None = None
    brought: set[str] = set()
    for reading in message.readings:
        key = (message.gateway, reading.tag)
        series = heard.series.get(key)
        if series is None:
            if len(heard.series) >= SERIES_MOST:
                heard.left_out += 1
                continue
            series = heard.series[key] = Series(*key)
        at_us = _instant(reading.at)
        series.add(
            received_us if at_us is None else at_us,
            reading.value,
            reading.unit,
            is_good=reading.quality == "good",
        )
        if reading.tag not in brought:
            brought.add(reading.tag)
            series.messages += 1
            series.topics[topic] = series.topics.get(topic, 0) + 1
        if at_us is not None:
            latest_us = at_us if latest_us is None else max(latest_us, at_us)
    lags = heard.lags_us.setdefault(message.gateway, [])
    if latest_us is not None and len(lags) < LAGS_MOST:
        lags.append(received_us - latest_us)


def _instant(at: str | float) -> int | None:
    if at == "":
        return None
    try:
        return parse_rfc3339(at) if isinstance(at, str) else parse_unix_s(at)
    except BadInput:
        return None

"""The shape of JSON documents: where in them the items, tags, values, units and times are, as a mapping of JMESPath.

Looks at many documents of like topics together. What it finds is a proposal; the form that reads by it is the
service's own, so that a draft never says more than the service can follow.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, NamedTuple

from service.discover.columns import (
    UNIT_TEXTS,
    Column,
    Path,
    best_time,
    decimal_of,
    good_said,
    is_quality,
    quality_of,
    tells_kinds,
)
from service.discover.words import BOOT, GATEWAY, SEQUENCE, TAG, UNIT, VALUE, is_named

DEPTH_MOST = 6  # of keys
PATHS_MOST = 400
RECORDS_MOST = 2_000
TAG_PART = "{tag}"

_PLAIN_KEY = re.compile(r"[A-Za-z_][A-Za-z0-9_]*")
_STEPS_LEAST = 4  # of a number that counts messages


class Document(NamedTuple):
    topic: str
    received_us: int
    body: Any


@dataclass(slots=True)
class JsonShape:
    """`keys` are those of a `mapped` table but for `values`. `units`: what stands beside the values of a wide one.

    `table` is what the sources file needs of it.
    """

    keys: dict[str, str] = field(default_factory=dict)
    values: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)  # where, by tag
    gateways: dict[str, set[str]] = field(default_factory=dict)  # that the documents of a topic name
    gateway: str = ""  # where
    tag_from_topic: bool = False
    notes: list[str] = field(default_factory=list)

    @property
    def key(self) -> tuple[Any, ...]:
        """Equal for documents that one mapping reads."""
        return (bool(self.values), *(self.keys.get(name, "") for name in ("items", "tag", "value", "at")))

    def table(self) -> tuple[dict[str, str], dict[str, str]]:
        """The keys and the `values` of the mapping.

        `values` have no place for a unit, and no rule may stand for what each message says by itself: where units are
        beside the values, each value becomes an item with its tag and its unit. A tag that is absent is none.
        """
        if not self.units:
            return self.keys, self.values
        keys, more, around = dict(self.keys), "", self.keys.get("items")
        for name in ("at", "quality", "good"):
            if name in keys and not keys[name].startswith("$."):
                more += "" if around is None else f", {name}: {keys[name]}"
                keys[name] = f"$.{keys[name]}" if around is None else name
        units = {tag: f", unit: {self.units[tag]}" if tag in self.units else "" for tag in self.values}
        items = ",\n".join(
            f"  {{tag: {_literal(tag)}, value: {text}{units[tag]}{more}}}" for tag, text in self.values.items()
        )
        before, after = ("", "") if around is None else (f"{around.removeprefix('@')}[].", "[] | ")
        keys["items"] = f"{before}[\n{items}\n]{after}[?unit || value != `null`]"
        return keys | {"tag": "tag", "value": "value", "unit": "unit || ''"}, {}


def shape_of(documents: Sequence[Document]) -> JsonShape | None:
    """The shape of documents that are alike; None when no value is found in them."""
    items = _items_of(documents)
    records = list(_records(documents, items))
    columns = _columns(records)
    outer = columns if items is None else _columns([(each, each.body) for each in documents])
    if items:
        outer = {path: column for path, column in outer.items() if path[: len(items)] != items}
    shape = JsonShape()
    if items is not None:
        shape.keys["items"] = expression(items) or "@"
    used = _common(shape, columns, outer, is_listed=items is not None)
    _frame(shape, documents, outer, used)
    left = {path: column for path, column in columns.items() if path not in used}
    found = _long(shape, left, is_listed=items is not None) or _wide(shape, left)
    return shape if found else None


def _literal(text: str) -> str:
    """A text as JMESPath has it."""
    return f"'{text}'" if _PLAIN_KEY.fullmatch(text) else "`" + json.dumps(text).replace("`", "\\`") + "`"


def expression(path: Path) -> str:
    """JMESPath of a path of keys."""
    return ".".join(key if _PLAIN_KEY.fullmatch(key) else json.dumps(key) for key in path)


# ---------------------------------------------------------------- records and columns


def _lists(value: Any, path: Path = ()) -> Iterator[tuple[Path, list[Any]]]:
    if isinstance(value, list) and value and all(isinstance(each, dict) for each in value):
        yield path, value
    elif isinstance(value, dict) and len(path) < DEPTH_MOST:
        for key, child in value.items():
            yield from _lists(child, (*path, key))


def _items_of(documents: Sequence[Document]) -> Path | None:
    """The path of the list that has the most items; None when the documents have none."""
    counts: dict[Path, int] = {}
    for document in documents:
        for path, found in _lists(document.body):
            if path in counts or len(counts) < PATHS_MOST:
                counts[path] = counts.get(path, 0) + len(found)
    return max(counts, key=lambda path: counts[path]) if counts else None


def _records(documents: Sequence[Document], items: Path | None) -> Iterator[tuple[Document, Any]]:
    count = 0
    for document in documents:
        found: Any = document.body
        for key in items or ():
            found = found.get(key) if isinstance(found, dict) else None
        for record in [found] if items is None else found if isinstance(found, list) else []:
            if isinstance(record, dict) and count < RECORDS_MOST:
                count += 1
                yield document, record


def _leaves(value: Any, path: Path = ()) -> Iterator[tuple[Path, Any]]:
    if isinstance(value, dict):
        if len(path) < DEPTH_MOST:
            for key, child in value.items():
                yield from _leaves(child, (*path, key))
    elif not isinstance(value, list) or (value and not any(isinstance(each, dict | list) for each in value)):
        yield path, value


def _columns(records: Sequence[tuple[Document, Any]]) -> dict[Path, Column]:
    columns: dict[Path, Column] = {}
    for document, record in records:
        for path, value in _leaves(record):
            if path and (path in columns or len(columns) < PATHS_MOST):
                columns.setdefault(path, Column(path)).add(value, document.received_us)
    for column in columns.values():
        column.records = len(records)
    return columns


# ---------------------------------------------------------------- time, quality, and what frames the readings


def _common(
    shape: JsonShape, columns: Mapping[Path, Column], outer: Mapping[Path, Column], *, is_listed: bool
) -> set[Path]:
    """Find time and quality; the paths that are used."""
    used: set[Path] = set()
    inner = [column for column in columns.values() if not _is_inside_value(column.path, columns)]
    found, prefix = best_time(inner), ""
    if found is None and is_listed:
        found, prefix = best_time(list(outer.values())), "$."
    if found is not None:
        column, form = found
        shape.keys["at"] = prefix + expression(column.path)
        if form.form != "rfc3339":
            shape.keys["time_form"] = form.form
        if form.zone:
            shape.keys["time_zone"] = form.zone
        used.add(column.path)
        if column.seen < column.records:
            shape.notes.append(f"{shape.keys['at']} is missing in some: those readings are refused")
    for column in inner:
        if is_quality(column):
            keys = quality_of(column, expression(column.path))
            shape.keys |= keys
            used.add(column.path)
            if "good" in keys:
                shape.notes.append(good_said(column, keys["good"]))
            if not keys:
                shape.notes.append(f"{expression(column.path)} may be a quality; it is not understood, and left out")
            break
    return used


def _is_inside_value(path: Path, columns: Mapping[Path, Column]) -> bool:
    """Whether a path stands beside one value of a wide document, such as data.dp.t beside data.dp.v."""
    if len(path) < 2:
        return False
    siblings = [other for other in columns if len(other) == len(path) and other[-1] == path[-1]]
    return len(siblings) > 1 and any(is_named(other[-1], VALUE) and other[:-1] == path[:-1] for other in columns)


def _frame(shape: JsonShape, documents: Sequence[Document], outer: Mapping[Path, Column], used: set[Path]) -> None:
    """Find the gateway, the number of the message and the boot in the document."""
    for path, column in outer.items():
        names = [each for each in column.plain if isinstance(each, str | int) and not isinstance(each, bool)]
        is_one = len(names) == len(column.plain) > 0 and column.seen >= len(documents)
        if not shape.gateway and is_one and any(is_named(key, GATEWAY) for key in path) and path not in used:
            if any(is_named(key, BOOT | SEQUENCE) for key in path[-1:]):
                continue
            shape.gateway = expression(path)
            used.add(path)
            for document in documents:
                shape.gateways.setdefault(document.topic, set()).add(str(_at(document.body, path)))
    number = next((path for path, column in outer.items() if _counts_messages(path, column, documents)), None)
    if number is not None and number not in used:
        shape.keys["seq"] = expression(number)
        used.add(number)
        boot = next((path for path, column in outer.items() if is_named(path[-1], BOOT) and path not in used), None)
        if boot is not None and outer[boot].seen >= len(documents) and not outer[boot].is_numeric:
            shape.keys["boot"] = expression(boot)
            used.add(boot)


def _counts_messages(path: Path, column: Column, documents: Sequence[Document]) -> bool:
    """Whether a number goes up by one from each message of a topic to the next."""
    if not is_named(path[-1], SEQUENCE) or column.seen < len(documents):
        return False
    by_topic: dict[str, list[Any]] = {}
    for document in documents:
        by_topic.setdefault(document.topic, []).append(_at(document.body, path))
    steps = []
    for numbers in by_topic.values():
        if not all(isinstance(each, int) and not isinstance(each, bool) and each >= 0 for each in numbers):
            return False
        steps += [after - before for before, after in pairwise(numbers[: _STEPS_LEAST + 4])]
    return len(steps) >= _STEPS_LEAST and set(steps) <= {0, 1} and 1 in steps


def _at(body: Any, path: Path) -> Any:
    for key in path:
        body = body.get(key) if isinstance(body, dict) else None
    return body


# ---------------------------------------------------------------- readings


def _long(shape: JsonShape, columns: Mapping[Path, Column], *, is_listed: bool) -> bool:
    """A tag, a value and perhaps a unit in each record; or no tag, and the topic has to say it."""
    unit = next((path for path, column in columns.items() if _is_unit(column)), None)
    numeric = [path for path, column in columns.items() if column.is_numeric and path != unit]
    tag = _tag(columns, is_listed=is_listed)
    numeric = [path for path in numeric if path != tag]
    named = [path for path in numeric if is_named(path[-1], VALUE)]
    value = named[0] if named else numeric[0] if len(numeric) == 1 and tag is not None else None
    if value is None or (tag is None and (is_listed or len(numeric) > 1 or len(value) > 1)):
        return False
    shape.tag_from_topic = tag is None
    shape.keys["tag"] = TAG_PART if tag is None else expression(tag)
    shape.keys["value"] = expression(value)
    if unit is not None:
        missing = columns[unit].seen < columns[unit].records
        shape.keys["unit"] = expression(unit) + (" || ''" if missing else "")
    if decimal_of(columns[value].plain) == ",":
        shape.keys["decimal"] = ","
    return True


def _is_unit(column: Column) -> bool:
    if not column.is_text:
        return False
    return is_named(column.path[-1], UNIT) or all(each in UNIT_TEXTS for each in column.plain)


def _tag(columns: Mapping[Path, Column], *, is_listed: bool) -> Path | None:
    """The column of names; outside a list it must be named so, and its names must tell what is measured."""
    best: tuple[float, Path] | None = None
    for path, column in columns.items():
        if _is_unit(column) or not column.plain or not all(isinstance(each, str | int) for each in column.plain):
            continue
        is_tag, distinct = is_named(path[-1], TAG), len({str(each) for each in column.plain})
        if not column.is_text and not is_tag:
            continue
        hints = tells_kinds(column.plain)
        if not (is_tag and (is_listed or hints > 0)) and not (is_listed and column.is_text and hints >= 0.5):
            continue
        score = 2.0 * is_tag + hints + (distinct > 1) + column.is_text / 2
        if best is None or score > best[0]:
            best = score, path
    return None if best is None else best[1]


def _wide(shape: JsonShape, columns: Mapping[Path, Column]) -> bool:
    """A key for each tag, holding the value, or an object with the value and its unit."""
    for key in ("tag", "value", "unit", "decimal"):
        shape.keys.pop(key, None)
    texts_seen: list[Any] = []
    for path, column in columns.items():
        if not column.is_numeric:
            if column.plain and all(isinstance(each, bool) for each in column.plain):
                shape.notes.append(f"{expression(path)} is true or false; it is left out")
            continue
        parent = path[:-1] if is_named(path[-1], VALUE) and len(path) > 1 else path
        tag = parent[-1] if parent[-1] not in shape.values else ".".join(parent)
        shape.values[tag] = expression(path)
        texts_seen += column.plain
        if parent != path:
            _beside(shape, tag, parent, columns)
    if decimal_of(texts_seen) == ",":
        shape.keys["decimal"] = ","
    return bool(shape.values)


def _beside(shape: JsonShape, tag: str, parent: Path, columns: Mapping[Path, Column]) -> None:
    """Where the unit is that stands beside a value."""
    for path, column in columns.items():
        if path[:-1] == parent and _is_unit(column):
            shape.units.setdefault(tag, expression(path))

"""Arbitrary JSON, read by a mapping: for each field of a reading, where in the document it is, as JMESPath.

Owns the mapping and how what it finds becomes readings. It must never take a key that is missing for a value, nor let
one item take its neighbours with it. JMESPath: jmespath.org; the documents: RFC 8259.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import jmespath  # type: ignore[import-untyped]  # ships no types
import msgspec
from jmespath.exceptions import ArityError, UnknownFunctionError  # type: ignore[import-untyped]  # likewise
from jmespath.functions import Functions  # type: ignore[import-untyped]  # likewise
from jmespath.visitor import TreeInterpreter  # type: ignore[import-untyped]  # likewise

from service.decode import texts
from service.decode.form import READINGS_MOST, TEXT_MOST, Arrived, Read, Stateless, named
from service.model import BadInput, GatewayMessage, GatewayReading

DEPTH_MOST = 64  # lists and objects within one another
LOOKUPS_MOST = 200_000  # in one message: its items times the values of the mapping
UNIT_MOST = 32  # characters, as `GatewayReading.unit`
SEQ_MOST = 2**63 - 1  # as `GatewayMessage.seq`

_PART = re.compile(r"\{([a-z_][a-z0-9_]*)\}")
_ABSENT: Any = object()  # JMESPath itself says null both for a null and for nothing
# What evaluation raises when a document does not fit, such as for ceil of infinity or a number compared with a text.
_UNFIT = (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError, ValueError)
_OF_DOCUMENT = ("items", "gateway", "boot", "seq")
_OF_ITEM = ("tag", "value", "unit", "at", "quality", "good")


@dataclass(frozen=True, slots=True)
class Mapping:
    """Where each field is. An expression is JMESPath within an item; after `$.`, within the document; a `{part}` alone
    is that part of the topic. What is left empty is not in the payload.

    Long: `tag` and `value`, and `unit`. Wide: `values`, an expression for each tag; a key that is absent was not
    measured. Both: `at` (else the arrival), and either `quality` (a text, good or bad) or `good` (true or false).
    A missing key is a fault, which an alternative prevents: `unit || ''`. A value of null is a bad reading.

    A value may be a list: then `at` is a list as long as it, the one time for each value, and the quality may be one.
    JMESPath projections (`points[*].v`) leave nulls out, so name lists that are lists in the document.
    """

    items: str = ""  # the list of items in the document; else the document is the one item
    tag: str = ""
    value: str = ""
    unit: str = ""
    values: dict[str, str] = field(default_factory=dict)
    at: str = ""
    quality: str = ""
    good: str = ""
    gateway: str = ""  # in the document; else the part `gateway` of the topic
    boot: str = ""  # in the document
    seq: str = ""  # in the document
    decimal: str = "."  # of numbers that are texts
    time_form: str = "rfc3339"  # as `texts.instant`
    time_zone: str = ""


class MappedForm(Stateless):
    """Reads JSON documents by one mapping."""

    def __init__(self, mapping: Mapping) -> None:
        """ValueError, with the key, its value and the remedy, when the mapping cannot be followed."""
        _check(mapping)
        lookups = [_Lookup(key, text) for key in _OF_DOCUMENT + _OF_ITEM if (text := getattr(mapping, key))]
        self._mapping = mapping
        self._once = [lookup for lookup in lookups if lookup.is_once]
        self._each = [lookup for lookup in lookups if not lookup.is_once]
        self._values = [(tag, _Lookup(f"values.{tag}", text)) for tag, text in mapping.values.items()]

    def read(self, arrived: Arrived) -> Read:
        """The readings of all items, a fault for each that cannot be read; BadInput when the document cannot be."""
        document = _parsed(arrived.payload)
        once = {lookup.key: lookup.find(document, arrived) for lookup in self._once}
        gateway = (
            _name(self._needed(once, "gateway"), "gateway")
            if "gateway" in once
            else named(arrived, "gateway", "name it in the source's topic, or map gateway")
        )
        found = _Found()
        for index, item in enumerate(self._items(document, once)):
            found.where = f"items[{index}]: " if "items" in once else ""
            try:
                self._item(item, arrived, once, found)
            except BadInput as error:
                found.fault(error)
            if len(found.readings) + len(found.faults) > READINGS_MOST:
                raise BadInput(f"message: expected at most {READINGS_MOST} readings; send fewer in a message")
        return Read([self._message(gateway, once, found)], faults=found.faults)

    def _items(self, document: Any, once: dict[str, Any]) -> list[Any]:
        items = once.get("items", [document])
        if not isinstance(items, list):
            raise BadInput(
                f"items: {_shown(items)} at {self._mapping.items!r}; expected a list; correct the mapping or the sender"
            )
        if len(items) * max(1, len(self._values)) > LOOKUPS_MOST:
            raise BadInput(
                f"message with {len(items)} items of up to {len(self._values)} values: expected at most {LOOKUPS_MOST} "
                "in all; send fewer in a message"
            )
        return items

    def _item(self, item: Any, arrived: Arrived, once: dict[str, Any], found: _Found) -> None:
        """Add the readings of one item, or the faults of its values; BadInput spoils all of the item."""
        fields = once | {lookup.key: lookup.find(item, arrived) for lookup in self._each}
        at, quality = self._needed(fields, "at"), self._quality(fields)
        if not self._values:
            tag, unit = _name(self._needed(fields, "tag"), "tag"), _unit(self._needed(fields, "unit"))
            self._add(tag, unit, _rows(fields["value"], at, quality), found)
        is_empty = bool(self._values)
        for tag, lookup in self._values:
            try:
                value = lookup.find(item, arrived)
                if value is not _ABSENT:
                    is_empty = False
                    self._add(tag, "", _rows(value, at, quality), found)
            except BadInput as error:
                is_empty = False
                found.fault(error, f"tag {texts.shown(tag)}: ")
        if is_empty:
            raise BadInput(
                "none of the values is there; expected one or more of those that the mapping names; correct "
                "mapped.values, or give messages of another kind a topic of their own"
            )

    def _add(self, tag: str, unit: str, rows: Iterable[tuple[Any, Any, Any]], found: _Found) -> None:
        for value, at, quality in rows:
            try:
                found.add(self._reading(tag, unit, value, at, self._is_good(quality)), is_timed=bool(self._mapping.at))
            except BadInput as error:
                found.fault(error, f"tag {texts.shown(tag)}: ")

    def _reading(self, tag: str, unit: str, value: Any, at: Any, is_good: bool) -> GatewayReading:
        mapping = self._mapping
        instant = texts.instant(at, mapping.time_form, mapping.time_zone, mapping.decimal) if mapping.at else ""
        if value is None:
            return GatewayReading(tag, instant, unit, None, "bad")
        try:
            if value is _ABSENT:
                raise _missing("value", mapping.value)
            return GatewayReading(
                tag, instant, unit, texts.number(value, mapping.decimal), "good" if is_good else "bad"
            )
        except BadInput:
            if is_good:
                raise
            return GatewayReading(tag, instant, unit, None, "bad")  # as the sender says: there is no measurement

    def _quality(self, fields: dict[str, Any]) -> Any:
        return self._needed(fields, "good" if self._mapping.good else "quality")

    def _is_good(self, quality: Any) -> bool:
        """Whether a quality is good; BadInput when it is none. A payload without qualities is good."""
        if self._mapping.good and isinstance(quality, bool):
            return quality
        if self._mapping.quality and isinstance(quality, str) and quality.lower() in ("good", "bad"):
            return quality.lower() == "good"
        if self._mapping.good or self._mapping.quality:
            expected = "true or false" if self._mapping.good else "good or bad"
            raise BadInput(f"quality {texts.shown(quality)}: expected {expected}; correct the mapping or the sender")
        return True

    def _message(self, gateway: str, once: dict[str, Any], found: _Found) -> GatewayMessage:
        """The message; a number that cannot be read is a fault, and the message has none."""
        numbers: dict[str, Any] = {}
        found.where = ""
        for key, read in (("boot", _boot), ("seq", _seq)):
            try:
                numbers[key] = read(self._needed(once, key))
            except BadInput as error:
                found.fault(error)
        return GatewayMessage(gateway, found.readings, numbers.get("boot"), numbers.get("seq"))

    def _needed(self, fields: dict[str, Any], key: str) -> Any:
        """What a field is, None when it is not mapped; BadInput when it is mapped and not there."""
        value = fields.get(key)
        if value is _ABSENT:
            raise _missing(key, getattr(self._mapping, key))
        return value


class _Found:
    """What has been read of a message so far. `where` is the item that is being read."""

    def __init__(self) -> None:
        self.readings: list[GatewayReading] = []
        self.faults: list[str] = []
        self.where = ""
        self._seen: set[str] = set()

    def add(self, reading: GatewayReading, *, is_timed: bool) -> None:
        """Without times, two readings of one tag would be the same instant's: BadInput."""
        if not is_timed:
            if reading.tag in self._seen:
                raise BadInput("it comes again without a time; expected a time for each; map at")
            self._seen.add(reading.tag)
        self.readings.append(reading)

    def fault(self, error: BadInput, more: str = "") -> None:
        self.faults.append(f"{self.where}{more}{error}")


class _Lookup:
    """One field's expression, compiled. `is_once`: what it finds is the same for all items."""

    def __init__(self, key: str, text: str) -> None:
        part = _PART.fullmatch(text)
        self.key, self._text, self._part = key, text, part[1] if part else ""
        self.is_once = part is not None or text.startswith("$.") or key in _OF_DOCUMENT
        self._tree = None if part else _compiled(key, text)
        self._interpreter = TreeInterpreter()

    def find(self, node: Any, arrived: Arrived) -> Any:
        """What the expression finds, _ABSENT when nothing; BadInput when it cannot be evaluated on this document."""
        if self._tree is None:
            return named(arrived, self._part, f"name it in the source's topic, or map {self.key} to the payload")
        try:
            value = self._interpreter.visit(self._tree, node)
            return _ABSENT if value is None and not self._is_there(self._tree, node) else value
        except _UNFIT as error:
            raise BadInput(
                f"{self.key}: {str(error)[:100]!r} for {self._text!r}; expected a document that it fits; "
                "correct the mapping or the sender"
            ) from error

    def _is_there(self, tree: dict[str, Any], node: Any) -> bool:
        """Whether a null that was found is written in the document (true), or nothing is."""
        kind, children = tree["type"], tree["children"]
        if kind == "field":
            return isinstance(node, dict) and tree["value"] in node
        if kind == "index":
            return isinstance(node, list) and -len(node) <= tree["value"] < len(node)
        if kind in ("subexpression", "index_expression", "pipe"):
            for child in children[:-1]:
                node = self._interpreter.visit(child, node)
            return self._is_there(children[-1], node)
        if kind in ("or_expression", "and_expression", "function_expression"):
            return any(self._is_there(child, node) for child in children)
        return kind in ("current", "identity")


def _compiled(key: str, text: str) -> dict[str, Any]:
    """The tree of an expression whose functions exist; ValueError otherwise."""
    try:
        tree: dict[str, Any] = jmespath.compile(text.removeprefix("$.")).parsed
        for name, arguments in _calls(tree):
            try:
                Functions().call_function(name, [None] * arguments)
            except (ArityError, UnknownFunctionError):
                raise
            except _UNFIT:
                pass  # it is there and takes so many arguments, of other types
    except (ValueError, RecursionError) as error:
        why = str(error).partition("\n")[0].rstrip(":")
        raise ValueError(
            f"{key} = {text!r}: {why}; expected a JMESPath expression such as readings[0].value, or one {{part}} of "
            "the topic; correct it (keys with other characters than letters, digits and _ stand in double quotes)"
        ) from error
    return tree


def _calls(tree: dict[str, Any]) -> list[tuple[str, int]]:
    """The functions that an expression calls, each with its number of arguments."""
    children = [child for child in tree["children"] if isinstance(child, dict)]  # a slice has numbers
    calls = [(tree["value"], len(children))] if tree["type"] == "function_expression" else []
    return calls + [call for child in children for call in _calls(child)]


def _check(mapping: Mapping) -> None:
    """ValueError when the keys of a mapping do not go together."""
    is_long = bool(mapping.tag or mapping.value or mapping.unit)
    if bool(mapping.values) == is_long or (is_long and not (mapping.tag and mapping.value)):
        raise ValueError("mapping: expected tag and value (and unit), or else values; give the one or the other")
    if mapping.good and mapping.quality:
        raise ValueError("mapping: good and quality say the same; expected at most one; leave one out")
    for tag, text in mapping.values.items():
        if not 1 <= len(tag) <= TEXT_MOST:
            raise ValueError(f"values.{tag}: expected a tag of 1 to {TEXT_MOST} characters; rename it")
        if _PART.fullmatch(text) or text.startswith("$."):
            raise ValueError(f"values.{tag} = {text!r}: expected an expression within an item; leave items out, or it")
    texts.check_number_form(mapping.decimal)
    if mapping.at:
        texts.check_time_form(mapping.time_form, mapping.time_zone)


def _parsed(payload: bytes) -> Any:
    """The document; BadInput when it is no JSON in UTF-8, or nested too deeply."""
    try:
        text = payload.decode()
        document = json.loads(text)
        if "\\u" in text:
            msgspec.json.encode(document)  # refuses lone surrogates, which could not be written to the record
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise BadInput(f"message: {str(error)[:100]!r}; expected JSON in UTF-8; correct the sender") from error
    containers = [document] if isinstance(document, dict | list) else []
    for _ in range(DEPTH_MOST):
        containers = [
            child
            for container in containers
            for child in (container.values() if isinstance(container, dict) else container)
            if isinstance(child, dict | list)
        ]
        if not containers:
            return document
    raise BadInput(f"message: nested too deeply; expected at most {DEPTH_MOST} levels; correct the sender")


def _rows(value: Any, at: Any, quality: Any) -> Iterable[tuple[Any, Any, Any]]:
    """Values with their times and qualities: one of each, or lists of equal length."""
    if not isinstance(value, list):
        return [(value, at, quality)]
    qualities = quality if isinstance(quality, list) else [quality] * len(value)
    if not isinstance(at, list) or not len(at) == len(qualities) == len(value):
        raise BadInput(
            f"a list of {len(value)} values with time {texts.shown(at)} and quality {texts.shown(quality)}: "
            "expected a time for each, and one quality or as many; correct the mapping or the sender"
        )
    return zip(value, at, qualities, strict=True)


def _missing(key: str, text: str) -> BadInput:
    return BadInput(f"{key}: nothing at {text!r}; expected it in every item; correct the mapping or the sender")


def _shown(value: Any) -> str:
    return "nothing" if value is _ABSENT else texts.shown(value)


def _name(value: Any, key: str) -> str:
    """A name, which may be a whole number such as a register's."""
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) <= SEQ_MOST:
        return str(value)
    if not isinstance(value, str) or not 1 <= len(value) <= TEXT_MOST:
        raise BadInput(
            f"{key} {texts.shown(value)}: expected a text of 1 to {TEXT_MOST} characters; "
            "correct the mapping or the sender"
        )
    return value


def _unit(value: Any) -> str:
    if value is None:
        return ""
    if not isinstance(value, str) or len(value) > UNIT_MOST:
        raise BadInput(f"unit {texts.shown(value)}: expected a text of at most {UNIT_MOST} characters; correct it")
    return value


def _boot(value: Any) -> str | None:
    return None if value is None else _name(value, "boot")


def _seq(value: Any) -> int | None:
    if isinstance(value, str) and value.isascii() and value.isdecimal() and len(value) < 20:
        value = int(value)  # a part of the topic
    if value is None or (isinstance(value, int) and not isinstance(value, bool) and 0 <= value <= SEQ_MOST):
        return value
    raise BadInput(f"seq {texts.shown(value)}: expected a whole number from 0; correct the mapping or the sender")

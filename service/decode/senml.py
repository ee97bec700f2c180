"""SenML packs, RFC 8428, in JSON (section 5) and CBOR (section 6): from bytes to gateways, tags and readings.

Both codings become the same records, and are resolved as one. Streams (SensML) are read message by message: each is
an array of its own. A pack has no number, so what is lost between two of them cannot be noticed.

Units are passed on as SenML names them, with one exception: "%". In SenML it is a ratio of 1 and not a percentage
(section 12.1, note 1), so it is passed on under its preferred name there, "/".
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from functools import partial
from typing import Any, Literal, NamedTuple

from cbor2 import CBORDecodeError, CBORDecoder

from service.decode.form import READINGS_MOST, TEXT_MOST, Arrived, Read, Stateless, named
from service.decode.senml_pack import Resolved, resolve
from service.decode.texts import shown
from service.model import BadInput, GatewayMessage, GatewayReading

Coding = Literal["json", "cbor", "auto"]
TagFrom = Literal["n", "last", "name"]

DEPTH_MOST = 16  # of arrays, maps and tags in a CBOR field; SenML itself has none
BIG_BYTES = 128  # of a CBOR big number; a float ends below that
LABELS = dict(enumerate(("bs", "bv", "bu", "bt", "bn", "bver", "n", "u", "v", "vs", "vb", "s", "t", "ut", "vd"), -6))
RATIO = {"%": "/"}

_ARRAY, _MAP, _TAG = 4, 5, 6  # CBOR's major types, RFC 8949 section 3.1
_SELF_DESCRIBED = b"\xd9\xd9\xf7"  # RFC 8949 section 3.4.6
_LAST_PART = re.compile(r"(|.*[:/])([^:/]+)[:/]*")


class SenmlForm(Stateless):
    """SenML with one source's settings.

    The gateway is `gateway` where that is given, else the part `gateway` of the topic. Where there is neither, it is
    the last part of what stands before the tag, so that one topic can carry packs of many; parts end at ":" and "/".

    The tag comes out of the name as `tag_from` says. "n": the record's own name; without one, the last part of the base
    name. "last": the last part of the whole name, however the sender divides it. "name": the whole name.
    A sum is a quantity of its own, and has ".sum" after the tag.
    """

    def __init__(self, coding: Coding = "auto", gateway: str | None = None, tag_from: TagFrom = "n") -> None:
        """`coding` "auto" looks at the first byte: no CBOR array begins like a JSON one."""
        self._coding, self._gateway, self._tag_from = coding, gateway, tag_from

    def read(self, arrived: Arrived) -> Read:
        """The readings of a pack by gateway, each gateway's in the order of time; BadInput when nothing can be used."""
        gateway = self._gateway
        if gateway is None and "gateway" in arrived.parts:
            gateway = named(arrived, "gateway", "correct the topic, or name the gateway in the source's settings")
        now_us = None if arrived.is_retained else arrived.received_us
        found, faults = resolve(_records(arrived.payload, self._coding), now_us)
        _check_number(len(found), "readings")
        readings: dict[str, list[GatewayReading]] = {} if gateway is None else {gateway: []}
        seen: set[tuple[str, str, float | None, bool]] = set()
        for item in found:
            try:
                whose, tag = self._names(item, gateway)
                _check_once(item, seen)
            except BadInput as error:
                faults.append(str(error))
                continue
            at = "" if item.time_s is None else item.time_s
            unit = RATIO.get(item.unit, item.unit)
            readings.setdefault(whose, []).append(GatewayReading(tag, at, unit, item.value))
        return Read([GatewayMessage(whose, theirs) for whose, theirs in readings.items()], faults=faults)

    def _names(self, item: Resolved, gateway: str | None) -> tuple[str, str]:
        """Gateway and tag; BadInput when there is no usable one."""
        before, tag = split_name(item.base, item.name, self._tag_from)
        tag += ".sum" if item.is_sum else ""
        if gateway is None and before:
            gateway = _last_part(before)[1]
        if gateway is None:
            raise BadInput(
                f"SenML record {item.record}: name {shown(tag)} says no gateway; expected one before the tag; "
                "name the gateway in the topic or in the source's settings"
            )
        for name in (gateway, tag):
            if len(name) > TEXT_MOST:
                raise BadInput(
                    f"SenML record {item.record}: name {shown(name)} has {len(name)} characters; expected at most "
                    f"{TEXT_MOST}; give the sensor a shorter one"
                )
        return gateway, tag


def _check_once(item: Resolved, seen: set[tuple[str, str, float | None, bool]]) -> None:
    """A name has one value in one unit at one time; which of two the sender means, nobody knows."""
    key = item.base + item.name, item.unit, item.time_s, item.is_sum
    if key in seen:
        raise BadInput(
            f"SenML record {item.record}: name {shown(item.base + item.name)} comes twice at one time; expected it "
            "once; let the sender give each its own time"
        )
    seen.add(key)


def split_name(base: str, name: str, tag_from: TagFrom) -> tuple[str, str]:
    """A resolved name as (what stands before the tag, the tag), as `SenmlForm` tells."""
    if tag_from == "name":
        return "", base + name
    if tag_from == "n" and name:
        return base, name
    return _last_part(base + name)


def _last_part(text: str) -> tuple[str, str]:
    found = _LAST_PART.fullmatch(text)
    assert found is not None, text  # a resolved name starts with a letter or digit
    return found[1], found[2]


# ---------------------------------------------------------------- bytes to records


def _records(payload: bytes, coding: Coding) -> list[dict[str, Any]]:
    """The records of a pack as maps by label; BadInput when the bytes are none."""
    if coding == "auto":
        coding = "cbor" if payload and payload[0] >> 5 in (_ARRAY, _TAG) else "json"
    try:
        records = _read_cbor(payload) if coding == "cbor" else _read_json(payload)
    except (CBORDecodeError, ValueError, OverflowError, RecursionError) as error:
        raise BadInput(
            f"SenML pack: {str(error)[:200]}; expected a {coding.upper()} array of records (RFC 8428); "
            "compare with the examples there, and check the coding in the source's settings"
        ) from error
    if not records:
        raise BadInput("SenML pack without records: expected at least one (RFC 8428, 3); send none instead")
    return records


def _check_number(number: int, of_what: str) -> None:
    if number > READINGS_MOST:
        raise BadInput(f"SenML pack: more than {READINGS_MOST} {of_what}; expected at most that; send smaller packs")


def _read_json(payload: bytes) -> list[dict[str, Any]]:
    found = json.loads(payload.decode(), object_pairs_hook=_once)
    if not isinstance(found, list):
        raise ValueError("no array")
    _check_number(len(found), "records")
    for number, record in enumerate(found, 1):
        if not isinstance(record, dict):
            raise ValueError(f"record {number} is {shown(record)}, no object")
    return found


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """json keeps the last of equal names; which one the sender means, nobody knows."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("an object has a name twice")
    return found


class _Tagged(NamedTuple):
    """A tagged CBOR item as it came, so that cbor2 computes nothing from it. `is_inside_key` is cbor2's to say."""

    tag: int
    content: Any
    is_inside_key: bool

    def __repr__(self) -> str:
        return f"(a CBOR item with tag {self.tag})"


# Those for which cbor2 has a decoder. Some would work for minutes on a few bytes: fractions, patterns, shared values.
_KNOWN_TAGS = (
    *(0, 1, 2, 3, 4, 5, 25, 28, 29, 30, 35, 36, 37, 52, 54, 100),
    *(256, 258, 260, 261, 1004, 43000, 55799),
)
_LEFT_ALONE = {tag: partial(_Tagged, tag) for tag in _KNOWN_TAGS}


def _read_cbor(payload: bytes) -> list[dict[str, Any]]:
    """Array, maps and labels are read here and cbor2 reads the fields, in which maps may have only texts as keys.

    Whole numbers and arrays as keys can be chosen so that all of them fall into one place of the dict: a few hundred
    kilobytes would then take minutes. Here each map has the few labels that a record can have.
    """
    decoder = CBORDecoder(
        io.BytesIO(payload.removeprefix(_SELF_DESCRIBED)),
        semantic_decoders=_LEFT_ALONE,
        max_depth=DEPTH_MOST,
        allow_duplicate_keys=False,
        strict_hashable_types=True,
    )
    records = []
    for major, count in _items(decoder, _head(decoder), _ARRAY):
        records.append(_record(decoder, (major, count)))
        _check_number(len(records), "records")
    try:
        decoder.read(1)
    except CBORDecodeError:  # the end, as it should be
        return records
    raise ValueError("more bytes after the array")


def _record(decoder: CBORDecoder, head: tuple[int, int | None]) -> dict[str, Any]:
    record: dict[str, Any] = {}
    for major, argument in _items(decoder, head, _MAP):
        label = _label(decoder, major, argument)
        value = _plain(decoder.decode())
        if label in record:
            raise ValueError(f"a record has {shown(label)} twice")
        if label is not None:
            record[label] = value
    return record


def _items(decoder: CBORDecoder, head: tuple[int, int | None], major: int) -> Iterator[tuple[int, int | None]]:
    """The head of each item of an array, or of each label of a map, after `head`; the caller reads the rest of it."""
    if head[0] != major:
        raise ValueError(f"an item of CBOR's major type {head[0]}, not {major}")
    left = head[1]
    while left is None or left > 0:
        found = _head(decoder)
        if left is None and found == (7, None):  # the break that ends an indefinite length
            return
        yield found
        left = None if left is None else left - 1


def _head(decoder: CBORDecoder) -> tuple[int, int | None]:
    """Major type and argument (RFC 8949 section 3); None stands for an indefinite length, or for the break."""
    first = decoder.read(1)[0]
    major, more = first >> 5, first & 31
    if more < 24:
        return major, more
    if more < 28:
        return major, int.from_bytes(decoder.read(1 << more - 24), "big")
    if more == 31:
        return major, None
    raise ValueError(f"byte {first:#x}, which CBOR does not use")


def _label(decoder: CBORDecoder, major: int, argument: int | None) -> str | None:
    """The label of a field; None for a number that stands for none. A label of the table may also be a text."""
    if argument is not None and major <= 1:
        return LABELS.get(-1 - argument if major else argument)
    if argument is not None and major == 3:
        return decoder.read(argument).decode()
    raise ValueError(f"a label of CBOR's major type {major}; a label is a whole number or a text of definite length")


def _plain(value: Any) -> Any:
    """Big numbers and decimal fractions (RFC 8428 section 6) as floats, infinite when too large; all else as it is."""
    if not isinstance(value, _Tagged):
        return value
    whole = _whole(value)
    if whole is not None:
        return float(f"{whole}e0")
    if value.tag == 4 and isinstance(value.content, list) and len(value.content) == 2:
        exponent, mantissa = (_whole(part) for part in value.content)
        if exponent is not None and mantissa is not None:
            return float(f"{mantissa}e{exponent}")  # by way of the text, which is rounded once
    return value


def _whole(value: Any) -> int | None:
    if type(value) is int:
        return value
    if isinstance(value, _Tagged) and value.tag in (2, 3) and isinstance(value.content, bytes):
        size = int.from_bytes(value.content[:BIG_BYTES], "big") if len(value.content) <= BIG_BYTES else None
        return size if size is None or value.tag == 2 else -1 - size
    return None

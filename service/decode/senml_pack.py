"""Resolves the records of a SenML pack (RFC 8428 section 4): base fields, names, times, values and sums.

It knows neither JSON nor CBOR, nor gateways and tags, and reads no clock. A record that is wrong is a fault and leaves
its neighbours alone; what makes the others doubtful refuses the pack: a base field that cannot be read, a version that
is not known, or a field that its sender requires to be understood.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from service.decode.form import TEXT_MOST
from service.decode.texts import shown
from service.model import BadInput

Record = Mapping[str, Any]

VERSION_MOST = 10  # RFC 8428 section 4.4
RELATIVE_BELOW_S = 2**28  # section 4.5.3: a smaller time is relative to now; as Unix time it is 4 July 1978
NAME_MOST = 2 * TEXT_MOST  # characters of a resolved name: of the gateway and of the tag
UNIT_MOST = 30  # characters: `GatewayReading` allows 32, and a sum's unit is two longer

VALUES = ("v", "vb", "vs", "vd")
_BASES = frozenset(("bver", "bn", "bt", "bu", "bv", "bs"))
_REGULAR = frozenset(("n", "u", "s", "t", "ut", *VALUES))
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")  # section 4.5.1


class Resolved(NamedTuple):
    """One value, or one sum, of a record. `time_s` is Unix time; None: the sender says no more than "now"."""

    record: int  # counted from 1, as section 9 counts
    base: str  # the base name that applies
    name: str  # the record's own
    time_s: float | None
    unit: str
    value: float
    is_sum: bool = False


def resolve(records: Iterable[Record], now_us: int | None) -> tuple[list[Resolved], list[str]]:
    """Values and sums in the order of time (equal times: as sent), and why others could not be read.

    `now_us` is when the pack arrived; None where that says nothing of its "now". BadInput when the pack must not be
    used. Records of base fields alone set them, and are no fault.
    """
    bases, now_s = _Bases(), None if now_us is None else now_us / 1_000_000
    found: list[Resolved] = []
    faults: list[str] = []
    for number, record in enumerate(records, 1):
        if not record.keys() <= _REGULAR:
            bases.take_up(record, number)
            if record.keys() & _BASES and not record.keys() & _REGULAR:
                continue
        try:
            common = _common(record, bases, number, now_s)
        except BadInput as error:
            faults.append(str(error))
            continue
        for read in _READ:
            try:
                found += read(record, bases, common)
            except BadInput as error:
                faults.append(str(error))
    found.sort(key=lambda item: (now_s or math.inf) if item.time_s is None else item.time_s)
    return found, faults


@dataclass(slots=True)
class _Bases:
    """The base fields as they stand: each applies to its own record and to those after it, until it comes again."""

    name: str = ""
    time_s: float = 0.0
    unit: str = ""
    value: float = 0.0
    sum: float | None = None
    version: int | None = None

    def take_up(self, record: Record, number: int) -> None:
        """What a record sets; BadInput when the pack must not be used."""
        for label in record:
            if label.endswith("_"):  # section 4.4
                raise BadInput(
                    f"SenML record {number}: field {shown(label)} must be understood, and is not; "
                    "expected the fields of RFC 8428; send packs without it"
                )
        self.name = _text(record, "bn", number, self.name)
        self.unit = _text(record, "bu", number, self.unit)
        self.time_s = _number(record, "bt", number, self.time_s)
        self.value = _number(record, "bv", number, self.value)
        if "bs" in record:
            self.sum = _number(record, "bs", number, 0.0)
        if "bver" in record:
            self._check_version(record["bver"], number)

    def _check_version(self, version: object, number: int) -> None:
        if type(version) is not int or not 1 <= version <= VERSION_MOST:
            raise BadInput(
                f"SenML record {number}: bver {shown(version)}: expected a whole number, 1 to {VERSION_MOST}; "
                "send a version that RFC 8428 defines"
            )
        if self.version not in (None, version):  # section 4.4: one version in all records
            raise BadInput(
                f"SenML record {number}: bver {version} after {self.version}: expected one in a pack; "
                "correct the sender"
            )
        self.version = version


def _common(record: Record, bases: _Bases, number: int, now_s: float | None) -> Resolved:
    """What value and sum of a record have in common; BadInput when it is no reading."""
    values = [label for label in VALUES if label in record]
    if len(values) > 1 or (not values and "s" not in record):  # section 4.2
        raise BadInput(
            f"SenML record {number}: has {' and '.join(values) or 'no value'}; expected one of {', '.join(VALUES)}, "
            "or none of them beside a sum s; send one value in a record"
        )
    name, unit = _text(record, "n", number, ""), _text(record, "u", number, bases.unit)
    _check_name(bases.name, name, number)
    if len(unit) > UNIT_MOST or not unit.isprintable():
        raise BadInput(
            f"SenML record {number}: unit {shown(unit)}: expected at most {UNIT_MOST} characters that print; "
            "send the name of a unit"
        )
    _number(record, "ut", number, 0.0)  # says when the next one comes, which the settings of the gateway say here
    return Resolved(number, bases.name, name, _time_s(record, bases, number, now_s), unit, 0.0)


def _check_name(base: str, name: str, number: int) -> None:
    # The lengths first: a long base name is not copied for each of many records.
    if len(base) + len(name) > NAME_MOST or not _NAME.fullmatch(base + name):
        wrong = shown(base[:NAME_MOST] + name[:NAME_MOST])
        raise BadInput(
            f"SenML record {number}: name {wrong}: expected 1 to {NAME_MOST} characters A-Z a-z 0-9 - : . / _ "
            "of bn and n together, the first a letter or digit; correct the sender's name"
        )


def _time_s(record: Record, bases: _Bases, number: int, now_s: float | None) -> float | None:
    total = _sum_of(bases.time_s, _number(record, "t", number, 0.0), "bt + t", number)
    if total >= RELATIVE_BELOW_S:
        return total
    if total and now_s is None:
        raise BadInput(
            f"SenML record {number}: t {total:g} s from now, in a pack that the broker kept for nobody knows how long; "
            "expected a time; let the sender send Unix time, or not retain its messages"
        )
    return (
        now_s + total if total and now_s is not None else None
    )  # section 4.5.3: zero is "roughly now", so the arrival is all that is known


def _value(record: Record, bases: _Bases, common: Resolved) -> list[Resolved]:
    """The value. Without a value field there is none: a base value alone is no measurement."""
    number = common.record
    if "v" in record:
        value = _sum_of(bases.value, _number(record, "v", number, 0.0), "bv + v", number)
        return [common._replace(value=value)]
    if "vb" in record:
        if not isinstance(record["vb"], bool):
            raise BadInput(
                f"SenML record {number}: vb {shown(record['vb'])}: expected true or false; correct the sender"
            )
        return [common._replace(value=float(record["vb"]))]
    for label in ("vs", "vd"):
        if label in record:
            raise BadInput(
                f"SenML record {number}: {label} {shown(record[label])} is text or data; expected a number v "
                "or a truth value vb; leave this record out, or send a number"
            )
    return []


def _sum(record: Record, bases: _Bases, common: Resolved) -> list[Resolved]:
    """The sum, when the record has one or a base sum applies: the value's unit times seconds (section 4.2)."""
    if "s" not in record and bases.sum is None:
        return []
    total = _sum_of(bases.sum or 0.0, _number(record, "s", common.record, 0.0), "bs + s", common.record)
    unit = f"{common.unit}.s" if common.unit else ""  # the product as UCUM writes it: m3/s.s is a volume
    return [common._replace(value=total, unit=unit, is_sum=True)]


_READ: tuple[Callable[[Record, _Bases, Resolved], list[Resolved]], ...] = (_value, _sum)


def _text(record: Record, label: str, number: int, default: str) -> str:
    value = record.get(label, default)
    if isinstance(value, str):
        return value
    raise BadInput(f"SenML record {number}: {label} {shown(value)}: expected a text; correct the sender")


def _number(record: Record, label: str, number: int, default: float) -> float:
    value = record.get(label, default)
    try:
        if isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value):
            return float(value)
    except OverflowError:  # a whole number beyond the largest float
        pass
    raise BadInput(f"SenML record {number}: {label} {shown(value)}: expected a finite number; correct the sender")


def _sum_of(base: float, own: float, what: str, number: int) -> float:
    total = base + own
    if math.isfinite(total):
        return total
    raise BadInput(f"SenML record {number}: {what} {base!r} + {own!r}: expected a finite sum; correct the sender")

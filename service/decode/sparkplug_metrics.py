"""What the metrics of one Sparkplug message say: the names of a birth, and readings. Remembers nothing.

- "Historical" metrics are read like others: each reading counts at its own time. "Transient" ones are passed over.
- A metric that is null has no value and is bad; a quality that is not GOOD is bad. When a quality is lost the metric's
  time may stay that of its last value: such a reading is dated by the payload where that is later, unless it is
  historical or the payload has a later value of the same metric.
- A value that names another data type than its birth is no number: nobody knows which of the two is meant.
- Texts, times, tables and templates are common as particulars of a device: no readings, and no fault. Nor are bdSeq and
  the controls, which are never written.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from service.decode.form import TEXT_MOST
from service.decode.sparkplug_node import Known, Names
from service.decode.sparkplug_payload import (
    CONTROLS,
    DEATH,
    NUMBERS,
    STRING,
    TYPES_MOST,
    Metric,
    Payload,
    number,
    shown,
)
from service.model import GatewayReading

AHEAD_MOST_MS = 60_000  # what is further ahead of its arrival is nobody's present


class Speaker(NamedTuple):
    """Whose metrics they are: `who` begins each reason, `prefix` each tag."""

    who: str
    prefix: str


@dataclass(slots=True)
class Readings:
    """The readings, what could not be read, and whether a metric was named by no birth."""

    found: list[GatewayReading] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)
    is_unknown: bool = False


def named(speaker: Speaker, sent: Payload) -> tuple[list[Known], list[str]]:
    """The metrics of a birth, and what is wrong with them. What cannot be used is remembered as such."""
    known: list[Known] = []
    faults: list[str] = []
    names: set[str] = set()
    aliases: set[int] = set()
    for metric in sent.metrics:
        why = _refusal(speaker, metric, names, aliases)
        if why:
            faults.append(f"{speaker.who}: metric {shown(metric)}: {why}")
            known.append(Known("", metric.alias, 0, ""))
        elif metric.name == DEATH or metric.name.startswith(CONTROLS):
            known.append(Known(metric.name, metric.alias, STRING, ""))
        else:
            known.append(Known(metric.name, metric.alias, metric.datatype, metric.unit))
        names.add(metric.name)
        if metric.alias is not None:
            aliases.add(metric.alias)
    return known, faults


def matched(sent: Payload, names: Names) -> list[Known | None]:
    """What is known of each metric of a message of data, by its name or else by its alias."""
    return [names.get(metric.name) if metric.name else names.get(metric.alias) for metric in sent.metrics]


def readings(
    speaker: Speaker, sent: Payload, known: Sequence[Known | None], *, is_birth: bool, without_at: str | float = ""
) -> Readings:
    """Readings of metrics that are known; `without_at` is the time of one that has none, nor its payload."""
    said = Readings()
    last = {name.name: place for place, name in enumerate(known) if name is not None}
    for place, (metric, name) in enumerate(zip(sent.metrics, known, strict=True)):
        if metric.is_transient or (is_birth and name is not None and not name.datatype):
            continue  # what is wrong with a birth has been said where it was named
        if name is None or not name.datatype:
            said.is_unknown = said.is_unknown or name is None
            said.faults.append(_strange(speaker, metric, name))
        elif name.datatype in NUMBERS:
            at_ms = sent.sent_ms if metric.at_ms is None else metric.at_ms
            is_lost = not metric.is_good and not metric.is_historical and last[name.name] == place
            if is_lost and at_ms is not None:
                at_ms = max(at_ms, sent.sent_ms or 0)
            _read(speaker, metric, name, without_at if at_ms is None else at_ms / 1000, said)
    return said


def newest_ms(found: Sequence[GatewayReading], received_us: int) -> int:
    """The time of the newest reading of a message that arrived then; 0 when it has none that can be of the present."""
    received_ms = received_us // 1000
    times = [received_ms if isinstance(each.at, str) else round(each.at * 1000) for each in found]
    return max((each for each in times if each <= received_ms + AHEAD_MOST_MS), default=0)


def lost(speaker: Speaker, gone: list[Known], at: float) -> list[GatewayReading]:
    """The metrics of a device that died: each is bad from then on."""
    return [
        GatewayReading(speaker.prefix + known.name, at, known.unit, None, "bad")
        for known in gone
        if known.datatype in NUMBERS
    ]


def _refusal(speaker: Speaker, metric: Metric, names: set[str], aliases: set[int]) -> str:
    if not metric.name or len(speaker.prefix) + len(metric.name) > TEXT_MOST or len(metric.unit) > TEXT_MOST:
        return f"expected a name (with its device's) and a unit of at most {TEXT_MOST} characters; shorten them"
    if not 0 < metric.datatype <= TYPES_MOST:
        return f"data type {metric.datatype}; expected one of 1 to {TYPES_MOST} in a birth; mend the edge node"
    if metric.name in names:
        return "named twice in the birth; expected each name once; rename one"
    if metric.alias in aliases:
        return f"alias {metric.alias} is another's too; expected each alias once; mend the edge node"
    return ""


def _strange(speaker: Speaker, metric: Metric, known: Known | None) -> str:
    why = "named by no birth" if known is None else "its birth could not be used"
    return (
        f"{speaker.who}: metric {shown(metric)}: {why}; expected the name or alias of a metric of the present birth; "
        "let the edge node send its births (Node Control/Rebirth)"
    )


def _read(speaker: Speaker, metric: Metric, known: Known, at: str | float, said: Readings) -> None:
    tag, unit = speaker.prefix + known.name, metric.unit or known.unit
    is_other = metric.datatype not in (0, known.datatype)
    value = None if metric.is_null or is_other else number(metric, known.datatype)
    if value is not None and metric.is_good:
        said.found.append(GatewayReading(tag, at, unit, value))
    elif metric.is_null or not metric.is_good:
        said.found.append(GatewayReading(tag, at, unit, value, "bad"))
    else:
        value_sent = f"{metric.value!r} in {metric.field}" if metric.field else "no number"
        of_type = f" of data type {metric.datatype}" if is_other else ""
        said.faults.append(
            f"{speaker.who}: metric {known.name!r}: {value_sent}{of_type}; expected a finite value of data type "
            f"{known.datatype}, or is_null; mend the edge node"
        )

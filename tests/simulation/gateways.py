"""What the gateways of a simulated plant publish: samples in messages, with the faults that gateways have.

Owns the payloads, and what must become of each reading in them. Decides everything before the run begins, so that every
run of a seed is offered the same. It must never look at the service.
"""

from __future__ import annotations

import heapq
import json
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import NamedTuple

from rules.types import CollectorSpec, Reading
from service.units.times import iso
from tests.property.evaluators import together
from tests.property.histories import Choose, Item, S, history

BASE_US = 1_795_593_600 * S  # the histories' own time begins at nought
UNIT = "Pa"
PROMPT_SPAN_US = 2 * S  # what a prompt gateway gathers in one message
STORED_AT_MOST = 6  # messages in a burst

# What may happen at a message, by the kind of world; most often nothing does.
BROKEN = ("junk", "strange tag", "strange unit", "clock unset", "clock far ahead", "no topic", "half bad")
FAULTS = {
    "prompt": (*[""] * 24, "twice", "twice", "twice later", "reboot", "reboot", *BROKEN),
    "stored": (*[""] * 18, "twice", "twice later", "reboot", "outage", "outage", "outage", *BROKEN),
    "rough": (*[""] * 14, "twice", "twice later", "reboot", "outage", "newest first", "newest first", "jump", *BROKEN),
}
JUMPS_US = (-3600 * S, -60 * S, -5 * S, 5 * S, 60 * S, 600 * S)
FAR_US = 10 * 365 * 86_400 * S
UNSET_US = -BASE_US  # the clock begins at 1970


class Row(NamedTuple):
    """A reading as the service must take it, canonical."""

    collector: str
    point: str
    at_us: int
    value: float
    good: bool


class Sent(NamedTuple):
    """One message. `rows` must end in the journal; with `refused` it must be in quarantine, under `mark`."""

    due_us: int
    topic: str
    payload: bytes
    rows: tuple[Row, ...] = ()
    refused: bool = False
    mark: tuple[str, ...] = ()
    retained: bool = False


class Gateway:
    """One gateway's numbering and faults."""

    def __init__(self, choose: Choose, name: str, kind: str) -> None:
        self._choose, self._name, self._kind = choose, name, kind
        self._boot, self._seq = 0, -1
        self._due_us = 0

    def publishes(self, samples: Sequence[tuple[int, list[Row]]]) -> Iterator[Sent]:
        """Its messages in the order of publishing, for (moment, rows) in order of time."""
        packs = list(self._packed(samples))
        while packs:
            fault = self._choose(FAULTS[self._kind])
            if fault in ("outage", "newest first"):
                count = self._choose(range(1, STORED_AT_MOST + 1))
                yield from self._burst(packs[:count], newest_first=fault == "newest first")
                del packs[:count]
            else:
                yield from self._one(*packs.pop(0), fault)

    def _packed(self, samples: Sequence[tuple[int, list[Row]]]) -> Iterator[tuple[int, list[Row]]]:
        """Samples gathered into messages: (when complete, rows)."""
        most, rows, began_us, ended_us = 1, list[Row](), 0, 0
        for moment_us, taken in samples:
            apart = self._kind == "prompt" and moment_us - began_us > PROMPT_SPAN_US
            if rows and (most <= 0 or apart):
                yield ended_us, rows
                rows = []
            if not rows:
                most, began_us = self._choose((1, 1, 1, 2, 3, 6)), moment_us
            rows, ended_us, most = rows + taken, moment_us, most - 1
        if rows:
            yield ended_us, rows

    def _burst(self, packs: list[tuple[int, list[Row]]], *, newest_first: bool) -> Iterator[Sent]:
        """What was stored while the link was down, sent at once when it is back."""
        self._at(packs[0][0])
        yield self._status("offline")
        made = [self._message(rows) for _, rows in packs]
        self._at(packs[-1][0])
        yield self._status("online")
        if newest_first:
            made.reverse()
        yield from (message._replace(due_us=self._due_us) for message in made)

    def _one(self, due_us: int, rows: list[Row], fault: str) -> Iterator[Sent]:
        self._at(due_us)
        if fault == "reboot":
            self._boot, self._seq = self._boot + 1, -1
            yield self._status("offline")
            yield self._status("online")
        if fault in BROKEN:
            yield from self._broken(rows, fault)
            return
        if fault == "jump":
            by_us = self._choose(JUMPS_US)
            rows = [row._replace(at_us=row.at_us + by_us) for row in rows]
        message = self._message(rows)
        yield message
        if fault == "twice later":
            self._at(self._due_us + 3 * S)
        if fault.startswith("twice"):
            yield message._replace(due_us=self._due_us)

    def _broken(self, rows: list[Row], fault: str) -> Iterator[Sent]:
        """A message of which something, or all, must be refused; where all is, the readings are gone."""
        if fault == "clock unset":
            yield self._refused([row._replace(at_us=row.at_us + UNSET_US) for row in rows])
        elif fault == "clock far ahead":
            yield self._refused([row._replace(at_us=row.at_us + FAR_US) for row in rows])
        elif fault == "strange tag":
            yield self._refused(rows, tag="nobody-knows")
        elif fault == "strange unit":
            yield self._refused(rows, unit="furlong")
        elif fault == "half bad":
            sound = self._message(rows)
            body = json.loads(sound.payload)
            body["readings"].append({"tag": "dp", "at": "yesterday", "value": 1.0, "unit": UNIT})
            yield sound._replace(payload=json.dumps(body).encode(), refused=True)
        else:
            self._seq += 1
            payload = f"{{{self._name} {self._boot} {self._seq}".encode()
            topic = self._topic("readings" if fault == "junk" else "reading")
            yield Sent(self._due_us, topic, payload, refused=True, mark=(payload.decode(),))

    def _refused(self, rows: list[Row], tag: str = "", unit: str = UNIT) -> Sent:
        return self._message(rows, tag=tag, unit=unit)._replace(rows=(), refused=True)

    def _message(self, rows: list[Row], tag: str = "", unit: str = UNIT) -> Sent:
        self._seq += 1
        as_text = self._choose((True, False))
        readings = [_reading(row, tag or tag_of(row.collector, row.point), unit, as_text) for row in rows]
        body = {"gateway": self._name, "boot": f"b{self._boot}", "seq": self._seq, "readings": readings}
        mark = (self._name, f"b{self._boot}", str(self._seq))
        return Sent(self._due_us, self._topic("readings"), json.dumps(body).encode(), tuple(rows), mark=mark)

    def _status(self, state: str) -> Sent:
        body = {"gateway": self._name, "state": state, "boot": f"b{self._boot}"}
        return Sent(self._due_us, self._topic("status"), json.dumps(body).encode(), retained=True)

    def _topic(self, kind: str) -> str:
        return f"dustcake/v1/{self._name}/{kind}"

    def _at(self, due_us: int) -> None:
        self._due_us = max(self._due_us, due_us)


def _reading(row: Row, tag: str, unit: str, as_text: bool) -> dict[str, object]:
    made: dict[str, object] = {"tag": tag, "at": iso(row.at_us) if as_text else row.at_us / S, "unit": unit}
    if row.good:
        return {**made, "value": row.value}
    return {**made, "value": row.value if as_text else None, "quality": "bad"}


def tag_of(collector: str, point: str) -> str:
    return f"{collector.rpartition('/')[2]}-{point}"


def published(
    choose: Choose, kind: str, specs: Sequence[CollectorSpec], gateways: dict[str, list[str]], instants: int
) -> list[Sent]:
    """All that the gateways publish, in order; `gateways` has the collectors of each."""
    streams = []
    for name, collectors in gateways.items():
        histories = [
            (spec, history(choose, instants, late=kind == "rough")) for spec in specs if spec.name in collectors
        ]
        streams.append(list(Gateway(choose, name, kind).publishes(_samples(together(histories)))))
    return list(heapq.merge(*streams, key=lambda sent: sent.due_us))


def _samples(story: Sequence[tuple[str, Item]]) -> list[tuple[int, list[Row]]]:
    """What is measured at each moment: rows, in the service's time."""
    latest_us, moments = 0, list[tuple[int, Row]]()
    for collector, (point, reading) in story:
        latest_us = max(latest_us, reading.at_us + BASE_US)
        moments.append((latest_us, _row(collector, point, reading)))
    return [(at_us, [row for _, row in group]) for at_us, group in groupby(moments, key=lambda pair: pair[0])]


def _row(collector: str, point: str, reading: Reading) -> Row:
    return Row(collector, point, reading.at_us + BASE_US, reading.value, reading.good)

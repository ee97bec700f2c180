"""What is remembered of one Sparkplug edge node: its birth, the names behind its aliases, and what waits for its turn.

Owns the order of its messages. Must never read a payload, a topic or a clock. The rules
(Sparkplug 3.0.0, chapter 5, "Sparkplug Host Application Message Ordering", and chapter 6, "Payload"):

- A birth of the node begins a session. It is number 0, and each message of the node or of its devices is one more; on
  the wire the number is counted modulo 256 from the birth's own.
- A message whose number is next takes its turn. One that is ahead waits for those between: for the reorder time, and
  as long as there is room (`HELD_AT_MOST`, `HELD_BYTES_AT_MOST`). Then they are given up.
- A message from behind was given up, or came before. It is told from one that is more than 128 ahead by when it was
  sent: not after the newest that was seen. It changes nothing.
  But it may be the death of a device that was not born since.
- After the will with the birth's own bdSeq nothing is known until the next birth.
- With each birth of the node the names of its devices are void, until each is born again. What was known of them is
  kept for as long, `REBORN_WITHIN_US` at most, only so that it can be said which values are lost.
"""

from __future__ import annotations

from bisect import insort
from typing import NamedTuple

import msgspec

HELD_AT_MOST = 64  # messages of a node
HELD_BYTES_AT_MOST = 262_144  # of a node, payloads
METRICS_AT_MOST = 10_000  # of a node with its devices; each device counts as one more
REBORN_WITHIN_US = 60_000_000
_HALF = 128


class Known(NamedTuple):
    """One metric as its birth named it. Data type 0: it was refused there, and its data cannot be used."""

    name: str
    alias: int | None
    datatype: int
    unit: str


class Held(NamedTuple):
    """One message that waits."""

    number: int
    kind: str
    device: str
    received_us: int
    payload: bytes


class Former(NamedTuple):
    """A device that is to be born again: its metrics as they were, when the node's birth arrived, and its own time."""

    since_us: int
    since_ms: int
    metrics: list[Known]

    def now_ms(self, now_us: int) -> int:
        """The present by the node's clock."""
        return self.since_ms + max(now_us - self.since_us, 0) // 1000


class Place(msgspec.Struct, omit_defaults=True):
    """Where a node is in its session; `death` is its bdSeq, `first` the birth's number on the wire."""

    death: int | None
    born_ms: int
    first: int
    next: int = 1
    sent_ms: int = 0  # the newest message that was seen
    data_ms: int = 0  # the newest reading that was seen, in earlier sessions too
    is_alive: bool = True
    died_us: int = 0  # when its will arrived
    born: dict[str, int] = {}  # the number of each device's birth
    held: list[Held] = []  # by number


Names = dict[str | int | None, Known]
_place = msgspec.json.Decoder(Place)
_devices = msgspec.json.Decoder(dict[str, list[Known]])
_former = msgspec.json.Decoder(dict[str, Former])


def index(metrics: list[Known]) -> Names:
    """The metrics by name and by alias. An alias that is given twice leads to none of them."""
    found: Names = {}
    for metric in metrics:
        if metric.datatype:
            found[metric.name] = metric
        if metric.alias is not None:
            twice = metric.alias in found
            found[metric.alias] = metric._replace(datatype=0) if twice else metric
    return found


class Node:
    """One edge node. `devices` has the metrics of each device that was born, under "" those of the node itself.

    `former` has what was known of the devices that were not born again since the node was.
    """

    def __init__(
        self, place: Place, devices: dict[str, list[Known]] | None = None, former: dict[str, Former] | None = None
    ) -> None:
        self.place, self.devices, self.former = place, devices or {}, former or {}
        self._names = {device: index(metrics) for device, metrics in self.devices.items()}

    @classmethod
    def loaded(cls, place: bytes, devices: bytes, former: bytes) -> Node:
        """From what was saved; ValueError when it cannot be read."""
        return cls(_place.decode(place), _devices.decode(devices), _former.decode(former) if former else {})

    def saved(self) -> tuple[bytes, bytes]:
        """Where it is (small, changes with every message) and the names (large, change with births), as JSON."""
        return msgspec.json.encode(self.place), msgspec.json.encode(self.devices)

    def saved_former(self) -> bytes:
        """As JSON; empty when there is none."""
        return msgspec.json.encode(self.former) if self.former else b""

    @property
    def boot(self) -> str:
        """Changes with every birth: a new connection has another bdSeq, a rebirth within one another time."""
        return f"{'' if self.place.death is None else self.place.death}-{self.place.born_ms}"

    def names(self, device: str) -> Names:
        return self._names.get(device, {})

    def learn(self, device: str, metrics: list[Known], number: int) -> int:
        """Take up what a birth names, in place of what was known of the device; how many found no room."""
        self.forget(device)
        if device:
            self.place.born[device] = number
        room = self._room() - 1
        if room >= 0:
            self.devices[device] = metrics[:room]
            self._names[device] = index(metrics[:room])
        return max(len(metrics) - max(room, 0), 0)

    @property
    def has_room(self) -> bool:
        """Whether another metric could be remembered: when not, asking for births again would not help."""
        return self._room() > 1

    def _room(self) -> int:
        former = sum(1 + len(each.metrics) for each in self.former.values())
        return METRICS_AT_MOST - former - sum(1 + len(known) for known in self.devices.values())

    def forget(self, device: str) -> list[Known]:
        """What was known of a device, in this session or before."""
        self._names.pop(device, None)
        self.place.born.pop(device, None)
        former = self.former.pop(device, None)
        return self.devices.pop(device, former.metrics if former is not None else [])

    # ------------------------------------------------------------ devices that may be lost

    def to_be_reborn(self, since_us: int, since_ms: int) -> dict[str, Former]:
        """What a birth of the node leaves of its devices; no wait is begun anew."""
        left = {device: Former(since_us, since_ms, known) for device, known in self.devices.items() if device}
        return self.former | left

    def not_reborn(self, now_us: int) -> list[tuple[str, Former]]:
        """The devices that were to be born again and were not in time; they are forgotten."""
        late = [name for name, each in self.former.items() if abs(now_us - each.since_us) >= REBORN_WITHIN_US]
        return [(device, self.former.pop(device)) for device in sorted(late)]

    def is_born_before(self, device: str, number: int) -> bool:
        """Whether a message of this number is later than the device's birth."""
        return self.place.born.get(device, 0) < number

    def measured(self, newest_ms: int) -> None:
        self.place.data_ms = max(self.place.data_ms, newest_ms)

    def end_of(self, at_ms: int) -> float:
        """The time of a death of that time, Unix seconds: no reading may count as newer than that it is lost."""
        return max(at_ms, self.place.data_ms + 1) / 1000

    # ------------------------------------------------------------ order

    def number(self, seq: int, sent_ms: int) -> int:
        """The running number within the session; below `place.next` for a message from behind."""
        ahead = (seq - self.place.first - self.place.next) % 256
        is_behind = ahead >= _HALF and sent_ms <= self.place.sent_ms
        return self.place.next + ahead - (256 if is_behind else 0)

    def saw(self, sent_ms: int) -> None:
        self.place.sent_ms = max(self.place.sent_ms, sent_ms)

    def hold(self, held: Held) -> None:
        """Let a message wait for its turn; the same number once."""
        if all(other.number != held.number for other in self.place.held):
            insort(self.place.held, held)

    def ready(self) -> Held | None:
        """The waiting message whose turn it is, which it then has had."""
        if not self.place.held or self.place.held[0].number != self.place.next:
            return None
        self.place.next += 1
        return self.place.held.pop(0)

    def give_up(self) -> None:
        """No longer wait for what is missing before the first message that waits."""
        self.place.next = self.place.held[0].number

    def is_full(self) -> bool:
        """Whether more waits than there is room for."""
        held = self.place.held
        return len(held) > HELD_AT_MOST or sum(len(each.payload) for each in held) > HELD_BYTES_AT_MOST

    def is_overdue(self, now_us: int, reorder_us: int) -> bool:
        """Whether something waits for too long; a clock that was set back must not make it wait for longer."""
        held = self.place.held
        return bool(held) and abs(now_us - min(each.received_us for each in held)) >= reorder_us

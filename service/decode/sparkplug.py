"""The Sparkplug B form (Sparkplug 3.0.0, Eclipse, 16 November 2022): births, data and deaths of edge nodes.

Owns what is remembered of all edge nodes, and when a rebirth is asked for. Must never convert a unit or read a clock.

It commands no output. The only thing it ever wants published is the request to be told all names again: NCMD with the
one metric "Node Control/Rebirth", which every edge node must understand and which changes nothing of the process. With
`asks_rebirth` off not even that: then it is said in a fault, and a person makes the node send its births.

What the specification leaves open, and what is done here:

- A message that waits for an earlier one is acknowledged like any other, so it is part of what is saved, as it came.
  What is wrong with it shows when its turn comes, and then it goes to quarantine by itself.
- When a device dies whose readings are those of its node's gateway, each of its metrics becomes bad.
- A message that is tried again from quarantine is read with today's names and changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

from service.decode.form import TEXT_MOST, Arrived, Ask, Read
from service.decode.sparkplug_metrics import Speaker, lost, matched, named, readings
from service.decode.sparkplug_node import METRICS_AT_MOST, Held, Known, Node, Place
from service.decode.sparkplug_payload import DEATH, Payload, death_of, decoded, rebirth
from service.model import BadInput, GatewayMessage, GatewayReading, GatewayStatus, Rejected, summed_up

NODES_AT_MOST = 5000
WAITING_AT_MOST = 256  # nodes of which something waits; beyond it nothing more is waited for
ASK_EVERY_US = 60_000_000  # at most one request to a node
REORDER_US = 5_000_000

GatewayOf = Literal["node", "device", "node-device"]
State = Literal["online", "offline"]
_SPACE, _STATE = "spBv1.0", "STATE"
_LEVELS = {"NBIRTH": 4, "NDEATH": 4, "NDATA": 4, "NCMD": 4, "DBIRTH": 5, "DDEATH": 5, "DDATA": 5, "DCMD": 5}
_COMMANDS = ("NCMD", "DCMD")
_STATES: dict[str, State] = {"NBIRTH": "online", "DBIRTH": "online", "DDEATH": "offline"}


class Topic(NamedTuple):
    """Who speaks, and what kind of message it is; `device` is empty for the edge node itself."""

    group: str
    kind: str
    node: str
    device: str

    @property
    def key(self) -> str:
        return f"{self.group}/{self.node}"

    @property
    def text(self) -> str:
        """The topic as it came."""
        return "/".join(filter(None, (_SPACE, self.group, self.kind, self.node, self.device)))

    @property
    def is_birth(self) -> bool:
        return self.kind in ("NBIRTH", "DBIRTH")


class Said(NamedTuple):
    """One message; `turn` is its running number, None for one that is tried again."""

    topic: Topic
    sent: Payload
    received_us: int
    turn: int | None = None


def topic_of(text: str) -> Topic | None:
    """The parts of a topic; None for what is not for us (the state of hosts, commands). BadInput when it is none."""
    levels = text.split("/")
    if len(levels) == 3 and levels[:2] == [_SPACE, _STATE]:
        return None
    ids = [each for i, each in enumerate(levels) if i not in (0, 2)]
    kind = levels[2] if len(levels) > 2 else ""
    if levels[0] != _SPACE or _LEVELS.get(kind) != len(levels) or not all(_is_id(each) for each in ids):
        raise BadInput(
            f"topic {text[:TEXT_MOST]!r}: expected {_SPACE}/group/type/node[/device] with one of the types "
            f"{', '.join(_LEVELS)} and names of 1 to {TEXT_MOST} characters without + or #; correct the source's topic"
        )
    return None if kind in _COMMANDS else Topic(levels[1], kind, levels[3], "".join(levels[4:]))


class SparkplugForm:
    """Reads the messages of up to `NODES_AT_MOST` edge nodes.

    `gateway_of` says who a gateway is: the edge node, with the tags "device/metric" for its devices; or each device
    by its own name, or as "node.device", and the edge node for its own metrics. `reorder_us` is how long a message
    waits for an earlier one, microseconds.
    """

    def __init__(
        self, *, gateway_of: GatewayOf = "node", asks_rebirth: bool = True, reorder_us: int = REORDER_US
    ) -> None:
        self._gateway_of, self._asks_rebirth, self._reorder_us = gateway_of, asks_rebirth, reorder_us
        self._nodes: dict[str, Node] = {}
        self._waiting: set[str] = set()
        self._moved: set[str] = set()
        self._renamed: set[str] = set()
        self._asked_us: dict[str, int] = {}

    # ------------------------------------------------------------ the form

    def read(self, arrived: Arrived) -> Read:
        """What the message says; BadInput when nothing of it can be used."""
        topic = topic_of(arrived.topic)
        if topic is None:
            return Read()
        said = Said(topic, decoded(arrived.payload), arrived.received_us)
        self._check(said)
        found = Read()
        if arrived.is_again:
            self._reread(said, found)
            return found
        self._overdue(topic, arrived.received_us, found)
        if topic.kind == "NDEATH":
            self._died(said, found)
        elif topic.kind == "NBIRTH":
            self._born(said, found)
        else:
            self._followed(said, arrived.payload, found)
        return found

    def due(self, now_us: int) -> Read:
        """The readings that have waited long enough for a message that did not come."""
        found = Read()
        for key in sorted(self._waiting):
            group, node = key.split("/")
            self._overdue(Topic(group, "", node, ""), now_us, found)
        return found

    def changed(self) -> dict[str, bytes]:
        """Under "group/node" the names, under "group/node/place" where it is in its session and what waits."""
        found: dict[str, bytes] = {}
        for key in sorted(self._moved):
            place, names = self._nodes[key].saved()
            found[f"{key}/place"] = place
            if key in self._renamed:
                found[key] = names
        self._moved.clear()
        self._renamed.clear()
        return found

    def load(self, saved: Mapping[str, bytes]) -> None:
        """Take up what was saved last."""
        self._nodes = {
            key: Node.loaded(saved[f"{key}/place"], names) for key, names in saved.items() if key.count("/") == 1
        }
        self._waiting = {key for key, node in self._nodes.items() if node.place.held}
        self._moved.clear()
        self._renamed.clear()

    # ------------------------------------------------------------ births and deaths of nodes

    def _check(self, said: Said) -> None:
        """BadInput before anything has changed."""
        topic, gateway = said.topic, self._gateway(said.topic)
        if topic.kind == "NDEATH":
            if death_of(said.sent) is None:
                raise BadInput(f"NDEATH of {topic.key!r} without {DEATH}: expected that of its birth; mend its will")
        elif said.sent.seq is None:
            raise BadInput(f"{topic.kind} of {topic.key!r} without seq: expected 0 to 255; mend the edge node")
        elif topic.key not in self._nodes and len(self._nodes) >= NODES_AT_MOST:
            raise BadInput(
                f"edge node {topic.key!r}: expected at most {NODES_AT_MOST} nodes, and so many are known; "
                "narrow the source's topic"
            )
        if len(gateway) > TEXT_MOST:
            raise BadInput(
                f"gateway {gateway!r}: {len(gateway)} characters; expected at most {TEXT_MOST}; shorten the names of "
                "the node and of its device"
            )

    def _born(self, said: Said, found: Read) -> None:
        """A session begins. What still waits belongs to the one before; devices are known again with their births."""
        topic, sent = said.topic, said.sent
        before = self._nodes.get(topic.key)
        devices: dict[str, list[Known]] = {}
        if before is not None:
            self._give_up_all(topic, before, found)
            if before.place.is_alive:  # of a device that is not heard again, a death must still be told
                devices = {device: [] for device in before.devices if device}
        place = Place(death_of(sent), sent.sent_ms or 0, sent.seq or 0, sent_ms=sent.sent_ms or 0)
        node = self._nodes[topic.key] = Node(place, devices)
        self._moved.add(topic.key)
        self._use(said._replace(turn=0), node, found)

    def _died(self, said: Said, found: Read) -> None:
        """The will of the present session; that of an earlier one, or the same again, says nothing."""
        topic = said.topic
        node = self._nodes.get(topic.key)
        if node is None or not node.place.is_alive or node.place.death not in (None, death_of(said.sent)):
            return
        self._give_up_all(topic, node, found)
        node.place.is_alive = False
        self._moved.add(topic.key)
        for device in ("", *sorted(filter(None, node.devices))):
            # A will is written when the node connects, so its time is not that of the death.
            self._tell("offline", topic._replace(device=device), node, None, found)

    # ------------------------------------------------------------ order

    def _followed(self, said: Said, payload: bytes, found: Read) -> None:
        """A numbered message: it takes its turn, waits for it, or comes from behind."""
        topic, sent = said.topic, said.sent
        node = self._nodes.get(topic.key)
        if node is None or not node.place.is_alive:
            found.faults.append(_unborn(topic))
            self._ask(topic, said.received_us, "", found)
            return
        turn, due = node.number(sent.seq or 0, sent.sent_ms or 0), node.place.next
        said = said._replace(turn=turn)
        if turn < due:
            self._late(said, node, found)
            return
        self._moved.add(topic.key)
        node.saw(sent.sent_ms or 0)
        if turn > due:
            self._hold(said, node, payload, found)
            return
        node.place.next += 1
        is_unknown = self._use(said, node, found)
        if self._release(topic, node, found) or is_unknown:
            self._ask(topic, said.received_us, "", found)

    def _late(self, said: Said, node: Node, found: Read) -> None:
        """From behind: a birth or death among them has been overtaken, so only readings are taken."""
        if said.turn is not None and said.turn < 1:
            found.faults.append(
                f"{said.topic.kind} of {said.topic.key!r}, seq {said.sent.seq}: sent before the node's birth, under "
                "names of which nothing is known; expected the birth first; let its messages keep their order"
            )
        elif self._use(said, node, found, is_live=False):
            self._ask(said.topic, said.received_us, "", found)

    def _hold(self, said: Said, node: Node, payload: bytes, found: Read) -> None:
        assert said.turn is not None
        topic = said.topic
        node.hold(Held(said.turn, topic.kind, topic.device, said.received_us, payload))
        self._waiting.add(topic.key)
        while node.place.held and (node.is_full() or len(self._waiting) > WAITING_AT_MOST):
            self._give_up(topic, node, said.received_us, found)

    def _overdue(self, topic: Topic, now_us: int, found: Read) -> None:
        node = self._nodes.get(topic.key)
        while node is not None and node.is_overdue(now_us, self._reorder_us):
            self._give_up(topic, node, now_us, found)

    def _give_up(self, topic: Topic, node: Node, now_us: int, found: Read) -> None:
        """What is missing has not come: go on behind it, and ask for the names, since one of them may be a birth."""
        first = node.place.next
        node.give_up()
        missing = f"messages {first} to {node.place.next - 1} after its birth did not come"
        self._release(topic, node, found)
        self._ask(topic, now_us, missing, found)

    def _give_up_all(self, topic: Topic, node: Node, found: Read) -> None:
        while node.place.held:
            node.give_up()
            self._release(topic, node, found)

    def _release(self, topic: Topic, node: Node, found: Read) -> bool:
        """Let take their turn what waited for it, each with the faults of its own; whether births are wanted."""
        is_unknown = False
        while (held := node.ready()) is not None:
            self._moved.add(topic.key)
            inner = Read()
            source = topic._replace(kind=held.kind, device=held.device)
            said = Said(source, decoded(held.payload), held.received_us, held.number)
            is_unknown = self._use(said, node, inner, without_at=held.received_us / 1e6) or is_unknown
            found.waited += inner.messages
            found.statuses += inner.statuses
            if inner.faults:
                reason, count = summed_up(inner.faults), len(inner.faults)
                found.rejected.append(
                    Rejected(source.text, held.payload, held.received_us, "reading-invalid", reason, count)
                )
        if not node.place.held:
            self._waiting.discard(topic.key)
        return is_unknown

    # ------------------------------------------------------------ what a message says

    def _reread(self, said: Said, found: Read) -> None:
        """Tried again: births bring their own names, data need a node that is known; deaths are long past."""
        node = self._nodes.get(said.topic.key)
        if said.topic.kind in ("NDEATH", "DDEATH"):
            return
        if node is None and not said.topic.is_birth:
            found.faults.append(_unborn(said.topic))
        else:
            self._use(said, node, found, is_live=False)

    def _use(
        self, said: Said, node: Node | None, found: Read, *, is_live: bool = True, without_at: str | float = ""
    ) -> bool:
        """Add what one message says, and take it up if it is live; whether births are wanted that name its metrics."""
        topic, sent, speaker = said.topic, said.sent, self._speaker(said.topic)
        known: Sequence[Known | None]
        if topic.is_birth:
            known, faults = named(speaker, sent)
            found.faults += faults
            if is_live and node is not None:
                self._learn(topic, node, known, found)
        else:
            known = matched(sent, node.names(topic.device) if node is not None else {})
        read = readings(speaker, sent, known, is_birth=topic.is_birth, without_at=without_at)
        found.faults += read.faults
        if topic.kind == "DDEATH" and is_live and node is not None:
            read.found = self._lose(topic, node, sent)
        self._add(said, node, read.found, found)
        if is_live and node is not None and topic.kind in _STATES:
            self._tell(_STATES[topic.kind], topic, node, sent, found)
        return read.is_unknown and node is not None and node.has_room

    def _learn(self, topic: Topic, node: Node, metrics: list[Known], found: Read) -> None:
        left = node.learn(topic.device, metrics)
        self._renamed.add(topic.key)
        if left:
            found.faults.append(
                f"{topic.kind} of {topic.key!r}: {left} metrics more than {METRICS_AT_MOST}; expected at most that "
                "many of one edge node, devices included; let it send fewer"
            )

    def _lose(self, topic: Topic, node: Node, sent: Payload) -> list[GatewayReading]:
        """A device died: its metrics as bad, where its gateway is the node and lives on."""
        gone = node.forget(topic.device)
        self._renamed.add(topic.key)
        at: str | float = "" if sent.sent_ms is None else sent.sent_ms / 1000
        return lost(self._speaker(topic), gone, at) if self._gateway_of == "node" else []

    def _add(self, said: Said, node: Node | None, found_here: list[GatewayReading], found: Read) -> None:
        """One message of the gateway. The count is the node's, so it numbers no messages of devices apart."""
        is_numbered = self._gateway_of == "node" and said.turn is not None
        if found_here or is_numbered:
            boot = node.boot if node is not None and said.turn is not None else None
            seq = said.turn if is_numbered else None
            found.messages.append(GatewayMessage(self._gateway(said.topic), found_here, boot, seq))

    def _tell(self, state: State, topic: Topic, node: Node, sent: Payload | None, found: Read) -> None:
        """A gateway came or went; of a device whose gateway is the node's there is nothing to tell."""
        if not topic.device or self._gateway_of != "node":
            at = None if sent is None or sent.sent_ms is None else sent.sent_ms / 1000
            found.statuses.append(GatewayStatus(self._gateway(topic), state, node.boot, at))

    def _gateway(self, topic: Topic) -> str:
        if not topic.device or self._gateway_of == "node":
            return topic.node
        return topic.device if self._gateway_of == "device" else f"{topic.node}.{topic.device}"

    def _speaker(self, topic: Topic) -> Speaker:
        prefix = f"{topic.device}/" if topic.device and self._gateway_of == "node" else ""
        return Speaker(f"{topic.kind} of {topic.key!r}", prefix)

    # ------------------------------------------------------------ the one request

    def _ask(self, topic: Topic, now_us: int, why: str, found: Read) -> None:
        """Ask the node for its births, or say that it should be asked; at most once in `ASK_EVERY_US`."""
        last = self._asked_us.get(topic.key)
        if last is not None and abs(now_us - last) < ASK_EVERY_US:
            return
        if last is None and len(self._asked_us) >= NODES_AT_MOST:
            recent = {key: at_us for key, at_us in self._asked_us.items() if abs(now_us - at_us) < ASK_EVERY_US}
            if len(recent) >= NODES_AT_MOST:
                return  # it will be asked for a later message
            self._asked_us = recent
        self._asked_us[topic.key] = now_us
        if self._asks_rebirth:
            found.asks.append(Ask(f"{_SPACE}/{topic.group}/NCMD/{topic.node}", rebirth(max(now_us, 0) // 1000)))
        elif why:
            found.faults.append(
                f"edge node {topic.key!r}: {why}; expected each; let it send its births (Node Control/Rebirth)"
            )


def _unborn(topic: Topic) -> str:
    return (
        f"{topic.kind} of {topic.key!r}: its birth is not known; expected NBIRTH first; "
        "let the edge node send its births (Node Control/Rebirth)"
    )


def _is_id(text: str) -> bool:
    return 0 < len(text) <= TEXT_MOST and not set("+#\0") & set(text)

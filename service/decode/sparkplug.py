"""The Sparkplug B form (Sparkplug 3.0.0, Eclipse, 16 November 2022): births, data and deaths of edge nodes.

Owns what each message means for its edge node, and when a rebirth is asked for. Must never convert a unit or read a
clock.

It commands no output. The only thing it ever wants published is the request to be told all names again: NCMD with the
one metric "Node Control/Rebirth", which every edge node must understand and which changes nothing of the process. With
`asks_rebirth` off not even that: then it is said in a fault, and a person makes the node send its births.

What the specification leaves open, and what is done here:

- A message that waits for an earlier one is acknowledged like any other, so it is part of what is saved, as it came.
  What is wrong with it shows when its turn comes, and then it goes to quarantine by itself.
- When a device dies whose readings are those of its node's gateway, each of its metrics becomes bad, dated after all
  that was measured. A device that is not born again within a minute of its node counts as dead.
- A message that is tried again from quarantine is read with today's names and changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

from service.decode.form import TEXT_MOST, Arrived, Ask, Read, Waited
from service.decode.sparkplug_metrics import Speaker, lost, matched, named, newest_ms, readings
from service.decode.sparkplug_node import METRICS_AT_MOST, Held, Known, Node, Place
from service.decode.sparkplug_nodes import NODES_AT_MOST, Nodes
from service.decode.sparkplug_payload import DEATH, Payload, death_of, decoded, rebirth
from service.decode.sparkplug_topic import SPACE, Topic, topic_of
from service.model import BadInput, GatewayMessage, GatewayReading, GatewayStatus, Rejected, summed_up

WAITING_AT_MOST = 256  # nodes of which something waits; beyond it nothing more is waited for
ASK_EVERY_US = 60_000_000  # at most one request to a node
REORDER_US = 5_000_000

GatewayOf = Literal["node", "device", "node-device"]
State = Literal["online", "offline"]
_STATES: dict[str, State] = {"NBIRTH": "online", "DBIRTH": "online", "DDEATH": "offline"}


class Said(NamedTuple):
    """One message; `turn` is its running number, None for one that is tried again."""

    topic: Topic
    sent: Payload
    received_us: int
    turn: int | None = None

    @property
    def sent_ms(self) -> int:
        """When it was sent; when it arrived, if it does not say."""
        return self.received_us // 1000 if self.sent.sent_ms is None else self.sent.sent_ms


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
        self._nodes = Nodes()
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
        _let_go_before(found)
        if topic.kind == "NDEATH":
            self._died(said, found)
        elif topic.kind == "NBIRTH":
            self._born(said, found)
        else:
            self._followed(said, arrived.payload, found)
        return found

    def due(self, now_us: int) -> Read:
        """The readings that have waited long enough for a message that did not come, and devices not born again."""
        found = Read()
        for key in sorted(self._nodes.waiting | self._nodes.reborn):
            group, node = key.split("/")
            topic = Topic(group, "", node, "")
            self._overdue(topic, now_us, found)
            self._miss(topic, now_us, found)
        return found

    def changed(self) -> dict[str, bytes]:
        """What is to be saved, by key; an empty body is one to be deleted."""
        return self._nodes.changed()

    def load(self, saved: Mapping[str, bytes]) -> None:
        """Take up what was saved last. A node of which a part cannot be read is unknown, and asked for its births."""
        self._nodes.load(saved)

    # ------------------------------------------------------------ births and deaths of nodes

    def _check(self, said: Said) -> None:
        """BadInput before anything has changed."""
        topic, gateway = said.topic, self._gateway(said.topic)
        if topic.kind == "NDEATH":
            if death_of(said.sent) is None:
                raise BadInput(f"NDEATH of {topic.key!r} without {DEATH}: expected that of its birth; mend its will")
        elif said.sent.seq is None:
            raise BadInput(f"{topic.kind} of {topic.key!r} without seq: expected 0 to 255; mend the edge node")
        else:
            self._nodes.check_room(topic.key)
        if len(gateway) > TEXT_MOST:
            raise BadInput(
                f"gateway {gateway!r}: {len(gateway)} characters; expected at most {TEXT_MOST}; shorten the names of "
                "the node and of its device"
            )

    def _born(self, said: Said, found: Read) -> None:
        """A session begins. What still waits belongs to the one before; devices are known again with their births."""
        topic, sent = said.topic, said.sent
        node = Node(Place(death_of(sent), sent.sent_ms or 0, sent.seq or 0, sent_ms=sent.sent_ms or 0))
        before = self._nodes.get(topic.key)
        if before is not None:
            self._give_up_all(topic, before, found)
            node.measured(before.place.data_ms)
            node.former = before.to_be_reborn(said.received_us, said.sent_ms)
        self._nodes.put(topic.key, node)
        self._use(said._replace(turn=0), node, found)

    def _died(self, said: Said, found: Read) -> None:
        """The will of the present session; that of an earlier one, or the same again, says nothing."""
        topic = said.topic
        node = self._nodes.get(topic.key)
        if node is None or not node.place.is_alive or node.place.death not in (None, death_of(said.sent)):
            return
        self._give_up_all(topic, node, found)
        node.place.is_alive, node.place.died_us = False, said.received_us
        self._nodes.moved.add(topic.key)
        for device in ("", *sorted({*node.devices, *node.former} - {""})):
            # A will is written when the node connects, so its time is not that of the death.
            self._tell("offline", topic._replace(device=device), node, None, found)

    def _miss(self, topic: Topic, now_us: int, found: Read) -> None:
        """Devices that were not born again in time are lost."""
        node = self._nodes.get(topic.key)
        assert node is not None, topic
        for device, former in node.not_reborn(now_us):
            self._nodes.reformed.add(topic.key)
            of_device = topic._replace(device=device)
            self._tell("offline", of_device, node, None, found)
            if bad := self._lost(of_device, former.metrics, node, former.now_ms(now_us)):
                found.waited.append(Waited(GatewayMessage(self._gateway(of_device), bad), now_us))
        if not node.former:
            self._nodes.reborn.discard(topic.key)

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
        self._nodes.moved.add(topic.key)
        if turn < due:
            self._late(said, node, turn, found)
            return
        node.saw(sent.sent_ms or 0)
        if turn > due:
            self._hold(said, node, payload, found)
            return
        node.place.next += 1
        wanted = topic if self._use(said, node, found) else None
        wanted = self._release(topic, node, found) or wanted
        if wanted is not None:
            self._ask(wanted, said.received_us, "", found)

    def _late(self, said: Said, node: Node, turn: int, found: Read) -> None:
        """From behind: a birth or death among them may have been overtaken, so only readings are taken.

        The death of a device that was not born since has not been overtaken.
        """
        topic = said.topic
        if turn < 1:  # or a node whose clock stands still, of which much was lost: with a birth its count begins anew
            found.faults.append(
                f"{topic.kind} of {topic.key!r}, seq {said.sent.seq}: sent before the node's birth, under "
                "names of which nothing is known; expected the birth first; let its messages keep their order"
            )
            self._ask(topic, said.received_us, "", found)
            return
        is_dead = topic.kind == "DDEATH" and node.is_born_before(topic.device, turn)
        if self._use(said, node, found, is_live=is_dead):
            self._ask(topic, said.received_us, "", found)

    def _hold(self, said: Said, node: Node, payload: bytes, found: Read) -> None:
        assert said.turn is not None
        topic = said.topic
        node.hold(Held(said.turn, topic.kind, topic.device, said.received_us, payload))
        self._nodes.waiting.add(topic.key)
        while node.place.held and (node.is_full() or len(self._nodes.waiting) > WAITING_AT_MOST):
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
        _let_go_before(found)

    def _release(self, topic: Topic, node: Node, found: Read) -> Topic | None:
        """Let take their turn what waited for it, each with the faults of its own; whose births are wanted."""
        wanted = None
        while (held := node.ready()) is not None:
            self._nodes.moved.add(topic.key)
            inner = Read()
            source = topic._replace(kind=held.kind, device=held.device)
            said = Said(source, decoded(held.payload), held.received_us, held.number)
            if self._use(said, node, inner, without_at=held.received_us / 1e6):
                wanted = source
            found.waited += [Waited(message, held.received_us) for message in inner.messages]
            found.statuses += inner.statuses
            if inner.faults:
                reason, count = summed_up(inner.faults), len(inner.faults)
                found.rejected.append(
                    Rejected(source.text, held.payload, held.received_us, "reading-invalid", reason, count)
                )
        if not node.place.held:
            self._nodes.waiting.discard(topic.key)
        return wanted

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
                self._learn(said, node, known, found)
        else:
            known = matched(sent, node.names(topic.device) if node is not None else {})
        read = readings(speaker, sent, known, is_birth=topic.is_birth, without_at=without_at)
        found.faults += read.faults
        if said.turn is not None and node is not None:
            node.measured(newest_ms(read.found, said.received_us))
        if topic.kind == "DDEATH" and is_live and node is not None:
            read.found = self._lose(said, node)
        self._add(said, node, read.found, found)
        if is_live and node is not None and topic.kind in _STATES:
            self._tell(_STATES[topic.kind], topic, node, sent, found)
        return read.is_unknown and node is not None and node.has_room

    def _learn(self, said: Said, node: Node, metrics: list[Known], found: Read) -> None:
        topic = said.topic
        self._rename(topic, node)
        left = node.learn(topic.device, metrics, said.turn or 0)
        if left:
            found.faults.append(
                f"{topic.kind} of {topic.key!r}: {left} metrics more than {METRICS_AT_MOST}; expected at most that "
                "many of one edge node, devices included; let it send fewer"
            )

    def _lose(self, said: Said, node: Node) -> list[GatewayReading]:
        """A device died: its metrics as bad, where its gateway is the node and lives on."""
        self._rename(said.topic, node)
        return self._lost(said.topic, node.forget(said.topic.device), node, said.sent_ms)

    def _lost(self, topic: Topic, metrics: list[Known], node: Node, at_ms: int) -> list[GatewayReading]:
        return lost(self._speaker(topic), metrics, node.end_of(at_ms)) if self._gateway_of == "node" else []

    def _rename(self, topic: Topic, node: Node) -> None:
        """Note that the names of a device are about to change."""
        self._nodes.renamed.add(topic.key)
        if topic.device in node.former:
            self._nodes.reformed.add(topic.key)

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
            to = f"{SPACE}/{topic.group}/NCMD/{topic.node}"
            found.asks.append(Ask(to, rebirth(max(now_us, 0) // 1000), self._gateway(topic)))
        elif why:
            found.faults.append(
                f"edge node {topic.key!r}: {why}; expected each; let it send its births (Node Control/Rebirth)"
            )


def _let_go_before(found: Read) -> None:
    """What has been let go so far is older than the message that is read now."""
    found.before += found.waited
    found.waited = []


def _unborn(topic: Topic) -> str:
    return (
        f"{topic.kind} of {topic.key!r}: its birth is not known; expected NBIRTH first; "
        "let the edge node send its births (Node Control/Rebirth)"
    )

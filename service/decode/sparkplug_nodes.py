"""What is remembered of all Sparkplug edge nodes, and what of it is to be saved.

Owns how many there may be. Must never read a payload, a topic or a clock.
"""

from __future__ import annotations

from collections.abc import Mapping

from service.decode.sparkplug_node import Node
from service.model import BadInput

NODES_AT_MOST = 5000


class Nodes:
    """Up to `NODES_AT_MOST` nodes by "group/node". When there are so many, a new one displaces the longest dead.

    Whoever changes a node says so: `moved` are those whose place changed, `renamed` whose names, `reformed` whose
    former devices.
    """

    def __init__(self) -> None:
        self._nodes: dict[str, Node] = {}
        self.waiting: set[str] = set()  # those of which messages wait
        self.reborn: set[str] = set()  # those whose devices are to be born again
        self.moved: set[str] = set()
        self.renamed: set[str] = set()
        self.reformed: set[str] = set()
        self._gone: set[str] = set()

    def get(self, key: str) -> Node | None:
        return self._nodes.get(key)

    def check_room(self, key: str) -> None:
        """BadInput when this node is new, and there is no room for it."""
        if self._is_too_many(key) and all(node.place.is_alive for node in self._nodes.values()):
            raise BadInput(
                f"edge node {key!r}: expected at most {NODES_AT_MOST} nodes, and so many live; "
                "narrow the source's topic"
            )

    def put(self, key: str, node: Node) -> None:
        """Take up a node that was born. There must be room."""
        if self._is_too_many(key):
            dead = ((known.place.died_us, name) for name, known in self._nodes.items() if not known.place.is_alive)
            self._forget(min(dead)[1])
        self._nodes[key] = node
        self.moved.add(key)
        if node.former:
            self.reborn.add(key)
            self.reformed.add(key)

    def _is_too_many(self, key: str) -> bool:
        return key not in self._nodes and len(self._nodes) >= NODES_AT_MOST

    def _forget(self, key: str) -> None:
        del self._nodes[key]
        for keys in (self.waiting, self.reborn, self.moved, self.renamed, self.reformed):
            keys.discard(key)
        self._gone.add(key)

    # ------------------------------------------------------------ saving and loading

    def changed(self) -> dict[str, bytes]:
        """Under "group/node" the names, under "group/node/place" where it is in its session and what waits.

        Under "group/node/former" are the devices that are to be born again. An empty body is one to be deleted.
        """
        found = {f"{key}{part}": b"" for key in sorted(self._gone) for part in ("", "/place", "/former")}
        for key in sorted(self.moved):
            place, names = self._nodes[key].saved()
            found[f"{key}/place"] = place
            if key in self.renamed:
                found[key] = names
        for key in sorted(self.reformed):
            found[f"{key}/former"] = self._nodes[key].saved_former()
        self._all_saved()
        return found

    def load(self, saved: Mapping[str, bytes]) -> None:
        """Take up what was saved last, in place of all that is known.

        A node of which a part cannot be read is left out, and what was saved of it is to be deleted.
        """
        self._nodes.clear()
        self._all_saved()
        for key in sorted({"/".join(key.split("/")[:2]) for key in saved}):
            try:
                self._nodes[key] = Node.loaded(saved[f"{key}/place"], saved[key], saved.get(f"{key}/former", b""))
            except (KeyError, ValueError):  # a part of it would be worse than none
                self._gone.add(key)
        self.waiting = {key for key, node in self._nodes.items() if node.place.held}
        self.reborn = {key for key, node in self._nodes.items() if node.former}

    def _all_saved(self) -> None:
        for keys in (self.moved, self.renamed, self.reformed, self._gone):
            keys.clear()

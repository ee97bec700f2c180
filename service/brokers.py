"""All brokers at once: one receiver each, acknowledged each by its own; and which of them are not heard.

The one of the settings file is `MAIN`; notifications and the service's own status go there. Decides nothing about what
comes in.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import NamedTuple

from service.model import MAIN, Parcel
from service.receive.mqtt import Link, Receiver


class Heard(NamedTuple):
    """Since when a broker is connected without a break, and listened to in all, gaps taken off; in wall time."""

    connected_us: int
    since_us: int


class Brokers:
    """`make` builds the receiver of a link. Not for several threads at once, but for `ask` and what only looks."""

    def __init__(self, links: Mapping[str, Link], make: Callable[[str, Link], Receiver]) -> None:
        self._make = make
        self._links = dict(links)
        # Replaced as a whole, never changed: the pipeline's thread walks over it.
        self._receivers = {name: make(name, link) for name, link in links.items()}

    @property
    def main(self) -> Receiver:
        return self._receivers[MAIN]

    def start(self) -> None:
        for receiver in self._receivers.values():
            receiver.start()

    def stop(self, timeout_s: float) -> None:
        """All of them together within the time."""
        _stop(self._receivers.values(), timeout_s)

    def acknowledge(self, parcels: Sequence[Parcel]) -> None:
        """Tell each broker which of its messages are on disk, in the order in which they came."""
        for name, receiver in self._receivers.items():
            receiver.acknowledge([parcel.token for parcel in parcels if parcel.broker == name])

    def publish(self, topic: str, payload: bytes, timeout_s: float) -> None:
        """Publish at the main broker, as `Receiver.publish` does; to be kept where `main` would be the one of then."""
        self.main.publish(topic, payload, timeout_s)

    def ask(self, broker: str, topic: str, payload: bytes) -> None:
        """Publish what a form wants to be told, if its broker is connected."""
        receiver = self._receivers.get(broker)
        if receiver is not None:
            receiver.ask(topic, payload)

    def heard(self) -> dict[str, Heard]:
        """Of each broker that is heard, since when."""
        found: dict[str, Heard] = {}
        for name, one in self._receivers.items():
            connected_us, since_us = one.connected_since_us, one.listened_since_us
            if connected_us is not None and since_us is not None:
                found[name] = Heard(connected_us, since_us)
        return found

    def missing(self) -> list[str]:
        """Of each broker that is not connected, why."""
        return [one.last_error for one in self._receivers.values() if not one.connected.is_set()]

    def threads(self) -> dict[str, bool]:
        """By name, whether each receiver's thread is alive."""
        return {"receive" if name == MAIN else f"receive {name}": one.is_alive for name, one in self._receivers.items()}

    def change(self, links: Mapping[str, Link]) -> None:
        """Go over to other links: new brokers are connected, those that are gone left, topics changed in place.

        Messages of a broker that is left and not yet acknowledged stay with it.
        """
        left = [name for name in self._receivers if name not in links or _is_other(self._links[name], links[name])]
        stay = {name: receiver for name, receiver in self._receivers.items() if name not in left}
        new = {name: self._make(name, link) for name, link in links.items() if name not in stay}
        gone = [self._receivers[name] for name in left]
        self._receivers, self._links = stay | new, dict(links)
        _stop(gone, 2.0)  # first: a client id that stays must not be there twice
        for receiver in new.values():
            receiver.start()
        for name, receiver in stay.items():
            receiver.listen_to(links[name].topics)


def _is_other(before: Link, after: Link) -> bool:
    """Whether it needs another connection: more differs than the topics, or than what each connection reads anew."""
    return replace(before, topics=(), tls=None, password=None) != replace(after, topics=(), tls=None, password=None)


def _stop(receivers: Collection[Receiver], timeout_s: float) -> None:
    """These all together within the time."""
    if receivers:
        with ThreadPoolExecutor(len(receivers)) as pool:
            list(pool.map(lambda receiver: receiver.stop(timeout_s), receivers))

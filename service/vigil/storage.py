"""Tells people that the record cannot be written, by ways that need no disk, and that it can be again.

Owns who has been told of the trouble at hand. It sends past the outbox, which is on the disk that fails: the only
place where that is allowed. One message per address and trouble; the end is told through the outbox, which works then.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence

import structlog

from service.model import Accepted, Channel, OutboxRow, Owed, Told

log = structlog.get_logger()

AGAIN_S = 30.0  # between two tries of an address while the trouble lasts
CALM_S = 600.0  # after a trouble was told, the next one is not told to people before this is over
Address = tuple[str, str, str]  # contact, channel, address


class StorageAlarm:
    """`note` is called every half second with the trouble, "" for none. It never waits.

    `changed` is called when a trouble begins or ends; `owe` puts notifications into the outbox, and may wait.
    """

    def __init__(
        self,
        *,
        service: str,
        recipients: Sequence[Address],
        channels: Mapping[str, Channel],
        wall_us: Callable[[], int],
        owe: Callable[[tuple[Owed, ...]], object],
        changed: Callable[[], None],
        again_s: float = AGAIN_S,
        calm_s: float = CALM_S,
    ) -> None:
        self._service, self._recipients, self._channels = service, recipients, channels
        self._wall_us, self._owe, self._changed = wall_us, owe, changed
        self._again_s, self._calm_s = again_s, calm_s
        self._calm_until_s = 0.0
        self._began_us = 0
        self._over: threading.Event | None = None  # of the trouble at hand
        self._told: set[Address] | None = None  # of the trouble at hand; None while people are not told of it
        self._lock = threading.Lock()

    def note(self, trouble: str, now_s: float) -> None:
        """Act on the change, if there is one. `now_s` is monotonic."""
        if trouble and self._over is None:
            self._over, self._began_us = threading.Event(), self._wall_us()
            log.error("cannot record", trouble=trouble)
            self._changed()
        if trouble and self._told is None and now_s >= self._calm_until_s:
            self._told, self._calm_until_s = set(), now_s + self._calm_s
            self._tell_all(trouble)
        if not trouble and self._over is not None:
            self._over.set()
            self._over = None
            log.warning("records again", since_us=self._began_us)
            self._changed()
            self._tell_end()

    def _tell_all(self, trouble: str) -> None:
        """One thread per channel: a channel that hangs keeps nobody else from hearing."""
        assert self._over is not None
        assert self._told is not None
        told = self._notice("cannot-record", trouble, self._began_us)
        for name, channel in self._channels.items():
            mine = [address for address in self._recipients if address[1] == name]
            if mine:
                arguments = (channel, mine, told, self._over, self._told)
                threading.Thread(target=self._tell, args=arguments, name=f"storage-{name}", daemon=True).start()

    def _tell(
        self, channel: Channel, addresses: list[Address], told: Told, over: threading.Event, heard: set[Address]
    ) -> None:
        while addresses:
            for address in list(addresses):
                if over.is_set():
                    return
                answer = self._send(channel, address, told)
                if answer == "":
                    addresses.remove(address)
                    with self._lock:
                        heard.add(address)
                else:
                    log.error("cannot tell that the record cannot be written", channel=channel.name, error=answer)
            if addresses and over.wait(self._again_s):
                return

    def _send(self, channel: Channel, address: Address, told: Told) -> str:
        """ "" when the channel took it, else why not."""
        contact, name, to = address
        row = OutboxRow(0, _key(told, address), name, contact, to, told, told.at_us)
        try:
            answer = channel.send(row)
        except Exception as error:  # noqa: BLE001 - whatever a channel raises, the others must still be told
            return f"{type(error).__name__}: {error}"
        return "" if isinstance(answer, Accepted) else answer.error

    def _tell_end(self) -> None:
        """Those who heard of it hear of its end, from the outbox."""
        if self._told is None:
            return
        with self._lock:
            heard = sorted(self._told)
        self._told = None
        told = self._notice("records-again", "", self._wall_us())
        owed = tuple(Owed(_key(told, (contact, name, to)), name, contact, to, told) for contact, name, to in heard)
        if owed:
            threading.Thread(target=self._owe, args=(owed,), name="storage-over", daemon=True).start()

    def _notice(self, step: str, trouble: str, at_us: int) -> Told:
        lasted_s = (at_us - self._began_us) / 1e6
        return Told(
            alarm_id=f"storage-{self._began_us}",
            step=step,
            collector="",
            collector_name=self._service,
            site_name="",
            time_zone="UTC",
            point="",
            quantity="",
            limit="",
            priority="high",
            unit="",
            at_us=at_us,
            recorded_us=at_us,
            note=f"Sent directly, not from the record. {trouble}" if trouble else f"It lasted {lasted_s:.0f} s.",
        )


def _key(told: Told, address: Address) -> str:
    return "|".join((told.alarm_id, told.step, *address))

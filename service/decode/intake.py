"""From one message of a broker to what it says: finds its source, reads its form, applies the source's rules. Total.

Whatever arrives, the answer is a `Taken`; what cannot be used is in it with the reason. Must never write, publish, or
know points and limits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

import msgspec

from service.decode.adjust import Adjuster, Arrival
from service.decode.form import Arrived, Ask, Form, Read, Stateless, Template, Waited
from service.model import BadInput, GatewayMessage, GatewayStatus, Parcel, Rejected, summed_up


@dataclass(frozen=True, slots=True)
class Source:
    """Topics of one broker, the form of what comes on them, and the rules for it.

    `keeps_part`: of a message that is refused in part, quarantine has that part in the native form, which can be sent
    again by itself; of other forms it has the whole message.
    """

    name: str
    broker: str
    templates: tuple[Template, ...]
    form: Form
    adjuster: Adjuster | None = None
    gateway: str | None = None  # the one that speaks, where neither topic nor payload say
    keeps_part: bool = False
    is_status: bool = False  # births and wills: they tell of a moment, and are not sent again from quarantine

    def known_as(self, gateway: str) -> str:
        """The name in the plant file of a gateway that arrives under this one."""
        return gateway if self.adjuster is None else self.adjuster.known_as(gateway)

    def admitted(self, gateway: str) -> str:
        """The same; BadInput when the sources file admits only others."""
        return gateway if self.adjuster is None else self.adjuster.admitted(gateway)


@dataclass(slots=True)
class Taken:
    """What one message, or what had waited in a form, says."""

    source: Source | None
    messages: list[GatewayMessage] = field(default_factory=list)
    waited: list[GatewayMessage] = field(default_factory=list)  # of earlier messages, which are not at hand any more
    statuses: list[GatewayStatus] = field(default_factory=list)
    heard: list[GatewayMessage] = field(default_factory=list)  # all whose number came, refused ones too
    rejected: list[Rejected] = field(default_factory=list)
    asks: list[tuple[str, Ask]] = field(default_factory=list)  # broker, and what is to be published there

    @property
    def keeps_part(self) -> bool:
        return self.source is not None and self.source.keeps_part


NOTHING = Read()
FUTURE_US = 60_000_000


class Unproven(BadInput):
    """The broker does not say, or says otherwise, that the publisher is the gateway that the message is of."""

    code = "identity-mismatch"


class Intake:
    """All sources. `payload_bytes` and `readings_most` bound one message.

    Of the brokers in `identified`, a message is taken only if the broker names its publisher and that is its gateway.
    `plant_of` gives the plant time of a wall time: forms and rules know no other. A reading may be `future_us` ahead of
    its message's arrival.
    """

    def __init__(
        self,
        sources: Sequence[Source],
        *,
        payload_bytes: int,
        readings_most: int,
        future_us: int = FUTURE_US,
        identified: Iterable[str] = (),
        plant_of: Callable[[int], int] = lambda wall_us: wall_us,
    ) -> None:
        self.sources = tuple(sources)
        self._payload_bytes, self._readings_most = payload_bytes, readings_most
        self._future_us, self._plant_of = future_us, plant_of
        self._identified = frozenset(identified)

    def filters(self, broker: str) -> tuple[str, ...]:
        """What is to be subscribed to at a broker, each once."""
        return tuple(
            dict.fromkeys(
                item.filter for source in self.sources if source.broker == broker for item in source.templates
            )
        )

    def find(self, broker: str, topic: str) -> tuple[Source, dict[str, str]] | None:
        """The source of a topic with its named parts, its one gateway among them; None when there is none."""
        for source in self.sources:
            if source.broker == broker:
                for template in source.templates:
                    parts = template.parts(topic)
                    if parts is not None:
                        return source, parts if source.gateway is None else {"gateway": source.gateway} | parts
        return None

    def take(self, parcel: Parcel, *, is_again: bool = False) -> Taken:
        """What a message says; `is_again`: it comes from quarantine."""
        found = self.find(parcel.broker, parcel.topic)
        if found is None:
            return Taken(None, rejected=[_rejected(parcel, "message-invalid", [_no_source(parcel)])])
        source, parts = found
        taken = Taken(source)
        try:
            self._fill(taken, source, self.read(source, parts, parcel, is_again=is_again), parcel)
        except Unproven as error:  # its number is not heard either: anybody could have sent it
            taken.rejected.append(_rejected(parcel, error.code, [str(error)]))
        except BadInput as error:
            code = getattr(error, "code", "message-invalid")
            taken.rejected.append(_rejected(parcel, code, [str(error)]))
            taken.heard += self._numbered(source, parcel, parts)
        except Exception as error:  # noqa: BLE001 - our fault; kept with its reason, or it would come again for ever
            taken.rejected.append(broken(parcel, error))
            taken.heard += self._numbered(source, parcel, parts)
        return taken

    def read(self, source: Source, parts: Mapping[str, str], parcel: Parcel, *, is_again: bool = False) -> Read:
        """What a message of this source says before the source's rules; BadInput when nothing of it can be used."""
        is_asked = parcel.broker in self._identified
        if is_asked:
            _prove_topic(source, parcel, parts)
        if len(parcel.payload) > self._payload_bytes:
            raise BadInput(
                f"message of {len(parcel.payload)} bytes: expected at most {self._payload_bytes}; "
                "send fewer readings in a message, or raise intake.payload_bytes"
            )
        at_us, is_retained = self._plant_of(parcel.received_us), parcel.delivery.is_retained
        read = source.form.read(Arrived(parcel.topic, parcel.payload, at_us, parts, is_again, is_retained))
        if is_asked:
            for gateway in [message.gateway for message in read.messages] + [one.gateway for one in read.statuses]:
                _prove(source, parcel, gateway)
        count = sum(len(message.readings) for message in read.messages)  # what waited was counted when it came
        if count > self._readings_most:  # what else it says, and what it let go, has changed the form: it must be told
            fault = f"message with {count} readings: expected at most {self._readings_most}; send fewer in a message"
            read.faults += [fault] * count
            numbered = [message for message in read.messages if message.seq is not None]
            read.messages = [msgspec.structs.replace(message, readings=[]) for message in numbered]
        return read

    def is_status(self, broker: str, topic: str) -> bool:
        """Whether a topic is one of births and wills."""
        found = self.find(broker, topic)
        return found is not None and found[0].is_status

    def due(self, now_us: int) -> Iterator[tuple[Parcel, Taken]]:
        """What has fallen due in the forms without a message, each under a parcel that stands for none."""
        for source in self.sources:
            taken, parcel = Taken(source), Parcel(source.templates[0].text, b"", now_us, broker=source.broker)
            try:
                read = source.form.due(self._plant_of(now_us))
                if read == NOTHING:
                    continue
                self._fill(taken, source, read, parcel)
            except Exception as error:  # noqa: BLE001 - our fault; the pipeline must go on, and say so
                taken.rejected.append(broken(parcel, error))
            yield parcel, taken

    def native_topic(self, gateway: str) -> str:
        """Where a native message of a gateway would come from: what is refused by itself is kept under it."""
        native = next(source for source in self.sources if source.keeps_part)
        return native.templates[0].text.replace("{gateway}", gateway)

    def changed(self) -> tuple[tuple[str, str, bytes], ...]:
        """What the forms and rules remember anew: (source, key, body), to be saved with the batch."""
        changed = []
        for source in self.sources:
            changed += [(source.name, f"form {key}", body) for key, body in source.form.changed().items()]
            if source.adjuster is not None:
                counters = source.adjuster.counters.changed()
                changed += [(source.name, f"rule {key}", body) for key, body in counters.items()]
        return tuple(changed)

    def load(self, saved: Iterable[tuple[str, str, bytes]]) -> None:
        """Take up what was saved; what belongs to a source that is no more is left out."""
        memories: dict[tuple[str, str], dict[str, bytes]] = {}
        for name, key, body in saved:
            room, _, rest = key.partition(" ")
            memories.setdefault((name, room), {})[rest] = body
        for source in self.sources:
            _load(source, memories)

    def _numbered(self, source: Source, parcel: Parcel, parts: Mapping[str, str]) -> list[GatewayMessage]:
        """A message that is refused as a whole has come all the same: it is in quarantine, not missing."""
        said = getattr(source.form, "numbered", None)
        if said is None:
            return []
        is_asked = parcel.broker in self._identified
        return [
            msgspec.structs.replace(message, gateway=source.known_as(message.gateway))
            for message in said(parcel.payload)
            if message.gateway == parts.get("gateway", message.gateway)
            and (not is_asked or _is_of(source, parcel, message.gateway))
        ]

    def _fill(self, taken: Taken, source: Source, read: Read, parcel: Parcel) -> None:
        faults = list(read.faults)
        taken.waited += self._ruled(source, read.before, faults)
        now_us, is_retained = self._plant_of(parcel.received_us), parcel.delivery.is_retained
        arrived = [Waited(message, now_us) for message in read.messages]
        taken.messages += self._ruled(source, arrived, faults, is_retained=is_retained)
        taken.waited += self._ruled(source, read.waited, faults)
        taken.heard += taken.messages + taken.waited
        for status in read.statuses:
            try:
                taken.statuses.append(msgspec.structs.replace(status, gateway=source.admitted(status.gateway)))
            except BadInput as error:
                faults.append(str(error))
        for ask in read.asks:
            with suppress(BadInput):  # a stranger, whose message is refused anyhow, is asked nothing
                source.admitted(ask.gateway)
                taken.asks.append((source.broker, ask))
        taken.rejected += read.rejected
        if faults:
            taken.rejected.append(_rejected(parcel, "reading-invalid", faults))

    def _ruled(
        self, source: Source, waited: Iterable[Waited], faults: list[str], *, is_retained: bool = False
    ) -> list[GatewayMessage]:
        """Messages under the source's rules; what these refuse is added to the faults."""
        ruled: list[GatewayMessage] = []
        for message, at_us in waited:
            if source.adjuster is None:
                ruled.append(message)
                continue
            try:
                adjusted, refused = source.adjuster.adjust(message, self.arrival(at_us, is_retained=is_retained))
            except BadInput as error:  # a stranger spoils its own message only
                faults += [str(error)] * max(1, len(message.readings))
                continue
            ruled.append(adjusted)
            faults += refused
        return ruled

    def arrival(self, at_us: int, *, is_retained: bool = False) -> Arrival:
        """How a message that came at `at_us`, in plant time, is dated."""
        return Arrival(at_us, at_us + self._future_us, is_retained)


def broken(parcel: Parcel, error: Exception) -> Rejected:
    """What goes to quarantine when the service itself is at fault."""
    reason = f"message: {type(error).__name__}: {error}; this is a fault of the service: please report it"
    return Rejected(parcel.topic, parcel.payload, parcel.received_us, "broken", reason)


def _rejected(parcel: Parcel, code: str, faults: Sequence[str]) -> Rejected:
    """The whole message, and why."""
    readings = len(faults) if code == "reading-invalid" else 0
    return Rejected(parcel.topic, parcel.payload, parcel.received_us, code, summed_up(faults), readings)


def _no_source(parcel: Parcel) -> str:
    return (
        f"topic {parcel.topic!r}: expected one of readings or of status, as settings and sources name them; "
        "the broker may still have a subscription of earlier settings: change client_id"
    )


def _prove_topic(source: Source, parcel: Parcel, parts: Mapping[str, str]) -> None:
    """What can be proven before the message is read; Unproven, so that no form remembers anything of a forged one."""
    if len(parcel.identity) != 1:
        raise Unproven(
            f"publisher: the broker names {len(parcel.identity) or 'none'}; expected exactly one, in the user property "
            "that identity_property names; let the broker set it, or the gateway send again what was kept without it"
        )
    if "gateway" in parts:
        _prove(source, parcel, parts["gateway"])
    elif not isinstance(source.form, Stateless):
        raise Unproven(
            f"topic {parcel.topic!r}: does not say the gateway before the message is read; expected a part {{gateway}} "
            "in the source's topics where identity_property is set; name it there"
        )


def _prove(source: Source, parcel: Parcel, gateway: str) -> None:
    if not _is_of(source, parcel, gateway):
        raise Unproven(
            f"gateway {gateway!r}: published by {parcel.identity[0]!r}; expected the gateway itself; find out who "
            "speaks for it, or name the publisher under the source's gateways"
        )


def _is_of(source: Source, parcel: Parcel, gateway: str) -> bool:
    """Whether the publisher is this gateway: both by their names in the plant file."""
    publisher = parcel.identity[0]
    return gateway == publisher or source.known_as(gateway) == source.known_as(publisher)


def _load(source: Source, memories: Mapping[tuple[str, str], dict[str, bytes]]) -> None:
    source.form.load(memories.get((source.name, "form"), {}))
    if source.adjuster is not None:
        source.adjuster.counters.load(memories.get((source.name, "rule"), {}))

"""One batch on its way through the stages, and what people order of the pipeline. Carries; decides nothing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from service.decode.form import Ask
from service.decode.intake import Intake
from service.model import (
    GatewayMessage,
    Numbering,
    Owed,
    Parcel,
    Purge,
    Purged,
    Rejected,
    SendAgain,
    SentAgain,
    joined_refusal,
)


@dataclass(frozen=True, slots=True)
class NewSources:
    """An order to read messages by other sources from now on.

    What differs and the file's tables are for the audit. `forgotten` are sources whose memory is not to be taken up;
    `broker_of` has the gateways that the file gives to another broker than the main one, among `brokers`.
    """

    intake: Intake
    who: str
    differences: tuple[str, ...]
    file: Mapping[str, Any]
    forgotten: tuple[str, ...]
    broker_of: Mapping[str, str]
    brokers: frozenset[str]


Order = SendAgain | Purge | NewSources


@dataclass(frozen=True, slots=True)
class Request:
    """A person's request, done by the pipeline's own thread: notifications to be queued, or an order and its answer."""

    owed: tuple[Owed, ...] = ()
    order: Order | None = None
    answer: Future[SentAgain | Purged | None] = field(default_factory=Future)  # RuntimeError when it could not be done


@dataclass(frozen=True, slots=True)
class Bounds:
    """What one batch may hold, and how long it may wait to fill."""

    batch_parcels: int
    batch_age_s: float
    future_us: int
    tick_s: float = 1.0  # the longest time between two looks at the watermark


class Origin(NamedTuple):
    """Where a message came from, and whether quarantine can keep a part of it by itself."""

    parcel: Parcel
    keeps_part: bool


@dataclass(slots=True)
class Round:
    """One batch on its way through the stages."""

    parcels: list[Parcel]
    requests: list[Request]
    messages: list[GatewayMessage] = field(default_factory=list)
    origins: list[Origin] = field(default_factory=list)  # of each message
    heard: list[GatewayMessage] = field(default_factory=list)  # all whose number can be read, refused ones too
    numbering: Numbering = field(default_factory=Numbering)
    rejected: list[Rejected] = field(default_factory=list)
    refused_of: dict[int, list[Rejected]] = field(default_factory=dict)  # by quarantine id, of what is sent again
    asks: list[tuple[str, Ask]] = field(default_factory=list)  # broker, and what the forms want published there
    tallies: Counter[str] = field(default_factory=Counter)
    is_again: bool = False  # its parcels come from quarantine and were counted before; `token` is the id there

    def reject(self, parcel: Parcel, rejected: Rejected) -> None:
        """Note a refusal; of what is sent again, by the message that it belongs to. A whole message is kept once."""
        kept = self.refused_of.setdefault(parcel.token, []) if self.is_again else self.rejected
        rejected = replace(rejected, delivery=parcel.delivery, broker=parcel.broker, identity=parcel.identity)
        if kept and parcel.payload and kept[-1].payload is parcel.payload is rejected.payload:
            kept[-1] = joined_refusal(kept[-1], rejected)
        else:
            kept.append(rejected)

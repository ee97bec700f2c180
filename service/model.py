"""The shared vocabulary of the rooms, and the glossary. Rooms exchange these types and never import one another.

collector  one dust collector, named `site/area/collector`
gateway    the device that measures a collector and publishes its readings
tag        the gateway's own name of a measured value
point      one measured quantity of one collector, in its canonical unit
binding    (gateway, tag) -> point
parcel     one message as it came from the broker
batch      the parcels that one ledger transaction carries
quarantine what could not be used, kept with the reason
outbox     notifications that are owed, until a channel has accepted them
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Annotated, Any, Literal, NamedTuple, Protocol

import msgspec
import numpy as np
import numpy.typing as npt
from msgspec import Meta


class BadInput(Exception):
    """The sender's fault. The text names what, the value, what was expected and the remedy."""


class BadConfiguration(Exception):
    """The site's fault. The text names file, key path, value, what was expected and the remedy."""


MAIN = "main"  # the broker of the settings file, among those of the sources file


class Delivery(NamedTuple):
    """What the broker says of a message it sends: whether, and as what, the service may have had it before."""

    packet: int = 0  # its packet identifier, the same each time that it is sent again (MQTT 5.0, 4.4); 0 at QoS 0
    is_again: bool = False  # it was sent before and not acknowledged (DUP, 3.3.1.1)
    is_retained: bool = False  # it was kept by the broker, and comes with every subscription (RETAIN, 3.3.1.3)


UNSAID = Delivery()


class Parcel(msgspec.Struct, frozen=True, gc=False):
    """One message from the broker. `token` is what the receiver needs to acknowledge it.

    `identity` is who published it, as the broker says it, once for each time that it says so; empty where it does not,
    or is not asked.
    """

    topic: str
    payload: bytes
    received_us: int
    token: Any = None
    delivery: Delivery = UNSAID
    broker: str = MAIN
    identity: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Rejected:
    """What goes to quarantine: the message, where in it, and why."""

    topic: str
    payload: bytes
    received_us: int
    code: str  # short and stable: "unit-unknown", "json-invalid"
    reason: str  # what, value, expected, remedy
    readings: int = 0  # how many were refused; 0 when the message could not be read that far
    delivery: Delivery = UNSAID
    broker: str = MAIN
    identity: tuple[str, ...] = ()  # who published it, as in `Parcel`


REASONS_SHOWN = 5


def summed_up(reasons: Sequence[str]) -> str:
    """The first reasons, each once, and how many readings more were refused."""
    more = f"; and {len(reasons) - REASONS_SHOWN} more readings" if len(reasons) > REASONS_SHOWN else ""
    return "; ".join(dict.fromkeys(reasons[:REASONS_SHOWN])) + more


def joined_refusal(first: Rejected, more: Rejected) -> Rejected:
    """Two refusals of one whole message as one."""
    reason = first.reason if more.reason in first.reason else f"{first.reason}; {more.reason}"
    return replace(first, reason=reason, readings=first.readings + more.readings)


SOURCES_CHANGED = "sources"  # in the audit: messages are read by another sources file from then on


@dataclass(frozen=True, slots=True)
class Reloaded:
    """What a reload of the sources file changed, and what of the file will bring nothing."""

    changes: list[str]
    doubts: list[str]


# ---------------------------------------------------------------- quarantine


@dataclass(frozen=True, slots=True)
class Chosen:
    """Which quarantined messages are meant; what is left empty does not restrict."""

    ids: tuple[int, ...] = ()
    code: str = ""
    topic: str = ""  # a topic, in which * stands for any characters
    since_us: int = 0  # received at or after it


@dataclass(frozen=True, slots=True)
class SendAgain:
    """A person's order: kept messages through the stages once more, those with an id above `after`."""

    chosen: Chosen
    who: str
    after: int = 0


@dataclass(frozen=True, slots=True)
class SentAgain:
    """What came of one transaction's share of it. Messages and readings are counted apart.

    A late reading is stored and not evaluated; the history recognises it if it has it already.
    """

    messages: int  # looked at
    through: int  # all of their readings are in the record now
    still_kept: int  # refused again, at least in part, and kept with the new reason
    cut: int  # left alone: the kept payload is shorter than the message was
    status: int  # left alone: a birth or will tells of a moment that has passed
    new: int
    duplicate: int
    late: int
    refused: int  # readings; those of a message that cannot be read are not counted
    after: int  # the last id looked at
    left: int  # messages of the order that are still to be looked at


@dataclass(frozen=True, slots=True)
class Purge:
    """An order to delete what was received before an instant."""

    before_us: int
    who: str
    why: str


@dataclass(frozen=True, slots=True)
class Purged:
    """What a purge deleted. `never_used` of the messages had not been sent again."""

    messages: int
    never_used: int
    bytes: int
    codes: dict[str, int]


@dataclass(frozen=True, slots=True)
class Kept:
    """One quarantined message as it is taken up again. `size` is of the whole payload, `weight` of the row."""

    id: int
    received_us: int
    broker: str
    topic: str
    code: str
    size: int
    payload: bytes
    weight: int
    publisher: str | None = None  # as its broker said it
    retained: int = 0  # whether the broker had kept it

    def as_parcel(self) -> Parcel:
        """The message once more; its token is the row's id."""
        identity = (self.publisher,) if self.publisher else ()
        delivery = Delivery(is_retained=bool(self.retained))
        return Parcel(self.topic, self.payload, self.received_us, self.id, delivery, self.broker, identity)


@dataclass(frozen=True, slots=True)
class Settled:
    """What became of messages that were sent again: each with its new refusals, none when it went through."""

    who: str
    rows: tuple[tuple[Kept, tuple[Rejected, ...]], ...]


# ---------------------------------------------------------------- what gateways say

Count = Annotated[int, Meta(ge=0, le=2**63 - 1)]
Text = Annotated[str, Meta(min_length=1, max_length=128)]


class GatewayReading(msgspec.Struct, frozen=True, gc=False):
    """One measured value under the gateway's own tag."""

    tag: Annotated[str, Meta(min_length=1, max_length=128, description="the gateway's own name of the value")]
    at: Annotated[
        Annotated[str, Meta(min_length=1)] | float,
        Meta(description="RFC 3339 text with offset, or Unix time in seconds as a number (fractions allowed)"),
    ]
    unit: Annotated[str, Meta(min_length=1, max_length=32, description="unit of the value, from the list in README")]
    value: Annotated[float | None, Meta(description="the number; null only with quality bad")] = None
    quality: Literal["good", "bad"] = "good"


class GatewayMessage(msgspec.Struct, frozen=True, gc=False):
    """One message of one gateway."""

    gateway: Annotated[Text, Meta(description="id of the gateway, the same as in the topic")]
    readings: Annotated[list[GatewayReading], Meta(description="in any order; each is judged at its own time")]
    boot: Annotated[Text | None, Meta(description="changes whenever the gateway restarts")] = None
    seq: Annotated[Count | None, Meta(description="one more for each message within a boot")] = None


class GatewayStatus(msgspec.Struct, frozen=True):
    """A gateway's birth and last will."""

    gateway: Text
    state: Literal["online", "offline"]
    boot: Text | None = None
    at: str | float | None = None


# ---------------------------------------------------------------- notification


@dataclass(frozen=True, slots=True)
class FoundAlarm:
    """One alarm of a summary. `ended_us` None: it was still active when the summary was written."""

    alarm_id: str
    point: str
    limit: str
    priority: str
    raised_us: int
    ended_us: int | None
    extreme: float | None
    unit: str


@dataclass(frozen=True, slots=True)
class Found:
    """Alarms of one collector that came and went in stored data, told together; `alarms` are the first few."""

    count: int
    first_us: int  # raised
    last_us: int  # the last raised
    alarms: tuple[FoundAlarm, ...]


@dataclass(frozen=True, slots=True)
class Told:
    """All that a message needs to say about one alarm. Values are in the unit that people use for the point."""

    alarm_id: str
    step: str  # raised | escalated | eased | cleared | closed | no-data | data-back | test | found-late...
    collector: str
    collector_name: str
    site_name: str
    time_zone: str
    point: str
    quantity: str
    limit: str  # low-low | low | high | high-high | no-data
    priority: str
    unit: str
    at_us: int  # raised, cleared...: event time
    recorded_us: int
    began_us: int | None = None
    threshold: float | None = None
    on_delay_us: int | None = None
    extreme: float | None = None
    extreme_at_us: int | None = None
    stopped_us: int = 0
    unknown_us: int = 0
    readings: int = 0
    from_stored_data: bool = False  # decided from readings that came long after they were measured
    note: str = ""
    found: Found | None = None  # with step found-late: the alarms that this message is about


@dataclass(frozen=True, slots=True)
class OutboxRow:
    """One notification owed to one address on one channel. `key` is stable over retries."""

    id: int
    key: str  # alarm, step, contact, channel and address
    channel: str
    contact: str
    address: str
    told: Told
    queued_us: int
    attempts: int = 0


@dataclass(frozen=True, slots=True)
class Accepted:
    """The channel has taken the message over."""

    detail: str = ""


@dataclass(frozen=True, slots=True)
class Refused:
    """The channel did not take it. `permanent` means that trying again cannot help."""

    error: str
    permanent: bool = False
    retry_after_s: float | None = None


class Channel(Protocol):
    """One way out. `send` is called from a worker thread, and must return within `timeout_s`."""

    name: str
    timeout_s: float

    def send(self, row: OutboxRow) -> Accepted | Refused: ...

    def close(self) -> None: ...


class Outbox(Protocol):
    """What the dispatcher needs of the ledger."""

    def due(self, now_us: int, limit: int) -> list[OutboxRow]: ...

    def accepted(self, row_id: int, at_us: int, detail: str) -> None: ...

    def failed(self, row_id: int, at_us: int, error: str, next_try_us: int | None) -> None:
        """`next_try_us` None gives the row up; it stays on record as undelivered."""
        ...


@dataclass(frozen=True, slots=True)
class Released:
    """What becomes of the held rows of one lane: `alone` go out as they are, `together` are told by `summary`."""

    alone: tuple[int, ...]
    together: tuple[int, ...] = ()
    summary: Owed | None = None


class Grouping(Protocol):
    """Decides when held rows go out, and how. A lane may be ripe once it was quiet, or held, for so long."""

    @property
    def quiet_us(self) -> int: ...

    @property
    def longest_us(self) -> int: ...

    def release(self, rows: Sequence[OutboxRow], now_us: int, last_summary_us: int | None) -> Released | None:
        """For all held rows of one lane, in the order of their ids; None leaves them held."""
        ...


# ---------------------------------------------------------------- what people are shown


@dataclass(frozen=True, slots=True)
class LimitView:
    limit: str
    threshold: float
    on_delay_s: float
    state: str  # normal | pending | active | held | unknown
    counted_s: float = 0.0  # evaluated seconds of the excursion so far
    began_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class PointView:
    """A point as people see it. `value` is None when it is unknown; `last_*` is then what was last measured."""

    name: str
    quantity: str
    unit: str
    value: float | None
    last_value: float | None
    last_at: datetime | None
    age_s: float | None
    health: str  # good | bad | stale | never
    limits: list[LimitView] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class CollectorView:
    id: str
    name: str
    site: str
    area: str
    kind: str
    time_zone: str
    running: str  # running | stopped | unknown | always (no running rule)
    gateway: str
    gateway_link: str  # online | offline | silent | never
    need: str  # alarm | pending | no data | quiet
    points: list[PointView] = field(default_factory=list)
    is_numbered: bool = True  # false when a gateway that brings its points leaves its messages without numbers
    gateway_missing: int = 0  # numbered messages of these gateways that never came


@dataclass(frozen=True, slots=True)
class AlarmView:
    id: str
    collector: str
    point: str
    quantity: str
    limit: str
    priority: str
    unit: str
    state: str  # active | held | cleared | closed
    began_at: datetime
    raised_at: datetime
    cleared_at: datetime | None
    recorded_at: datetime
    threshold: float | None
    extreme: float | None
    on_delay_s: float | None
    counted_s: float | None
    stopped_s: float
    unknown_s: float
    readings: int
    reason: str
    told: list[dict[str, Any]] = field(default_factory=list)  # step, contact, channel, state, at


@dataclass(frozen=True, slots=True)
class Overview:
    """The whole first page. `version` grows whenever anything in it may have changed."""

    version: int
    now: datetime
    clock: str  # "" for the real clock, or a text such as "demo clock, 240 x"
    service: str
    enterprise: str
    collectors: list[CollectorView]
    alarms: list[AlarmView]  # active and held, the outer tier first
    counts: dict[str, int]  # readings, messages, duplicates, late, quarantined, outbox, journal_lag...
    quarantine: dict[str, int] = field(default_factory=dict)  # messages kept, by code


@dataclass(frozen=True, slots=True)
class Liveness:
    """Whether the pipeline turns: it is not only there, it gets on."""

    turning: bool
    turned_s_ago: float
    at_most_s: float


@dataclass(frozen=True, slots=True)
class Health:
    """`ready` is the truth: ledger writable, broker connected, lag and outbox within bounds."""

    ready: bool
    checks: dict[str, str]  # name -> "ok" or what is wrong


class House(Protocol):
    """What the API asks of the running service. Every method may be called from any thread."""

    def overview(self) -> Overview: ...

    def wait_for_change(self, seen: int, timeout_s: float) -> int:
        """Block until the version exceeds `seen`, or the time is out; the version then."""
        ...

    def alarms(self, *, active_only: bool, limit: int) -> list[AlarmView]: ...

    def quarantine(self, chosen: Chosen, *, state: str, before: int | None, limit: int) -> list[dict[str, Any]]:
        """Quarantined messages in a state ("" for any) with an id below `before`, the newest first."""
        ...

    def quarantine_one(self, number: int) -> dict[str, Any]:
        """One message with all of the payload that was kept. KeyError, with a text, when there is none."""
        ...

    def quarantine_counts(self) -> dict[str, Any]:
        """`codes` (counts by code), `bytes` and `bytes_at_most` of all that is kept."""
        ...

    def send_again(self, order: SendAgain) -> SentAgain:
        """Kept messages through the stages once more: one transaction's share. RuntimeError when it cannot be now."""
        ...

    def purge_quarantine(self, older_than_us: int, who: str, why: str) -> Purged:
        """Delete what was received longer ago than that. RuntimeError when it cannot be done now."""
        ...

    def gaps(self, *, missing_only: bool, limit: int) -> list[dict[str, Any]]:
        """Numbered messages that never came, as ranges: gateway, boot, run, first, last, noticed_us, filled_us."""
        ...

    def numbering(self) -> list[dict[str, Any]]:
        """Of each gateway: gateway, numbering (numbered | not numbered | not heard), missing (messages)."""
        ...

    def health(self) -> Health: ...

    def liveness(self) -> Liveness:
        """Never waits, and asks no disk."""
        ...

    def send_test(self, contact: str) -> list[str]:
        """Queue a test notification; the outbox keys. KeyError when there is no such contact."""
        ...

    def rebuild_history(self) -> str: ...

    def reload_sources(self, who: str) -> Reloaded:
        """Take up the sources file anew: what changed. BadConfiguration when it is refused; then nothing has."""
        ...

    def history_counts(self) -> dict[str, Any]:
        """`applied`, and `entries` as (journal entry, readings that are not late). RuntimeError when it is not open."""
        ...

    def explain_alarm(self, alarm_id: str) -> dict[str, Any]:
        """Why an alarm was raised: `answer`, `sentences`, `facts`. KeyError, with a text, when there is none."""
        ...

    def explain_instant(self, collector: str, point: str, limit: str, at_us: int) -> dict[str, Any]:
        """Why a limit's alarm was, or was not, active at an instant.

        KeyError when there is no such limit, BadInput when the instant is still to come, RuntimeError while the
        history is not open; each with a text that says what to do.
        """
        ...


# ---------------------------------------------------------------- the record


@dataclass(frozen=True, slots=True)
class Batch:
    """Readings as columns of equal length, ready for the journal: duplicates are gone, late ones are marked.

    `value` is canonical, `original` as sent in `unit` (the ledger's number of the unit); NaN where a bad
    reading had no value.
    """

    point: npt.NDArray[np.int64]
    at_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    original: npt.NDArray[np.float64]
    unit: npt.NDArray[np.int64]
    good: npt.NDArray[np.bool_]
    late: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.point)


@dataclass(frozen=True, slots=True)
class AlarmChange:
    """One change of one alarm, of a limit or of a gateway's data, as the record keeps it."""

    alarm_id: str
    collector: str
    point: str
    tier: str
    priority: str
    change: str  # raised | cleared | closed
    at_us: int
    began_us: int
    raised_us: int
    evidence: dict[str, Any]
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Owed:
    """A notification to be put into the outbox."""

    key: str
    channel: str
    contact: str
    address: str
    told: Told
    held_in: str = ""  # the lane in which it waits to be told with others; empty: it is due at once


@dataclass(frozen=True, slots=True)
class Revision:
    """One revision of the plant: who, why, and what it says."""

    number: int
    who: str
    why: str
    digest: str
    differences: tuple[str, ...]  # lines for people
    plant: str  # canonical JSON


@dataclass(frozen=True, slots=True)
class GapChange:
    """Numbered messages of a gateway, first to last, that are now reported as missing, or that have come after all."""

    gateway: str
    boot: str  # empty when the gateway names none
    run: int  # of the gateway's numbers, see rules.sequence
    first: int
    last: int
    at_us: int
    is_filled: bool = False

    @property
    def messages(self) -> int:
        return self.last - self.first + 1


@dataclass(frozen=True, slots=True)
class Numbering:
    """What a batch changed in the gateways' numbers.

    `bodies` are (gateway, rules.sequence.Tracker as JSON). `tips` are (share, JSON of each of its gateways' last number
    and latest time of measurement in the run that was heard last): what changes with every message is small.
    """

    tips: tuple[tuple[int, str], ...] = ()
    bodies: tuple[tuple[str, str], ...] = ()
    gaps: tuple[GapChange, ...] = ()


@dataclass(frozen=True, slots=True)
class Entry:
    """All that one ledger transaction carries."""

    committed_us: int  # by the service's clock
    queued_us: int = 0  # wall clock: when its notifications are first due
    batch: Batch | None = None
    changes: tuple[AlarmChange, ...] = ()
    owed: tuple[Owed, ...] = ()
    rejected: tuple[Rejected, ...] = ()
    collector_states: tuple[tuple[str, bytes], ...] = ()
    gateway_states: tuple[tuple[str, str], ...] = ()
    tips: bytes | None = None
    new_revision: Revision | None = None
    tallies: tuple[tuple[str, int], ...] = ()
    numbering: Numbering = Numbering()
    settled: Settled | None = None  # quarantined messages whose readings these are
    source_states: tuple[tuple[str, str, bytes], ...] = ()  # source, key, what its form or rules remember

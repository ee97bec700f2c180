"""What was found, as data: of sources, gateways and tags. It finds nothing itself.

Texts in it come from outside; whoever writes them down makes them plain.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True, slots=True)
class Candidate:
    """One unit that would make a value usual: what `raw` would be in the unit that people see."""

    unit: str
    value: float
    shown_in: str


@dataclass(slots=True)
class TagFound:
    """One tag of one gateway. `unit` is the table's name of what is sent, empty when nothing known is sent.

    `questions` keep its readings out until a person has answered; `notes` do not.
    """

    gateway: str  # the id in the drafts
    tag: str  # as it arrives
    source: str = ""
    readings: int = 0
    bad: int = 0
    sent_units: tuple[str, ...] = ()
    is_unit_sometimes: bool = False  # some readings come without their unit
    is_merged: bool = False  # of several topics that the template does not keep apart
    unit: str = ""
    lowest: float | None = None
    highest: float | None = None
    working: float | None = None
    distinct: int = 0
    kind: str = ""
    quantity: str = ""
    every_us: int | None = None
    candidates: list[Candidate] = field(default_factory=list)
    bad_codes: tuple[float, ...] = ()
    maybe_bad: tuple[float, ...] = ()  # that may be such codes, for a person to judge
    is_counter: bool = False
    may_count: bool = False  # only goes up, under a name that says nothing
    raw_full: int = 0  # full scale of the converter whose raw counts it may be
    is_loop: bool = False
    questions: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    @property
    def is_open(self) -> bool:
        return bool(self.questions)


@dataclass(slots=True)
class GatewayFound:
    """One gateway. Lags and offsets are in microseconds; `lag_us` None: nothing it sends has a time."""

    id: str
    arrives_as: str
    source: str
    every_us: int | None = None
    every_from_us: int | None = None  # the middle half of its intervals
    every_to_us: int | None = None
    lag_us: int | None = None
    offset_us: int = 0  # that would make its times right, whole quarters of an hour
    by_arrival: bool = False  # it sends no times, or its clock was never set
    assumed_zone: str = ""  # in which its times are taken, where they name none
    notes: list[str] = field(default_factory=list)

    @property
    def is_clock_open(self) -> bool:
        """Whether it sends times that a person has to put right."""
        return self.lag_us is not None and (self.offset_us != 0 or self.by_arrival)


@dataclass(slots=True)
class SourceFound:
    """Topics of one form. `keys` is the table of its form in the sources file."""

    name: str
    form: str
    templates: list[str]
    keys: dict[str, Any] = field(default_factory=dict)
    values: dict[str, str] = field(default_factory=dict)
    gateway: str = ""
    own: str = ""  # sets its gateways apart from those of the same name elsewhere
    is_built_in: bool = False  # native messages on the service's own topics need no source
    messages: int = 0
    kept: int = 0
    read: int = 0  # of those kept, without a fault
    faults: list[str] = field(default_factory=list)
    gateways: dict[str, str] = field(default_factory=dict)  # as it arrives -> id
    questions: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Topics that are in no source, and why."""

    why: str
    topics: tuple[str, ...]
    count: int
    messages: int


@dataclass(slots=True)
class Findings:
    """Everything. Instants in microseconds UTC."""

    messages: int = 0
    topics: int = 0
    first_us: int = 0
    last_us: int = 0
    sources: list[SourceFound] = field(default_factory=list)
    gateways: list[GatewayFound] = field(default_factory=list)
    tags: list[TagFound] = field(default_factory=list)
    left_out: list[LeftOut] = field(default_factory=list)

    def tags_of(self, source: SourceFound) -> list[TagFound]:
        return [tag for tag in self.tags if tag.source == source.name]

    @property
    def questions(self) -> int:
        """How many tags, clocks and sources wait for a person."""
        clocks = sum(each.is_clock_open for each in self.gateways)
        return sum(tag.is_open for tag in self.tags) + clocks + sum(len(each.questions) for each in self.sources)

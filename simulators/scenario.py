"""What is played: collectors, their gateways and tags, and faults, read from a TOML file. Owns the form of that
file; must never play it.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from simulators.designs import DESIGNS, Design
from simulators.faults import Fault, fault
from simulators.gateway import INSTRUMENTS, UNITS, Tag

FOLDER = Path(__file__).with_name("scenarios")
Hours = Annotated[float, Field(ge=0, allow_inf_nan=False)]


class _Form(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class TagForm(_Form):
    """One tag that a gateway sends."""

    measures: str
    unit: str

    @model_validator(mode="after")
    def _can_be_sent(self) -> TagForm:
        instrument = INSTRUMENTS.get(self.measures)
        if instrument is None:
            raise ValueError(f"measures {self.measures!r} is unknown; expected one of {', '.join(INSTRUMENTS)}")
        units = [sent for own, sent in UNITS if own == instrument.unit]
        if self.unit not in units:
            raise ValueError(f"unit {self.unit!r} cannot be sent for {self.measures!r}; expected one of {units}")
        return self


class CollectorForm(_Form):
    """One collector and its gateway."""

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]*(/[a-z0-9][a-z0-9-]*){2}$")
    design: str
    gateway: str = Field(pattern=r"^[a-z0-9][a-z0-9-]*$")
    reports_every_s: int = Field(default=10, ge=1, le=3600)
    buffer_messages: int = Field(default=5_000, ge=1, le=20_000)
    replay_per_s: float = Field(default=10.0, gt=0, le=1_000)
    duplicates: float = Field(default=0.0, ge=0, le=1)
    tags: dict[str, TagForm] = Field(min_length=1)

    @model_validator(mode="after")
    def _design_known(self) -> CollectorForm:
        if self.design not in DESIGNS:
            raise ValueError(f"design {self.design!r} is unknown; expected one of {', '.join(DESIGNS)}")
        return self

    def built(self) -> Design:
        """The design that this collector is built to."""
        return DESIGNS[self.design]

    def sent(self) -> dict[str, Tag]:
        """The tags by the gateway's names."""
        return {name: Tag(tag.measures, tag.unit) for name, tag in self.tags.items()}


class FaultForm(_Form):
    """One fault; `for_hours` and `amount` default to the usual ones of the catalogue."""

    name: str
    collector: str
    at_hours: Hours
    for_hours: Hours | None = None
    amount: float | None = None

    @model_validator(mode="after")
    def _in_catalogue(self) -> FaultForm:
        self.built()
        return self

    def built(self) -> Fault:
        """The fault itself."""
        return fault(self.name, self.collector, self.at_hours, self.for_hours, self.amount)


class Scenario(_Form):
    """One play. `step_s` is the length of a step in plant seconds; reports come at whole steps."""

    says: str
    step_s: int = Field(default=10, ge=1, le=60)
    collector: list[CollectorForm] = Field(min_length=1)
    fault: list[FaultForm] = []

    @model_validator(mode="after")
    def _consistent(self) -> Scenario:
        ids = [each.id for each in self.collector]
        twice = [name for name, n in Counter(ids + [each.gateway for each in self.collector]).items() if n > 1]
        if twice:
            raise ValueError(f"{', '.join(twice)} used twice; expected an id and a gateway of its own for each")
        for each in self.fault:
            if each.collector not in ids:
                raise ValueError(f"fault {each.name!r}: collector {each.collector!r} is not one of {', '.join(ids)}")
        for each_collector in self.collector:
            if each_collector.reports_every_s % self.step_s:
                raise ValueError(
                    f"{each_collector.id}: reports_every_s {each_collector.reports_every_s} is not a multiple of "
                    f"step_s {self.step_s}"
                )
        return self

    def faults(self) -> list[Fault]:
        """The faults of the file."""
        return [each.built() for each in self.fault]


def load(name: str) -> Scenario:
    """Read a scenario by its name in the scenarios folder, or by a path that ends in .toml; ValueError if unusable."""
    path = Path(name) if name.endswith(".toml") else FOLDER / f"{name}.toml"
    known = ", ".join(sorted(each.stem for each in FOLDER.glob("*.toml")))
    if not path.is_file():
        raise ValueError(f"scenario {name!r}: no file {path}; expected a path ending in .toml or one of {known}")
    try:
        return Scenario.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, ValidationError) as error:
        raise ValueError(f"scenario {path}: {error}") from error

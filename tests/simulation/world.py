"""The world of one seed: the plant, what its gateways publish, and which faults the run will meet.

Owns every decision that is made before a run. Three kinds of world: in a `prompt` one nothing is stored and the
watermark follows closely; in a `stored` one gateways send bursts in order and the watermark keeps far behind; in a
`rough` one anything may come in any order. The first two have one right answer however the service is killed, which
the columnar engine and the SQL query know as well.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from functools import partial
from typing import Any

from rules.types import CollectorSpec
from service.plant.compile import Compiled, compile_plant
from service.plant.file import digest, parse
from service.plant.form import Plant
from service.units.times import duration
from tests.property import histories
from tests.property.histories import Choose, S
from tests.simulation.gateways import UNIT, Sent, published, tag_of

KINDS = ("prompt", "stored", "rough")
PROMPT_LATENESS_US = 10 * S  # more than a run lets a message wait
STORED_LATENESS_US = 2 * 86_400 * S  # more than any burst or step of the clock
WITH_HISTORY = 16  # one seed in so many has a real DuckDB
WITH_SEALS = 16  # one in so many has the ledger's check values, which take most of the time of a start
INSTANTS = 12


@dataclass(frozen=True, slots=True)
class World:
    """All that a run needs to know. `specs` are those that the service compiles."""

    seed: int
    kind: str
    plant: Plant
    compiled: Compiled
    digest: str
    messages: tuple[Sent, ...]
    tips_every: int  # entries between two writings of the last readings
    has_history: bool
    has_seals: bool
    has_steps: bool  # of the service's clock

    @property
    def is_orderly(self) -> bool:
        """Whether the right answer does not depend on when messages are taken."""
        return self.kind != "rough"

    @property
    def specs(self) -> tuple[CollectorSpec, ...]:
        return self.compiled.specs


def world(seed: int) -> World:
    """The world of a seed; always the same."""
    draw = random.Random(f"world {seed}")
    choose = draw.choice
    kind = choose(KINDS)
    names = [f"quay/hall/c-{n}" for n in range(choose((2, 2, 3, 4)))]
    gateways = _gateways(choose, names)
    plant = parse(_plant(choose, kind, names, gateways), "simulation")
    compiled = compile_plant(plant, 1)
    return World(
        seed=seed,
        kind=kind,
        plant=plant,
        compiled=compiled,
        digest=digest(plant),
        messages=tuple(published(choose, kind, compiled.specs, gateways, INSTANTS)),
        tips_every=choose((1, 2, 3, 5, 64)),
        has_history=seed % WITH_HISTORY == 0,
        has_seals=seed % WITH_SEALS == 1,
        has_steps=kind != "prompt" and choose((True, False)),
    )


def _gateways(choose: Choose, names: list[str]) -> dict[str, list[str]]:
    """Which collectors each gateway serves: mostly one."""
    served: dict[str, list[str]] = {}
    for n, name in enumerate(names):
        served.setdefault("gw-0" if choose((False, False, True)) else f"gw-{n}", []).append(name)
    return served


def _plant(choose: Choose, kind: str, names: list[str], gateways: dict[str, list[str]]) -> dict[str, Any]:
    of = {name: gateway for gateway, served in gateways.items() for name in served}
    lateness_us = {"prompt": PROMPT_LATENESS_US, "stored": STORED_LATENESS_US, "rough": choose((S, 5 * S, 30 * S))}
    return {
        "enterprise": {"id": "alder-pike", "name": "Alder & Pike Works"},
        "site": [{"id": "quay", "name": "Quay Street works", "time_zone": "Europe/Dublin"}],
        "area": [{"id": "quay/hall", "name": "Hall"}],
        "collector": [_collector(histories.spec(choose, name), of[name]) for name in names],
        "gateway": [
            {
                "id": name,
                "reports_every": "PT1S",
                "silent_after": choose(("PT20S", "PT1M", "P1D")),
                "will_after": "PT10S",
                "lateness": duration(lateness_us[kind]),
            }
            for name in gateways
        ],
        "contact": [
            {"id": "lead", "name": "Lead", "via": [{"channel": "pager"}, {"channel": "mail", "to": "a@x.example"}]},
            {"id": "far", "name": "Far", "via": [{"channel": "mail", "to": "b@x.example"}], "limits": ["high-high"]},
        ],
    }


def _collector(spec: CollectorSpec, gateway: str) -> dict[str, Any]:
    """A collector that the service compiles to this specification, or as near as a plant file comes to it."""
    made: dict[str, Any] = {"id": spec.name, "name": spec.name, "kind": "baghouse", "gateway": gateway}
    made["point"] = [
        {
            "name": point.name,
            "tag": tag_of(spec.name, point.name),
            "quantity": "differential pressure",
            "unit": UNIT,
            "hold": duration(point.hold_us),
            "while": "always" if point.always else "running",
        }
        | {
            limit.tier.value: {
                "at": limit.threshold,
                "deadband": abs(limit.threshold - limit.back),
                "on_delay": duration(limit.on_delay_us),
                "off_delay": duration(limit.off_delay_us),
            }
            for limit in point.limits
        }
        for point in spec.points
    ]
    rule = spec.running
    if rule is not None:
        made["running"] = {
            "point": rule.point,
            "on": rule.on,
            "off": min(rule.off, rule.on - 0.5),
            "unit": UNIT,
            "settle": duration(rule.settle_us),
            "forget_after": duration(rule.forget_after_us),
        }
    return made


def chooser(seed: int, what: str) -> Choose:
    """Decisions of a run about one thing; apart from the others, so that one more of it moves nothing else."""
    return partial(random.Random(f"{what} {seed}").choice)

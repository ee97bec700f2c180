"""An evaluator with its ledger's part played by plain variables: what a restart would find, no more."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rules.microbatch import Columns
from rules.silence import GatewaySpec
from rules.types import CollectorSpec
from service.evaluate.evaluator import Evaluator, Judged, Listening, Watched
from service.store import journal
from tests.property.histories import Item, S


def heard(since_us: int) -> Listening:
    """The broker has been heard since then without a gap, and for long: no lateness is left to wait for."""
    return Listening(min(since_us, -(10**15)), since_us)


def watched(spec: CollectorSpec, *, silent_after_s: int = 60, first_number: int = 100) -> Watched:
    """One collector on one gateway. The ledger's numbers run against the board's order, so a mix-up shows."""
    count = len(spec.points)
    return Watched(
        specs=(spec,),
        point_numbers=np.arange(first_number + count, first_number, -1, dtype=np.int64),
        registered_us=np.zeros(count, np.int64),
        gateways=(GatewaySpec("gw", silent_after_s * S, S),),
        gateway_points={"gw": [(spec.name, point.name) for point in spec.points]},
        lateness_us={spec.name: 0},
    )


@dataclass
class Saved:
    """What is on disk: states, the gateways', the last readings and the journal after them."""

    states: dict[str, bytes] = field(default_factory=dict)
    gateways: dict[str, str] = field(default_factory=dict)
    tips: bytes | None = None
    later: list[bytes] = field(default_factory=list)

    def keep(self, evaluator: Evaluator, judged: Judged, *, tips: bool) -> None:
        """What one ledger transaction writes."""
        if judged.batch is not None:
            self.later.append(journal.encode(judged.batch))
        self.states |= dict(evaluator.saved_states(judged.collectors))
        self.gateways |= dict(evaluator.saved_gateways(judged.gateways))
        if tips:
            self.tips, self.later = evaluator.saved_tips(), []

    def restart(self, of: Watched) -> Evaluator:
        evaluator = Evaluator(of)
        evaluator.load(list(self.states.items()), self.gateways, self.tips, self.later)
        return evaluator


def take(evaluator: Evaluator, items: list[Item], now_us: int) -> Judged:
    """Judge a batch of readings of the evaluator's only collector; a bad reading has no value, as from a gateway."""
    name = evaluator.watched.specs[0].name
    value = np.array([item.reading.value if item.reading.good else np.nan for item in items], float)
    rows = Columns(
        np.array([evaluator.board.index[name, item.point] for item in items], np.int64),
        np.array([item.reading.at_us for item in items], np.int64),
        value,
        np.array([item.reading.good for item in items], bool),
    )
    return evaluator.take(rows, value.copy(), np.ones(len(items), np.int64), now_us)

"""Puts the pipeline together for a plant and settings: for the daemon, and for a replay. Decides nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from service.batch import Bounds, Request
from service.clock import Clock
from service.decode.intake import Intake
from service.evaluate.evaluator import Listening
from service.model import Parcel
from service.normalise.bind import Binder, Binding
from service.normalise.columns import Normaliser
from service.pipeline import Pipeline
from service.receive.inbox import Inbox
from service.registering import Registered
from service.store.ledger import Ledger
from service.units.convert import lookup


def pipeline_of(
    registered: Registered,
    *,
    bounds: Bounds,
    inbox: Inbox[Parcel | Request],
    ledger: Ledger,
    clock: Clock,
    intake: Intake,
    acknowledge: Callable[[Sequence[Parcel]], None],
    ask: Callable[[str, str, bytes], None],
    listening: Callable[[], Listening | None],
    committed: Callable[[int], None],
    broker_of: Mapping[str, str],
) -> Pipeline:
    """The pipeline of a plant in force; the rest is as `Pipeline` takes it."""
    index = registered.evaluator.board.index
    bindings = [Binding(p.gateway, p.tag, index[p.collector, p.point], p.quantity) for p in registered.compiled.points]
    return Pipeline(
        inbox=inbox,
        normaliser=Normaliser(Binder(bindings, lookup, registered.unit_numbers)),
        evaluator=registered.evaluator,
        announcer=registered.announcer,
        ledger=ledger,
        clock=clock,
        bounds=bounds,
        intake=intake,
        acknowledge=acknowledge,
        ask=ask,
        listening=listening,
        committed=committed,
        broker_of=broker_of,
    )

"""Going over to other sources: all of it or nothing, whatever the old ones remembered, and never against the answer."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from service import house as house_module
from service.batch import NewSources, Request
from service.decode.intake import Intake
from service.house import HouseView
from service.model import Parcel
from service.settings import Settings
from service.sources.file import as_table, left_behind
from service.sources.form import Sources
from service.sourcing import brokers_of, intake_of
from tests.service.test_pipeline import START_S, S, Stage


def file(form: str, topics: str = "works/{gateway}/{tag}", **more: Any) -> Sources:
    source = {"name": "line", "form": form, "topics": [topics], "tags": {"n": {"tag": "dp", "unit": "Pa"}}}
    return Sources.model_validate({"source": [source | more]})


def order(new: Sources, before: Sources | None = None) -> NewSources:
    forgotten = tuple(left_behind(before, new)) if before else ()
    intake = intake_of(Settings(), new)
    brokers = frozenset({"main"} | {broker.name for broker in new.broker})
    return NewSources(intake, "ann", ("a change",), as_table(new), forgotten, brokers_of(new), brokers)


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    made = Stage(tmp_path)
    yield made
    made.ledger.close()


def value(topic: str, payload: bytes = b"5", at_s: int = 0) -> Parcel:
    return Parcel(topic, payload, (START_S + at_s) * S, token=object())


def taken(stage: Stage) -> int:
    return stage.tallies().get("readings", 0)


COUNTING = {"n": {"tag": "dp", "unit": "Pa", "counter": {}}}


def test_a_source_that_has_another_form_begins_anew_and_its_old_memory_is_gone(stage: Stage) -> None:
    """A node's names under a source that is plain now would end every start from then on."""
    old, new = file("sparkplug", "spBv1.0/a/{kind}/{node}"), file("plain")
    stage.ledger._connection.execute("INSERT INTO source_state VALUES ('line', 'form works/n1', x'7b7d')")
    one = Request(order=order(new, old))
    assert stage.pipeline.round([one])
    assert one.answer.result(0) is None
    assert stage.ask("SELECT count(*) FROM source_state") == [(0,)]
    assert stage.pipeline.round([value("works/gw-0/n")])
    assert taken(stage) == 1


def test_memory_that_cannot_be_read_keeps_no_sources_from_being_taken_up(stage: Stage) -> None:
    stage.ledger._connection.execute("INSERT INTO source_state VALUES ('line', 'form works/n1', x'7b7d')")
    stage.ledger._connection.execute("INSERT INTO source_state VALUES ('line', 'rule gw-0/n', x'7b')")
    one = Request(order=order(file("plain", tags=COUNTING)))
    assert stage.pipeline.round([one])
    assert one.answer.result(0) is None


def test_counters_go_on_over_a_change_of_other_things(stage: Stage) -> None:
    first, second = file("plain", tags=COUNTING), file("plain", "shop/{gateway}/{tag}", tags=COUNTING)
    stage.pipeline.round([Request(order=order(first))])
    stage.pipeline.round([value("works/gw-0/n", b"100")])
    stage.pipeline.round([Request(order=order(second, first))])
    stage.pipeline.round([value("shop/gw-0/n", b"7", 1)])
    assert stage.registered.evaluator.board.tips.value.max() == 107.0


def test_a_fault_of_ours_leaves_the_old_sources_in_force_and_the_pipeline_alive(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    stage.pipeline.round([Request(order=order(file("plain")))])

    def load(*_: Any) -> None:
        raise KeyError("something")

    monkeypatch.setattr(Intake, "load", load)
    one = Request(order=order(file("plain", "shop/{gateway}/{tag}")))
    assert stage.pipeline.round([one])
    with pytest.raises(RuntimeError, match="nothing was done; a fault of the service"):
        one.answer.result(0)
    stage.pipeline.round([value("works/gw-0/n"), value("shop/gw-0/n")])
    assert (taken(stage), len(stage.quarantine())) == (1, 1)


def test_an_order_that_nobody_waits_for_any_more_is_not_carried_out(stage: Stage) -> None:
    one = Request(order=order(file("plain")))
    assert one.answer.cancel()
    assert stage.pipeline.round([one])
    stage.pipeline.round([value("works/gw-0/n")])
    assert (taken(stage), stage.ask("SELECT count(*) FROM audit")) == (0, [(0,)])


def house(inbox: Any) -> Any:
    return SimpleNamespace(_inbox=inbox)


def test_a_person_who_is_told_that_nothing_was_done_can_rely_on_it(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(house_module, "ANSWER_S", 0.02)
    with pytest.raises(RuntimeError, match="nothing was done"):
        HouseView.order(house(stage.inbox), order(file("plain")))  # nobody empties the inbox
    stage.pipeline.round(stage.inbox.take(10, most_bytes=10**9, age_s=0, wait_s=0))
    assert stage.ask("SELECT count(*) FROM audit") == [(0,)]


def test_an_order_that_has_been_begun_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(house_module, "ANSWER_S", 2.0)
    begun = threading.Event()

    class Inbox:
        def put(self, request: Request, _wait_s: float) -> bool:
            assert request.answer.set_running_or_notify_cancel()
            begun.set()
            threading.Timer(2.5, request.answer.set_result, [None]).start()
            return True

    assert HouseView.order(house(Inbox()), order(file("plain"))) is None
    assert begun.is_set()


def test_gateways_that_another_broker_brings_are_known_at_once(stage: Stage) -> None:
    """Or they would be called silent while that broker is not heard."""
    stage.pipeline.broker_of = {"gw-1": "shed", "gw-9": "gone"}
    new = Sources.model_validate(
        {
            "broker": [{"name": "annex", "host": "h"}, {"name": "shed", "host": "h"}],
            "source": [
                {"name": "a", "broker": "annex", "form": "plain", "topics": ["a/{x}/{tag}"], "gateway": "gw-0"},
                {"name": "b", "broker": "shed", "form": "plain", "topics": ["b/{gateway}/{tag}"]},
            ],
        }
    )
    stage.pipeline.round([Request(order=order(new))])
    assert stage.pipeline.broker_of == {"gw-0": "annex", "gw-1": "shed"}


def test_what_changed_is_on_record(stage: Stage) -> None:
    stage.pipeline.round([Request(order=order(file("plain")))])
    ((who, what, detail),) = stage.ask("SELECT who, what, detail FROM audit")
    assert (who, what, json.loads(detail)["changes"]) == ("ann", "sources", ["a change"])
    assert Sources.model_validate(json.loads(detail)["file"]) == file("plain")

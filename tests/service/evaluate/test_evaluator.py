"""The evaluator: what goes to the journal, when time passes, who counts as silent, and a gateway's births and wills."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from rules.silence import Silence
from rules.types import CollectorSpec, Limit, PointSpec, Reading, Tier
from service.evaluate.evaluator import Evaluator, Listening
from service.model import GatewayStatus
from tests.property.histories import Item, S
from tests.service.evaluate.made import heard, take, watched

HIGH = Limit(Tier.HIGH, 6.0, 5.8, 10 * S)
SPEC = CollectorSpec("c", (PointSpec("dp", 60 * S, (HIGH,)), PointSpec("amps", 60 * S)))
NOW_US = 1_000 * S


def items(*rows: tuple[str, int, float]) -> list[Item]:
    return [Item(point, Reading(at_s * S, value)) for point, at_s, value in rows]


def test_the_journal_gets_every_reading_once_with_late_ones_marked_and_the_ledgers_numbers() -> None:
    evaluator = Evaluator(watched(SPEC))
    take(evaluator, items(("dp", 10, 1.0)), NOW_US)
    judged = take(evaluator, items(("dp", 12, 2.0), ("dp", 10, 1.0), ("amps", 5, 7.0), ("dp", 9, 3.0)), NOW_US)
    assert judged.batch is not None
    rows = zip(judged.batch.point, judged.batch.at_us // S, judged.batch.value, judged.batch.late, strict=True)
    assert sorted((int(p), int(at), float(v), bool(late)) for p, at, v, late in rows) == [
        (101, 5, 7.0, False),
        (102, 9, 3.0, True),
        (102, 12, 2.0, False),
    ]
    assert (judged.duplicates, judged.late) == (1, 1)


def test_a_batch_of_duplicates_has_nothing_for_the_journal() -> None:
    evaluator = Evaluator(watched(SPEC))
    take(evaluator, items(("dp", 10, 1.0)), NOW_US)
    again = take(evaluator, items(("dp", 10, 1.0)), NOW_US)
    assert (again.batch, again.duplicates, again.collectors) == (None, 1, set())


def test_only_collectors_whose_state_changed_are_saved() -> None:
    evaluator = Evaluator(watched(SPEC))
    assert take(evaluator, items(("dp", 10, 1.0)), NOW_US).collectors == set()
    assert take(evaluator, items(("dp", 11, 6.5)), NOW_US).collectors == {"c"}
    ((name, body),) = evaluator.saved_states({"c"})
    assert name == "c"
    assert b'"high"' in body


def test_time_does_not_pass_over_a_point_whose_data_are_coming_in() -> None:
    of = watched(SPEC)
    of = type(of)(of.specs, of.point_numbers, of.registered_us, of.gateways, of.gateway_points, {"c": 5 * S})
    evaluator = Evaluator(of)
    take(evaluator, items(("dp", 100, 6.5)), NOW_US)
    assert evaluator.pass_time(NOW_US + 5 * S - 1, heard(0)).events == []
    passed = evaluator.pass_time(NOW_US + 5 * S, heard(0))
    assert [(event.change.value, event.at_us) for event in passed.events] == [("raised", 110 * S)]
    assert passed.collectors == {"c"}


def test_the_watermark_is_the_clock_less_the_lateness() -> None:
    of = watched(SPEC)
    evaluator = Evaluator(
        type(of)(of.specs, of.point_numbers, of.registered_us, of.gateways, of.gateway_points, {"c": 5 * S})
    )
    take(evaluator, items(("dp", 100, 6.5)), 0)
    assert evaluator.pass_time(115 * S, heard(0)).events == []
    assert len(evaluator.pass_time(115 * S + 1, heard(0)).events) == 1


def test_no_time_passes_while_the_broker_is_not_heard_nor_within_the_lateness_after_that() -> None:
    of = watched(SPEC)
    evaluator = Evaluator(replace(of, lateness_us={"c": 5 * S}))
    take(evaluator, items(("dp", 100, 6.5)), 100 * S)
    assert evaluator.pass_time(140 * S, None).events == []
    assert evaluator.pass_time(140 * S, Listening(136 * S, 0)).events == []
    assert len(evaluator.pass_time(141 * S, Listening(136 * S, 0)).events) == 1


def test_while_the_broker_of_a_gateway_is_lost_no_time_passes_for_it_and_it_is_not_silent() -> None:
    evaluator = Evaluator(watched(SPEC))
    take(evaluator, items(("dp", 100, 6.5)), 100 * S)
    elsewhere, lost = (replace(heard(0), lost=frozenset({name})) for name in ("gw-other", "gw"))
    judged = evaluator.pass_time(10_000 * S, lost)
    assert (judged.events, judged.silences) == ([], [])
    judged = evaluator.pass_time(10_000 * S, elsewhere)
    assert (len(judged.events), len(judged.silences)) == (1, 1)


def test_a_gateway_through_another_broker_has_the_time_of_that_one() -> None:
    of = watched(SPEC)
    evaluator = Evaluator(replace(of, lateness_us={"c": 5 * S}))
    take(evaluator, items(("dp", 100, 6.5)), 100 * S)

    def passed(main: tuple[int, int], annex: tuple[int, int], *, through_annex: bool) -> tuple[int, int]:
        through = {"gw" if through_annex else "gw-other": annex}
        judged = evaluator.pass_time(240 * S, Listening(*main, through=through))
        return len(judged.events), len(judged.silences)

    long, anew = (0, 0), (236 * S, 230 * S)
    assert passed(long, anew, through_annex=True) == (0, 0), "its own broker has only just come back"
    assert passed(anew, long, through_annex=False) == (0, 0)
    assert passed(long, anew, through_annex=False) == (1, 1), "another's has: that is nothing to it"


def test_of_each_gateway_it_is_known_since_when_it_is_heard() -> None:
    listening = Listening(7, 5, frozenset({"lost"}), {"annex": (9, 3)})
    assert [listening.connected_of(name) for name in ("gw", "annex", "lost")] == [7, 9, None]
    assert [listening.since_of(name) for name in ("gw", "annex", "lost")] == [5, 3, None]


def test_a_will_that_comes_again_is_the_same_and_one_after_newer_data_is_another() -> None:
    evaluator = Evaluator(watched(SPEC))
    will = GatewayStatus("gw", "offline")
    assert evaluator.note_status(will, 10 * S)
    assert not evaluator.note_status(will, 20 * S)
    take(evaluator, items(("dp", 30, 1.0)), NOW_US)
    assert evaluator.note_status(will, 40 * S)
    assert evaluator.gateways["gw"].offline_us == 40 * S


def test_a_service_that_does_not_listen_calls_nobody_silent() -> None:
    evaluator = Evaluator(watched(SPEC))
    assert evaluator.pass_time(10_000 * S, None).silences == []
    assert evaluator.pass_time(10_000 * S, heard(9_950 * S)).silences == []
    judged = evaluator.pass_time(10_011 * S, heard(9_950 * S))
    assert [(event.gateway, event.at_us) for event in judged.silences] == [("gw", 10_010 * S)]
    assert judged.gateways == {"gw"}
    assert evaluator.pass_time(20_000 * S, heard(9_950 * S)).silences == []  # told once


def test_silence_ends_when_every_point_has_good_data_again() -> None:
    evaluator = Evaluator(watched(SPEC))
    assert len(evaluator.pass_time(100 * S, heard(0)).silences) == 1
    take(evaluator, items(("dp", 101, 1.0)), NOW_US)
    take(evaluator, [Item("amps", Reading(101 * S, 1.0, good=False))], NOW_US)
    assert evaluator.pass_time(102 * S, heard(0)).silences == []
    take(evaluator, items(("amps", 103, 1.0)), NOW_US)
    assert [event.change.value for event in evaluator.pass_time(104 * S, heard(0)).silences] == ["cleared"]


@pytest.mark.parametrize(
    ("states", "changed", "offline_us"),
    [
        (["online"], [False], None),
        (["offline"], [True], 1),
        (["offline", "offline"], [True, False], 1),  # the first one counts
        (["offline", "online"], [True, True], None),
        (["offline", "online", "offline"], [True, True, True], 3),
    ],
)
def test_a_gateways_births_and_wills(states: list[str], changed: list[bool], offline_us: int | None) -> None:
    evaluator = Evaluator(watched(SPEC))
    found = [
        evaluator.note_status(GatewayStatus("gw", state), at_us)  # type: ignore[arg-type]  # drawn from the table above
        for at_us, state in enumerate(states, 1)
    ]
    assert found == changed
    assert evaluator.gateways["gw"] == Silence(offline_us)


def test_the_status_of_a_gateway_that_is_not_registered_is_passed_over() -> None:
    evaluator = Evaluator(watched(SPEC))
    assert evaluator.note_status(GatewayStatus("other", "offline"), 5) is False
    assert set(evaluator.gateways) == {"gw"}


def test_a_lost_gateway_is_silent_after_its_own_delay_and_heard_again_after_birth_and_data() -> None:
    evaluator = Evaluator(watched(SPEC))
    take(evaluator, items(("dp", 10, 1.0), ("amps", 10, 1.0)), NOW_US)
    evaluator.note_status(GatewayStatus("gw", "offline"), 11 * S)
    assert evaluator.pass_time(12 * S, heard(0)).silences == []
    raised = evaluator.pass_time(12 * S + 1, heard(0)).silences
    assert [(event.change.value, event.at_us) for event in raised] == [("raised", 12 * S)]
    evaluator.note_status(GatewayStatus("gw", "online"), 13 * S)
    assert evaluator.pass_time(14 * S, heard(0)).silences == []
    take(evaluator, items(("dp", 14, 1.0), ("amps", 14, 1.0)), NOW_US)
    assert [event.change.value for event in evaluator.pass_time(15 * S, heard(0)).silences] == ["cleared"]


def test_saved_gateways_come_back_and_those_that_are_gone_are_passed_over() -> None:
    evaluator = Evaluator(watched(SPEC))
    evaluator.pass_time(100 * S, heard(0))
    saved = dict(evaluator.saved_gateways({"gw"})) | {"gone": "{}"}
    after = Evaluator(watched(SPEC))
    after.load([("gone", b"{}")], saved, None)
    assert after.gateways == evaluator.gateways
    assert after.gateways["gw"].is_active


def test_under_a_new_revision_last_readings_move_to_their_new_places() -> None:
    old = Evaluator(watched(SPEC))
    take(old, items(("dp", 10, 6.5), ("amps", 11, 2.0)), NOW_US)
    spec = CollectorSpec("c", (PointSpec("amps", 60 * S), PointSpec("fan", 60 * S), PointSpec("dp", 60 * S, (HIGH,))))
    of = watched(spec)
    after, events, silences = old.succeed(
        type(of)(
            of.specs,
            np.array([101, 7, 102], np.int64),
            of.registered_us,
            of.gateways,
            of.gateway_points,
            of.lateness_us,
        ),
        20 * S,
    )
    assert (events, silences) == ([], [])
    assert after.last_good_us[[0, 2]].tolist() == [11 * S, 10 * S]
    judged = take(after, items(("dp", 21, 6.5)), NOW_US)
    assert [(event.change.value, event.at_us) for event in judged.events] == [("raised", 20 * S)]


def test_a_gateway_that_is_taken_out_closes_its_silence() -> None:
    old = Evaluator(watched(SPEC))
    old.pass_time(100 * S, heard(0))
    of = watched(SPEC)
    after, _, silences = old.succeed(
        type(of)(of.specs, of.point_numbers, of.registered_us, (), {}, of.lateness_us), 200 * S
    )
    assert [(event.change.value, event.at_us) for event in silences] == [("closed", 200 * S)]
    assert after.gateways == {}

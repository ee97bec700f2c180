"""Taking a plant file into force: the first, the same again, and one that says something else."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rules.microbatch import Columns
from service.evaluate.evaluator import Listening
from service.model import Entry
from service.plant.file import parse
from service.registering import Registered, note_sources, take_up
from service.sources.form import Sources
from service.store.ledger import Ledger
from service.units.convert import lookup, to_canonical
from tests.parts import POINTS, plant_text

S = 1_000_000
START_US = 1_795_593_600 * S
TOLD = '[[contact]]\nid = "lead"\nname = "Lead"\nvia = [{ channel = "log" }]\n'
PLANT = plant_text(2, contacts=TOLD)
C0, C1 = "quay/hall/c-0", "quay/hall/c-1"


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    opened = Ledger(tmp_path / "ledger.sqlite")
    yield opened
    opened.close()


def up(ledger: Ledger, text: str, at_s: int = 0) -> Registered:
    plant = parse(tomllib.loads(text), "test")
    now_us = START_US + at_s * S
    return take_up(ledger, plant, plant_us=now_us, wall_us=now_us, who="plant file", why="test")


def ask(ledger: Ledger, question: str) -> list[tuple[Any, ...]]:
    with contextlib.closing(sqlite3.connect(ledger.path)) as connection:
        return connection.execute(question).fetchall()


def feed(ledger: Ledger, registered: Registered, rows: list[tuple[str, str, int, float, str, str]]) -> None:
    """Judge and commit (collector, point, at_s, value, unit, quantity) rows as the pipeline does; no time passes."""
    evaluator = registered.evaluator
    columns = Columns(
        np.array([evaluator.board.index[collector, point] for collector, point, *_ in rows], np.int64),
        np.array([START_US + at_s * S for _, _, at_s, *_ in rows], np.int64),
        np.array([to_canonical(lookup(unit, quantity), value) for *_, value, unit, quantity in rows], float),
        np.ones(len(rows), bool),
    )
    number = np.full(len(rows), registered.unit_numbers["Pa"], np.int64)
    judged = evaluator.take(columns, columns.value, number, START_US)
    changes, owed = registered.announcer.announce(judged, START_US)
    ledger.commit(
        Entry(
            committed_us=START_US,
            batch=judged.batch,
            changes=changes,
            owed=owed,
            collector_states=evaluator.saved_states(judged.collectors),
        )
    )


def beyond(collector: str, first_s: int, last_s: int, dp: float = 5.5) -> list[tuple[str, str, int, float, str, str]]:
    """The collector runs, and its pressure is beyond `high` (5.0 inH2O for 20 s), each second."""
    return [
        row
        for at_s in range(first_s, last_s + 1)
        for row in (
            (collector, "airflow", at_s, 8000.0, "cfm", "airflow"),
            (collector, "dp", at_s, dp, "inH2O", "differential pressure"),
        )
    ]


ALARMS = (
    "SELECT collector, tier, state, reason, (cleared_us - 1795593600000000) / 1000000 "
    "FROM alarm ORDER BY collector, tier"
)


def with_alarms(ledger: Ledger) -> Registered:
    """Both collectors have an active alarm on `high`."""
    registered = up(ledger, PLANT)
    feed(ledger, registered, beyond(C0, 1, 40) + beyond(C1, 1, 40))
    assert ask(ledger, ALARMS) == [(C0, "high", "active", "", None), (C1, "high", "active", "", None)]
    return registered


def test_the_first_plant_file_is_revision_1(ledger: Ledger) -> None:
    registered = up(ledger, PLANT)
    assert registered.compiled.revision == 1
    ((number, who, why, differences),) = ask(ledger, "SELECT number, who, why, differences FROM revision")
    assert (number, who, why, json.loads(differences)) == (1, "plant file", "test", ["first plant file"])
    assert ask(ledger, "SELECT count(*), min(registered_us) FROM point") == [(12, START_US)]
    assert sorted(registered.evaluator.gateways) == ["gw-0", "gw-1"]


@pytest.mark.parametrize(
    "text",
    [
        PLANT,
        "# a comment more\n" + PLANT,
        PLANT.replace("at = 75,", "at = 75.0,"),
        plant_text(2, points=POINTS[::-1], contacts=TOLD),
    ],
    ids=["the same", "a comment", "a number written otherwise", "another order"],
)
def test_a_file_that_says_the_same_is_no_new_revision_and_goes_on(ledger: Ledger, text: str) -> None:
    with_alarms(ledger)
    before = ask(ledger, "SELECT max(seq) FROM journal")
    again = up(ledger, text, at_s=50)
    assert again.compiled.revision == 1
    assert ask(ledger, "SELECT count(*) FROM revision") == [(1,)]
    assert ask(ledger, "SELECT max(seq) FROM journal") == before
    assert [state for _, _, state, _, _ in ask(ledger, ALARMS)] == ["active", "active"]
    feed(ledger, again, beyond(C0, 41, 45, dp=3.0))
    assert ask(ledger, ALARMS)[0] == (C0, "high", "cleared", "", 41)


def test_a_changed_limit_is_a_new_revision_and_closes_its_own_alarm_alone(ledger: Ledger) -> None:
    with_alarms(ledger)
    first = PLANT.index("high = { at = 5.0")
    changed = PLANT[:first] + PLANT[first:].replace("at = 5.0", "at = 5.2", 1)  # of c-0 alone
    registered = up(ledger, changed, at_s=41)
    assert registered.compiled.revision == 2
    differences = json.loads(ask(ledger, "SELECT differences FROM revision WHERE number = 2")[0][0])
    assert differences == ["quay/hall/c-0 dp high at: 5.0 -> 5.2"]
    assert ask(ledger, ALARMS) == [(C0, "high", "closed", "limit changed", 41), (C1, "high", "active", "", None)]
    # it is told once, and judged anew from the change: 20 s from 41 on
    assert ask(ledger, "SELECT step, count(*) FROM outbox GROUP BY step ORDER BY step") == [
        ("closed", 1),
        ("raised", 2),
    ]
    feed(ledger, registered, beyond(C0, 42, 70) + beyond(C1, 42, 45))
    raised = ask(
        ledger, "SELECT (raised_us - 1795593600000000) / 1000000 FROM alarm WHERE state = 'active' ORDER BY collector"
    )
    assert raised == [(61,), (26,)]
    evidence = json.loads(
        ask(ledger, f"SELECT evidence FROM alarm WHERE collector = '{C0}' AND state = 'active'")[0][0]
    )
    assert evidence["revision"] == 2


def test_what_is_taken_up_survives_the_next_start(ledger: Ledger) -> None:
    with_alarms(ledger)
    changed = PLANT.replace("at = 5.0", "at = 5.2")
    up(ledger, changed, at_s=41)
    again = up(ledger, changed, at_s=60)
    assert again.compiled.revision == 2
    state = again.evaluator.board.state(C0).points["dp"]
    assert (state.last_us, state.tracks[0].began_us) == (START_US + 40 * S, START_US + 41 * S)
    assert again.evaluator.last_good_us[again.evaluator.board.index[C0, "dp"]] == START_US + 40 * S


def test_a_collector_that_is_taken_out_closes_its_alarms_and_can_come_back(ledger: Ledger) -> None:
    with_alarms(ledger)
    registered = up(ledger, plant_text(1, contacts=TOLD), at_s=41)
    assert set(registered.evaluator.board.specs) == {C0}
    assert ask(ledger, ALARMS) == [(C0, "high", "active", "", None), (C1, "high", "closed", "limit changed", 41)]
    assert ask(ledger, "SELECT collector FROM collector_state") == [(C0,)]
    differences = json.loads(ask(ledger, "SELECT differences FROM revision WHERE number = 2")[0][0])
    assert f"{C1}: removed" in differences
    back = up(ledger, PLANT, at_s=100)
    assert back.compiled.revision == 3
    assert not back.evaluator.board.state(C1).points["dp"].is_open
    assert ask(ledger, "SELECT count(*) FROM point") == [(12,)]  # the same numbers as before
    feed(ledger, back, beyond(C1, 101, 140))
    assert [row[2] for row in ask(ledger, ALARMS) if row[0] == C1] == ["closed", "active"]


def test_a_gateway_that_is_taken_out_closes_its_no_data_alarm(ledger: Ledger) -> None:
    registered = up(ledger, PLANT)
    judged = registered.evaluator.pass_time(START_US + 8 * 86_400 * S, Listening(START_US, START_US))
    assert {event.gateway for event in judged.silences} == {"gw-0", "gw-1"}
    changes, owed = registered.announcer.announce(judged, START_US)
    ledger.commit(
        Entry(
            committed_us=START_US,
            changes=changes,
            owed=owed,
            gateway_states=registered.evaluator.saved_gateways(judged.gateways),
        )
    )
    up(ledger, plant_text(1, contacts=TOLD), at_s=9 * 86_400)
    rows = ask(ledger, "SELECT collector, tier, state, reason FROM alarm ORDER BY collector")
    assert rows == [
        (C0, "no-data", "active", "no good reading"),
        (C1, "no-data", "closed", "gateway no longer registered"),
    ]
    again = up(ledger, PLANT, at_s=10 * 86_400)
    assert not again.evaluator.gateways["gw-1"].is_active
    assert again.evaluator.gateways["gw-0"].is_active


@pytest.mark.parametrize(
    ("find", "put", "line"),
    [
        ('name = "Collector 0"', 'name = "Saw line"', "quay/hall/c-0 name: Collector 0 -> Saw line"),
        ('priority = "high"', 'priority = "low"', "quay/hall/c-0 dp high-high priority: high -> low"),
        ('name = "Lead"', 'name = "Shift lead"', "contact lead name: Lead -> Shift lead"),
        ('settle = "PT5S"', 'settle = "PT6S"', "quay/hall/c-0 running settle: "),
    ],
)
def test_a_change_of_what_is_no_limit_is_a_revision_that_closes_nothing(
    ledger: Ledger, find: str, put: str, line: str
) -> None:
    with_alarms(ledger)
    assert up(ledger, PLANT.replace(find, put), at_s=41).compiled.revision == 2
    differences = json.loads(ask(ledger, "SELECT differences FROM revision WHERE number = 2")[0][0])
    assert any(text.startswith(line) for text in differences), differences
    assert [state for _, _, state, _, _ in ask(ledger, ALARMS)] == ["active", "active"]


def test_a_fault_while_a_revision_is_written_leaves_the_one_before_in_force(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    with_alarms(ledger)

    def fail(*_: object) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(ledger, "_write_owed", fail)
    with pytest.raises(sqlite3.OperationalError, match="disk"):
        up(ledger, PLANT.replace("at = 5.0", "at = 5.2"), at_s=41)
    monkeypatch.undo()
    assert ask(ledger, "SELECT max(number) FROM revision") == [(1,)]
    assert [state for _, _, state, _, _ in ask(ledger, ALARMS)] == ["active", "active"]
    assert up(ledger, PLANT, at_s=42).evaluator.board.state(C0).points["dp"].is_open


def test_readings_of_the_journal_after_the_last_saved_ones_count_when_a_revision_is_taken_up(ledger: Ledger) -> None:
    registered = up(ledger, PLANT)
    feed(ledger, registered, beyond(C0, 1, 10, dp=4.0))  # inside: no state is saved, only the journal has them
    later = up(ledger, PLANT.replace("at = 5.0", "at = 3.9"), at_s=11)
    feed(ledger, later, beyond(C0, 12, 40, dp=4.0))
    raised = ask(ledger, "SELECT (began_us - 1795593600000000) / 1000000 FROM alarm")
    assert raised == [(11,)]  # judged from the held value at the change


# ---------------------------------------------------------------- the sources file

FIRST = Sources.model_validate({"source": [{"name": "a", "form": "plain", "topics": ["a/{gateway}/{tag}"]}]})
OTHER = Sources.model_validate({"source": [{"name": "a", "form": "plain", "topics": ["b/{gateway}/{tag}"]}]})


def acts(ledger: Ledger) -> list[list[str]]:
    return [json.loads(detail)["changes"] for (detail,) in ask(ledger, "SELECT detail FROM audit ORDER BY id")]


def test_a_sources_file_that_says_something_else_is_put_down_once(ledger: Ledger) -> None:
    told = [note_sources(ledger, one, wall_us=5, who="x") for one in (Sources(), FIRST, FIRST, OTHER, OTHER, Sources())]
    changed = ["source a topics: a/{gateway}/{tag} -> b/{gateway}/{tag}"]
    assert told == [[], ["first sources file on record"], [], changed, [], ["source a: removed"]]
    assert acts(ledger) == [lines for lines in told if lines]


@pytest.mark.parametrize("detail", ['{"changes": []}', '{"changes": [], "file": {"source": [{"is": "older"}]}}'])
def test_one_of_another_release_is_not_compared(ledger: Ledger, detail: str) -> None:
    ledger.audit(1, "x", "sources", **json.loads(detail))
    assert note_sources(ledger, FIRST, wall_us=5, who="x") == ["first sources file on record"]
    assert note_sources(ledger, FIRST, wall_us=5, who="x") == []

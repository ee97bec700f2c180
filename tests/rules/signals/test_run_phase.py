"""Whether the fan runs: order of evidence, delays, conflicts, and what is not known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rules.signals import run_phase as streaming
from rules.signals.columnar.run_phase import PHASES, RunReadings, run_phase
from rules.signals.run_phase import Kind, Phase, RunChange, RunPhaseState, RunReading, RunSpec
from rules.signals.words import Why
from rules.types import RunState
from tests.rules.signals.twins import EXAMPLES, PLACES, REASONS, S, column, restored

SPEC = RunSpec(hold_us=30 * S, full_load_a=30.0, airflow=4.0, dp_pa=750.0)
CONTACT, AMPS, AIRFLOW, DP = Kind
ON = {CONTACT: 1.0, AMPS: 27.4, AIRFLOW: 3.9, DP: 780.0}
NOTHING = {CONTACT: 0.0, AMPS: 0.0, AIRFLOW: 0.0, DP: 0.0}
Row = tuple[int, Kind, float | None]


def twin(spec: RunSpec, readings: Sequence[RunReading]) -> list[RunChange]:
    changes = run_phase(
        spec,
        RunReadings(
            column((one.at_us for one in readings), np.int64),
            column((one.kind for one in readings), np.int64),
            column((one.value for one in readings), np.float64),
            column((one.good for one in readings), np.bool_),
        ),
    )
    return [RunChange(int(at), PHASES[phase], REASONS[int(why)]) for at, phase, why in zip(*changes, strict=True)]


def every_10_s(until_s: int, values: dict[Kind, float], from_s: int = 0) -> list[RunReading]:
    return [
        RunReading((1000 + at) * S, kind, value) for at in range(from_s, until_s, 10) for kind, value in values.items()
    ]


def changes(readings: Sequence[RunReading]) -> list[tuple[float, Phase, Why]]:
    """What both evaluators say, in seconds."""
    found = streaming.step(SPEC, RunPhaseState(), readings)
    assert found == twin(SPEC, readings)
    return [(one.at_us / S - 1000, one.phase, one.why) for one in found]


def phases(readings: Sequence[RunReading]) -> list[tuple[float, Phase]]:
    return [(at_s, phase) for at_s, phase, _ in changes(readings)]


def test_a_start_and_a_stop_go_through_their_phases() -> None:
    """Evidence 5 s, normal flow 60 s; lost 20 s, then 120 s (times from memory)."""
    readings = every_10_s(60, NOTHING) + every_10_s(300, ON, 60) + every_10_s(600, NOTHING, 300)
    assert phases(readings) == [
        (20, Phase.OFF),
        (65, Phase.STARTING),
        (125, Phase.RUNNING),
        (320, Phase.STOPPING),
        (440, Phase.OFF),
    ]


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({CONTACT: 1.0}, Phase.STARTING),
        ({CONTACT: 0.0}, Phase.OFF),
        ({CONTACT: 1.0, AMPS: 27.4, AIRFLOW: 0.0}, Phase.STARTING),  # better evidence goes first
        ({CONTACT: 0.0, AMPS: 0.0, AIRFLOW: 4.0}, Phase.OFF),
        ({AMPS: 7.6}, Phase.STARTING),  # 25 % of full load is 7.5 A
        ({AMPS: 7.5}, Phase.OFF),
        ({AIRFLOW: 1.21}, Phase.STARTING),  # 30 % of design is 1.2
        ({AIRFLOW: 1.2}, Phase.OFF),
        ({DP: -75.0}, Phase.STARTING),  # 0.3 in. water is 74.7 Pa; swapped tubes are evidence too
        ({DP: 74.0}, Phase.OFF),
    ],
)
def test_the_best_evidence_decides(values: dict[Kind, float], expected: Phase) -> None:
    assert phases(every_10_s(60, values))[0][1] is expected


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({CONTACT: 1.0}, (305, Phase.RUNNING, Why.NOT_REACHED)),
        ({CONTACT: 1.0, AIRFLOW: 1.99}, (305, Phase.RUNNING, Why.NOT_REACHED)),
        ({CONTACT: 1.0, AIRFLOW: 2.0}, (65, Phase.RUNNING, Why.KNOWN)),
        ({CONTACT: 1.0, DP: 374.0}, (305, Phase.RUNNING, Why.NOT_REACHED)),
        ({CONTACT: 1.0, DP: 375.0}, (65, Phase.RUNNING, Why.KNOWN)),
    ],
)
def test_a_start_that_is_not_seen_to_reach_flow_says_so(
    values: dict[Kind, float], expected: tuple[float, Phase, Why]
) -> None:
    assert changes(every_10_s(400, values))[1] == expected


def test_a_contact_and_amps_that_disagree_become_unknown() -> None:
    readings = every_10_s(200, ON) + every_10_s(300, {CONTACT: 1.0, AMPS: 0.0, AIRFLOW: 3.9}, 200)
    assert changes(readings)[2:] == [(230, Phase.UNKNOWN, Why.CONFLICT)]
    short = every_10_s(200, ON) + every_10_s(220, {CONTACT: 1.0, AMPS: 0.0}, 200) + every_10_s(400, ON, 220)
    assert phases(short) == [(5, Phase.STARTING), (65, Phase.RUNNING)]


def test_no_signal_is_unknown_and_then_it_starts_anew() -> None:
    readings = every_10_s(200, ON) + every_10_s(400, ON, 300)
    assert changes(readings)[2:] == [
        (220, Phase.UNKNOWN, Why.NO_DATA),
        (305, Phase.STARTING, Why.KNOWN),
        (365, Phase.RUNNING, Why.KNOWN),
    ]
    bad = [*every_10_s(200, {AMPS: 27.4}), RunReading(1195 * S, AMPS, 0.0, False), *every_10_s(210, NOTHING, 200)]
    assert changes(bad)[1:] == [(195, Phase.UNKNOWN, Why.NO_DATA)]


def test_a_short_loss_of_evidence_stops_nothing_and_a_short_blip_starts_nothing() -> None:
    loss = every_10_s(200, {AMPS: 27.4, DP: 780.0}) + every_10_s(220, NOTHING, 200) + every_10_s(300, ON, 220)
    assert phases(loss)[-1] == (65, Phase.RUNNING)
    blip = [RunReading((1000 + at) * S, CONTACT, float(at == 102)) for at in (*range(0, 101, 10), 102, 106, 110, 130)]
    assert phases(blip) == [(20, Phase.OFF)]


def test_a_stop_that_is_taken_back_starts_again() -> None:
    readings = every_10_s(200, ON) + every_10_s(240, NOTHING, 200) + every_10_s(400, ON, 240)
    assert phases(readings)[2:] == [(220, Phase.STOPPING), (245, Phase.STARTING), (305, Phase.RUNNING)]


def test_time_alone_moves_it_where_the_watermark_says_so() -> None:
    state = RunPhaseState()
    assert streaming.advance(state, 5 * S) == []
    streaming.step(SPEC, state, [RunReading(1000 * S, AMPS, 27.4)])
    assert streaming.advance(state, 1006 * S) == [RunChange(1005 * S, Phase.STARTING)]
    assert streaming.advance(state, 1006 * S) == []
    assert streaming.advance(state, 1040 * S) == [RunChange(1030 * S, Phase.UNKNOWN, Why.NO_DATA)]
    assert streaming.step(SPEC, state, [RunReading(1039 * S, AMPS, 27.4)]) == []
    assert state.held[AMPS].at_us == 1000 * S  # before the watermark it is late


def test_only_a_fan_that_has_started_counts_as_running() -> None:
    assert {phase.value: phase.run_state for phase in Phase} == {
        "unknown": RunState.UNKNOWN,
        "off": RunState.STOPPED,
        "starting": RunState.STOPPED,
        "running": RunState.RUNNING,
        "stopping": RunState.STOPPED,
    }


def test_nothing_gives_nothing() -> None:
    assert changes([]) == []


STEPS = (0, 0, 0, S, 5 * S, 10 * S, 10 * S, 20 * S, 29 * S, 30 * S, 31 * S, 60 * S, -S)


@st.composite
def histories(draw: st.DrawFn) -> list[RunReading]:
    at_us, readings = 1_000 * S, list[RunReading]()
    kinds = draw(st.sampled_from(((CONTACT, AMPS, DP), (AMPS, AIRFLOW), (DP,), tuple(Kind))))
    running = True
    for _ in range(draw(st.integers(0, 60))):
        at_us += draw(st.sampled_from(STEPS))
        running = running is not draw(st.sampled_from((*[False] * 6, True)))
        kind = draw(st.sampled_from(kinds))
        odd = draw(st.sampled_from((*[False] * 9, True)))
        value = ON[kind] if running is not odd else 0.0
        readings.append(RunReading(at_us, kind, value, draw(st.sampled_from((*[True] * 19, False)))))
    return readings


@settings(max_examples=2 * EXAMPLES, deadline=None)
@given(st.sampled_from((30 * S, 120 * S, 900 * S)), histories(), PLACES)
def test_batches_cut_anywhere_and_arrays_say_the_same(
    hold_us: int, readings: list[RunReading], places: list[int]
) -> None:
    spec = RunSpec(hold_us, SPEC.full_load_a, SPEC.airflow, SPEC.dp_pa)

    def step(state: RunPhaseState, part: Sequence[RunReading]) -> list[RunChange]:
        return streaming.step(spec, state, part)

    assert restored(step, RunPhaseState(), readings, places) == twin(spec, readings)

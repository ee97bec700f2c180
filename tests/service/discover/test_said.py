"""What the drafts and the findings say of quality, of running, of SenML's ratio and of arrivals, each in true words."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest

from service.discover.draft_plant import plant_text
from service.discover.draft_sources import sources_text
from service.discover.kept import Message
from service.discover.look import find
from service.plant import file as plant_file
from tests.service.discover.made import START_US, Played, tag_of, traffic

SECOND_US = 1_000_000
CYCLE_S, RUNS_S, COAST_S = 120, 85, 5


def runs(second: float) -> float:
    """How far a fan runs that stops for half a minute in every two, 0 to 1."""
    phase = second % CYCLE_S
    if phase > CYCLE_S - COAST_S:
        return (phase - CYCLE_S + COAST_S) / COAST_S
    return 1.0 if phase < RUNS_S else max(0.0, 1 - (phase - RUNS_S) / COAST_S)


def short_stops(seconds: int = 480, *, rest: float = 0.0, every: Sequence[int] = (0, 1, 2, 3, 4)) -> list[Message]:
    """Plain values of one gateway, each on a topic of its own, one a second; dp is 0.00 to 0.21 with the fan off."""
    random, found = Random(3), []
    for second in range(seconds):
        run, noise = runs(second), 1 + random.gauss(0, 0.01)
        tag, text = (
            ("dp", f"{rest + 12.4 * noise * run**2:.2f} inH2O"),
            ("header", f"{89.6 * noise:.1f} psi"),
            ("flow", f"{8000 * noise * run:.0f}"),
            ("temp", f"{41 * noise:.1f}"),
            ("fan", "on" if run > 0.3 else "off"),
        )[second % 5]
        if second % 5 in every:
            found.append((f"pnt/K7/{tag}", text.encode(), START_US + second * SECOND_US))
    return found


@pytest.mark.parametrize("seconds", [480, 3600])  # of an hour so few are kept that nothing is said of zero
def test_short_stops_are_matched_with_the_values_of_those_moments(seconds: int) -> None:
    """Readings from before and after a stop of half a minute are none of the fan at rest."""
    tag = tag_of(find(short_stops(seconds)), "k-7", "dp")
    assert not any("where zero is expected" in said for said in tag.questions)
    assert any("proves the zero" in said for said in tag.notes) is (seconds == 480)


def test_an_offset_is_seen_in_short_stops_too() -> None:
    tag = tag_of(find(short_stops(rest=1.1)), "k-7", "dp")
    assert any("it shows 1.1" in said and "where zero is expected" in said for said in tag.questions)


def test_values_of_which_some_are_zero_with_the_fan_off_are_no_offset() -> None:
    """An airflow that says stopped at every look, while the fan was started in between: then it proves nothing."""
    found = []
    for second in range(0, 1200, 10):
        flow = 0 if second < 600 else 8000
        dp = (0.02 if second % 60 == 0 else 3.1 + second % 7 / 10) if second < 600 else 3.2
        found += [("w/gw-1/dp", f"{dp:.2f} inH2O".encode(), START_US + second * SECOND_US)]
        found += [("w/gw-1/airflow", f"{flow} cfm".encode(), START_US + second * SECOND_US)]
    assert not any("where zero" in said for said in tag_of(find(found), "gw-1", "dp").questions)


def test_codes_of_the_airflow_do_not_make_it_stand_still() -> None:
    found = []
    for turn in range(100):
        flow = -9999 if turn % 6 == 0 else round(3.7 + turn % 5 / 10, 1)
        found += [("w/gw-1/dp", b"3.1%d inH2O" % (turn % 9), START_US + turn * SECOND_US)]
        found += [("w/gw-1/airflow", f"{flow} m3/s".encode(), START_US + turn * SECOND_US)]
    tag = tag_of(find(found), "gw-1", "dp")
    assert not any("fan off" in said for said in tag.questions + tag.notes)


# ---------------------------------------------------------------- quality


def documents(bodies: Sequence[Mapping[str, Any]]) -> list[Message]:
    return [
        (
            "works/gw-1/v",
            json.dumps({"ts": START_US // 1000 + turn * 1000, **body}).encode(),
            START_US + turn * SECOND_US,
        )
        for turn, body in enumerate(bodies)
    ]


@pytest.mark.parametrize(
    ("ok", "says"),
    [
        ([1], "good is ok == `1`: it was 1 in all that was heard"),
        ([1, 0], "good is ok == `1`: 1 is taken for good, 0 for bad"),
        ([True], "good is ok: it was true in all that was heard"),
        ([True, False], "good is ok: true is taken for good, false for bad"),
    ],
)
def test_what_is_taken_for_good_is_said_for_review(ok: Sequence[Any], says: str) -> None:
    found = find(documents([{"dp": 3 + turn % 9 / 10, "ok": ok[turn % len(ok)]} for turn in range(40)]))
    (note,) = [each for each in found.sources[0].notes if "good is" in each]
    assert note.startswith(f"REVIEW: {says}")
    assert f"# {note[:60]}" in sources_text(found)


def test_a_quality_that_says_good_or_bad_needs_no_review() -> None:
    found = find(documents([{"dp": 3 + turn % 9 / 10, "quality": "good"} for turn in range(40)]))
    assert not any("REVIEW" in note for note in found.sources[0].notes)


# ---------------------------------------------------------------- when it runs


def rule_of(messages: Sequence[Message]) -> str:
    lines = plant_text(find(messages)).splitlines()
    (rule,) = [line for line in lines if "running = {" in line]
    return rule


def test_an_airflow_without_a_unit_is_proposed_with_its_numbers_as_sent() -> None:
    text = plant_text(find(short_stops()))
    assert "No airflow" not in text
    assert '# running = { point = "flow", on = 4000, off = 2000, unit = "?", settle = "PT5M" }' in text
    assert "the unit of flow is not proven" in text


def test_without_an_airflow_the_current_or_the_speed_of_the_fan_is_proposed() -> None:
    assert 'point = "fan", on = 0.5, off = 0.25, unit = "?"' in rule_of(short_stops(every=(0, 4)))
    amps = traffic(
        "mapped", gateways=["gw-1"], change=lambda _, found: [each for each in found if each[0] != "airflow"]
    )
    assert 'point = "fan_amps", on = 14, off = 6.8, unit = "A"' in rule_of(amps)


def test_a_loop_signal_is_proposed_without_numbers() -> None:
    body = [{"flow_mA": 12 + turn % 9 / 10} for turn in range(40)]
    assert 'point = "flow_ma", on = ?, off = ?, unit = "cfm"' in rule_of(documents(body))


def test_without_any_of_them_that_is_said() -> None:
    text = plant_text(find(short_stops(every=(0, 1, 3))))
    assert "No airflow, motor current or fan speed that could say when it runs" in text


def test_a_proposal_that_a_person_takes_up_loads(tmp_path: Path) -> None:
    text = plant_text(find(short_stops())).replace('# running = { point = "flow"', 'running = { point = "flow"')
    (tmp_path / "plant.toml").write_text(text.replace('unit = "?"', 'unit = "cfm"'))
    assert plant_file.load(tmp_path / "plant.toml").collector[0].running is not None


# ---------------------------------------------------------------- SenML's ratio


def packs(percent: str, value: float) -> list[Message]:
    return [
        ("yard/senml/B2",
         json.dumps([{"bn": "urn:dev:x:", "bt": START_US / 1e6 + turn, "n": "fan", "u": percent,
                      "v": value * (1 + turn % 3 / 100)}]).encode(), START_US + turn * SECOND_US)
        for turn in range(40)
    ]  # fmt: skip


def test_a_percentage_in_senml_is_said_to_be_a_ratio(tmp_path: Path) -> None:
    """RFC 8428 section 12.1, note 1."""
    messages = packs("%", 92)
    tag = tag_of(find(messages), "b-2", "fan")
    assert "RFC 8428 section 12.1, note 1" in tag.questions[0]
    assert tag.questions[0].startswith("SenML's % is a ratio and no percentage")
    assert 'unit = "%"' in tag.questions[0]
    mended = 'unit = "unproven"  # refuses its readings: write the proven unit in its place\n# unit = "%"'
    played = Played(messages, tmp_path, mended=lambda text: text.replace(mended, 'unit = "%"'))
    assert played.refused == []
    assert max(played.values["b-2", "fan"]) == pytest.approx(0.9384)


def test_a_ratio_in_senml_needs_no_words() -> None:
    tag = tag_of(find(packs("/", 0.92)), "b-2", "fan")
    assert not any("RFC 8428" in said for said in tag.questions)


# ---------------------------------------------------------------- arrivals


def test_without_times_the_data_say_what_the_words_say() -> None:
    found = find(short_stops())
    (gateway,) = found.gateways
    assert gateway.by_arrival
    assert "dated by their arrival" in gateway.notes[0]
    assert found.questions == sum(tag.is_open for tag in found.tags), "nothing is asked of a clock that it does not use"
    assert "time_of" not in sources_text(found)

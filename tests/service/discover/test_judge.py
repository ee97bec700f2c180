"""Claims against what is usual and possible: which are kept, which are doubted, and what would put them right."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from service.discover.between import compare
from service.discover.findings import TagFound
from service.discover.judge import PROOFS, judge
from service.discover.readings import Series
from service.discover.words import KINDS, hinted
from tests.service.discover.made import EVERY_US, START_US


def series(tag: str, values: Sequence[float | None], unit: str = "") -> Series:
    found = Series("gw", tag)
    for turn, value in enumerate(values):
        found.add(START_US + turn * EVERY_US, value, unit, is_good=value is not None)
    return found


def judged(tag: str, value: float, unit: str = "") -> TagFound:
    """A tag that works about a value: three steps up and down."""
    return judge(series(tag, [value * (1 + 0.01 * (turn % 4)) for turn in range(40)], unit))


# tag, about, unit as sent, quantity found, open?, units that would make it usual
CLAIMS = [
    # Right, and usual.
    ("dp", 3.14, "inH2O", "differential pressure", False, []),
    ("dp", 782.0, "Pa", "differential pressure", False, []),
    ("Filterdruck", 7.8, "mbar", "differential pressure", False, []),
    ("header", 90.0, "psi", "gauge pressure", False, []),
    ("DruckluftNetz", 6.2, "bar", "gauge pressure", False, []),
    ("comp_air", 620.0, "kPa", "gauge pressure", False, []),
    ("header", 104.7, "psia", "absolute pressure", False, []),
    ("airflow", 8000.0, "cfm", "airflow", False, []),
    ("temp", 75.0, "degF", "temperature", False, []),
    ("fan_amps", 27.0, "A", "current", False, []),
    # Without a hint in the name: by the unit, and where that leaves two, by the values.
    ("4001", 3.14, "inH2O", "differential pressure", False, []),
    ("4002", 90.0, "psi", "gauge pressure", False, []),
    ("4003", 8000.0, "m3/h", "airflow", False, []),
    # Units mixed up: the ratios 249, 2.49, 0.249, 25.4, 0.0361 of inH2O; 0.0689, 6.89 and +14.7 of psi.
    ("dp", 7.82, "inH2O", "differential pressure", True, ["mbar"]),
    ("dp", 782.0, "inH2O", "differential pressure", True, ["Pa"]),
    ("dp", 0.782, "inH2O", "differential pressure", True, ["kPa"]),
    ("dp", 79.8, "inH2O", "differential pressure", True, ["mmH2O"]),
    ("dp", 0.113, "inH2O", "differential pressure", True, ["psi"]),
    ("dp", 3.14, "mmH2O", "differential pressure", True, ["inH2O", "mbar"]),
    ("dp", 3.14, "Pa", "differential pressure", True, ["inH2O", "mbar"]),
    ("header", 6.2, "psi", "gauge pressure", True, ["bar", "bar(a)"]),
    ("header", 620.0, "psi", "gauge pressure", True, ["kPa", "kPa(a)"]),
    ("header", 90.0, "bar", "gauge pressure", True, ["psi", "psi(a)"]),
    ("header", 105.7, "psig", "gauge pressure", True, ["psi(a)"]),
    ("airflow", 3.78, "cfm", "airflow", True, ["m3/s"]),
    ("temp", 294.0, "degC", "temperature", True, ["K"]),
    ("fan_speed", 0.92, "%", "speed", True, ["1"]),
    # Impossible, and no unit that would help.
    ("dp", 30_000.0, "inH2O", "differential pressure", True, []),
    # Not sent: candidates only.
    ("dp", 3.14, "", "differential pressure", True, ["inH2O", "mbar"]),
    ("header", 90.0, "", "gauge pressure", True, ["psi", "psi(a)"]),
    ("druck", 90.0, "", "", True, ["mmH2O", "psi", "psi(a)"]),
    ("4001", 3.14, "", "", True, []),
]


@pytest.mark.parametrize("claim", CLAIMS, ids=lambda claim: f"{claim[0]}-{claim[1]:g}-{claim[2]}")
def test_claims(claim: tuple[str, float, str, str, bool, list[str]]) -> None:
    tag, about, unit, quantity, is_open, candidates = claim
    found = judged(tag, about, unit)
    assert (found.quantity, found.is_open) == (quantity, is_open), found
    assert [each.unit for each in found.candidates] == candidates
    for each in found.candidates:
        usual = [kind.usual for kind in KINDS if kind.unit == each.shown_in]
        assert any(low <= each.value <= high for low, high in usual)


@pytest.mark.parametrize(
    ("sent", "true", "unit"),
    [(3.14 * 2.4908891, 3.14, "mbar"), (3.14 * 249.08891, 3.14, "Pa"), (3.14 * 0.24908891, 3.14, "kPa")],
)
def test_a_candidate_says_what_the_value_would_be(sent: float, true: float, unit: str) -> None:
    """UNECE Rec 20 F78: the conventional inch of water is 249.08891 Pa."""
    (found,) = judge(series("dp", [sent] * 9, "inH2O")).candidates
    assert (found.unit, found.value, found.shown_in) == (unit, pytest.approx(true, rel=1e-6), "inH2O")


def test_units_that_nobody_can_tell_apart_are_named() -> None:
    assert "its values alone cannot tell inH2O from mbar" in judged("dp", 3.14, "inH2O").notes
    assert "its values alone cannot tell cfm from m3/h, l/s" in judged("airflow", 8000, "cfm").notes


@pytest.mark.parametrize(("text", "near"), [("INH2O", "inH2O"), ("kpa", "kPa"), ("PSI", "psi"), ("furlong", "")])
def test_an_unknown_unit_is_a_question_with_the_spelling_that_was_meant(text: str, near: str) -> None:
    found = judged("dp", 3.14, text)
    assert found.is_open
    assert f"unit '{text}' is not known" in found.questions[0]
    assert near in found.questions[0]


def test_several_units_of_one_tag_are_a_question() -> None:
    mixed = series("dp", [3.1, 3.2], "inH2O")
    mixed.add(START_US, 780.0, "Pa", is_good=True)
    assert "several units (inH2O, Pa)" in judge(mixed).questions[0]


def test_a_unit_that_some_readings_leave_out_is_a_question() -> None:
    mixed = series("dp", [3.1, 3.2], "inH2O")
    mixed.add(START_US, None, "", is_good=False)
    found = judge(mixed)
    assert (found.unit, found.is_unit_sometimes) == ("inH2O", True)
    assert "1 of 3 readings come without a unit" in found.questions[0]


def test_name_and_unit_that_do_not_go_together_are_a_question() -> None:
    assert "its name hints at temperature, its unit 'psi'" in judged("gas_temp", 75.0, "psi").questions[0]


@pytest.mark.parametrize(("low", "is_loop"), [(4.0, True), (3.5, False), (0.0, False)])
def test_a_loop_signal_lies_between_its_two_failures(low: float, is_loop: bool) -> None:
    """3.6 to 21 mA: NAMUR NE 43."""
    found = judge(series("dp", [low, 8.0, 12.0, 19.9], "mA"))
    assert found.is_open
    assert found.is_loop is is_loop
    assert not judged("fan_amps", 12.0, "A").is_loop


# ---------------------------------------------------------------- at rest, and side by side


def test_a_header_that_stops_at_the_atmosphere_is_doubted_however_usual_it_works() -> None:
    absolute = judge(series("header", [89.0] * 20 + [60, 30] + [14.7] * 10, "psig"))
    assert "that is the atmosphere" in absolute.questions[0]
    assert [each.unit for each in absolute.candidates] == ["psi(a)"]
    assert not judge(series("header", [89.0] * 20 + [60, 30] + [0.0] * 10, "psig")).is_open
    assert not judge(series("header", [15.6] * 20, "psig")).is_open, "a valve that is stuck open, not running"


def running(dp: Sequence[float], flow: Sequence[float], gateway: str = "gw") -> TagFound:
    pairs = []
    for tag, values, unit in (("dp", dp, "inH2O"), ("airflow", flow, "cfm")):
        one = series(tag, values, unit)
        found = judge(one)
        found.gateway = gateway
        pairs.append((found, one))
    compare(pairs)
    return pairs[0][0]


FLOW = [8000.0] * 20 + [0.0] * 10


@pytest.mark.parametrize(
    ("rest", "says", "is_open"),
    [
        (0.02, "proves the zero", False),
        (-0.09, "proves the zero", False),
        (0.2, "check the zero", False),
        (3.1, "where zero is expected", True),
        (-6.9, "where zero is expected", True),
    ],
)
def test_with_the_fan_off_a_differential_pressure_must_be_near_zero(rest: float, says: str, is_open: bool) -> None:
    found = running([3.1] * 20 + [rest] * 10, FLOW)
    assert any(says in text for text in found.notes + found.questions)
    assert found.is_open is is_open


def test_while_the_fan_runs_throughout_nothing_is_said_of_zero() -> None:
    assert not any("fan off" in note for note in running([3.1] * 30, [8000.0] * 30).notes)


@pytest.mark.parametrize(
    ("tag", "unit", "one", "other", "says"),
    [
        ("dp", "inH2O", 2.0, 4.98, "ratio 2.49"),
        ("dp", "inH2O", 2.0, 2.6, ""),
        ("header", "psi", 75.0, 89.7, "14.7 psi apart"),
        ("header", "psi", 88.0, 92.0, ""),
    ],
)
def test_like_gateways_side_by_side(tag: str, unit: str, one: float, other: float, says: str) -> None:
    """Both are usual, so both are kept, and a person is told to prove both."""
    pairs = []
    for gateway, value in (("a", one), ("b", other)):
        each = series(tag, [value] * 5, unit)
        found = judge(each)
        found.gateway = gateway
        pairs.append((found, each))
    compare(pairs)
    for found, _ in pairs:
        assert not found.is_open
        assert any("prove both" in note and says in note for note in found.notes) is bool(says)


# ---------------------------------------------------------------- values


@pytest.mark.parametrize(
    ("values", "codes"),
    [
        ([3.1, 3.2, -9999.0], (-9999.0,)),
        ([3.1, 65535.0, 32767.0], (32767.0, 65535.0)),
        ([65000.0, 65535.0], ()),
        ([3.1, 3.2], ()),
        ([-9999.0], ()),
    ],
)
def test_codes_for_no_measurement(values: list[float], codes: tuple[float, ...]) -> None:
    assert judge(series("dp", values, "inH2O")).bad_codes == codes


@pytest.mark.parametrize(
    ("tag", "values", "is_counter"),
    [
        ("pulses", [1, 2, 5, 9], True),
        ("pulses", [9001, 9004, 2, 5, 8, 11, 14, 17, 20, 23, 26], True),
        ("pulses", [5, 5, 5, 5], False),
        ("pulses", [1, 9, 8, 7, 3], False),
        ("pulses", [1.5, 2.5, 3.5], False),
        ("temp", [1, 2, 5, 9], False),
    ],
)
def test_counters(tag: str, values: list[float], is_counter: bool) -> None:
    assert judge(series(tag, values)).is_counter is is_counter


@pytest.mark.parametrize(("count", "value", "is_told"), [(40, 3.14, True), (20, 3.14, False), (40, 0.0, False)])
def test_a_value_that_never_moves_is_told_unless_it_is_zero(count: int, value: float, is_told: bool) -> None:
    notes = judge(series("dp", [value] * count, "inH2O")).notes
    assert any("never moved" in note for note in notes) is is_told


# What no sound sensor shows, be it usual in between or not: tag, unit, values, what is named in the question.
IMPOSSIBLE = [
    ("header", "psi", [-80.0, -79.5, -80.2], "-80.2"),
    ("airflow", "cfm", [-5000.0, -4990.0], "-5000"),
    ("fan_amps", "A", [-27.0, -27.1], "-27.1"),
    ("dp", "inH2O", [*[3.2] * 9, 6553.5], "6553.5"),
    ("header", "psi", [*[90.0] * 9, 99999.9], "99999.9"),
    ("header", "bar", [*[6.2] * 99, -1.0], "-1"),
    ("temp", "degC", [*[22.0] * 9, -273.1], "-273.1"),
]


@pytest.mark.parametrize(("tag", "unit", "values", "named"), IMPOSSIBLE)
def test_values_that_no_sound_sensor_shows_are_a_question(tag: str, unit: str, values: list[float], named: str) -> None:
    found = judge(series(tag, values * 6, unit))
    (said,) = [text for text in found.questions if "beyond what a sound sensor shows" in text]
    assert named in said


def test_one_impossible_value_among_thousands_is_seen() -> None:
    """Of so many values only some are kept."""
    values = [3.1 + turn % 7 / 10 for turn in range(5000)]
    for place in (1111, 2222, 3333):
        assert judge(series("dp", [*values[:place], 6553.5, *values[place:]], "inH2O")).is_open
        assert judge(series("dp", [*values[:place], -9999.0, *values[place:]], "inH2O")).bad_codes == (-9999.0,)
    assert not judge(series("dp", values, "inH2O")).is_open


def test_only_a_differential_pressure_may_be_the_other_way_round() -> None:
    assert [each.unit for each in judged("dp", -7.82, "inH2O").candidates] == ["mbar"]
    assert not judged("dp", -3.1, "inH2O").is_open
    cold = judged("temp", -50.0, "degC")
    assert any("outside what is usual" in note for note in cold.notes), "possible, and yet not usual"


def test_swapped_tubes_are_told() -> None:
    assert any("tubes may be swapped" in note for note in judged("dp", -3.1, "inH2O").notes)


def test_a_collector_that_stood_still_proves_nothing_and_refuses_nothing() -> None:
    found = judge(series("dp", [0.01, 0.02, 0.0, -0.01] * 10, "inH2O"))
    assert not found.is_open
    assert any("nothing proves the unit" in note for note in found.notes)


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("dp", "dp"),
        ("PDT_101", "dp"),
        ("Differenzdruck Filter", "dp"),
        ("presión diferencial", "dp"),
        ("header_min", "header"),
        ("CompAir", "header"),
        ("pulse_pressure", "header"),
        ("air comprimé", "header"),
        ("Volumenstrom", "airflow"),
        ("débit", "airflow"),
        ("gasTemp", "temperature"),
        ("Füllstand", "level"),
        ("FanSpeed", "speed"),
        ("fan_amps", "current"),
        ("Zähler", "pulses"),
        ("vbat", "voltage"),
        ("rssi", ""),
    ],
)
def test_names_in_several_languages_hint_at_a_kind(name: str, kind: str) -> None:
    assert [each.name for each in hinted(name)] == ([kind] if kind else [])


def test_every_kind_that_people_prove_has_its_way() -> None:
    assert PROOFS.keys() <= {kind.name for kind in KINDS}

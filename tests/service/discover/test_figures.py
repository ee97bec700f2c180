"""What bare numbers say: codes for no measurement, raw counts, counts that go up, loop signals known by their name."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Sequence
from pathlib import Path
from random import Random

import pytest

from service.discover.draft_sources import sources_text
from service.discover.judge import judge
from service.discover.kept import Message
from service.discover.look import find
from tests.service.discover.made import START_US, Played, tag_of
from tests.service.discover.test_judge import series

RANDOM = Random(1)
RAW = [11_500.0 + RANDOM.randint(-200, 200) for _ in range(40)]
STOPPING = [*RAW, 9_300.0, 6_100.0, 2_050.0, 0.0, 0.0, 0.0, 0.0, 410.0, 5_800.0]  # with a stop, as the counts fall
FULL = [RANDOM.randint(0, 27_648) * 1.0 for _ in range(200)]


def every_ninth(values: Sequence[float], code: float) -> list[float]:
    return [code if turn % 9 == 4 else value for turn, value in enumerate(values)]


# values, no doubt, doubtful. That these numbers stand for no measurement: common practice, no source.
CODES = [
    (every_ninth(RAW, -9999.0), (-9999.0,), ()),
    (every_ninth(STOPPING, -9999.0), (-9999.0,), ()),
    (every_ninth(FULL, -9999.0), (-9999.0,), ()),
    (every_ninth(FULL, -32768.0), (-32768.0,), ()),
    (every_ninth(FULL, -999.0), (), (-999.0,)),
    (every_ninth(RAW, 65535.0), (65535.0,), ()),
    (every_ninth(RAW, 32767.0), (), (32767.0,)),
    (every_ninth(FULL, 65535.0), (), (65535.0,)),
    (every_ninth(RAW, 9999.0), (), (9999.0,)),
    (every_ninth([3.1, 3.2, 3.15] * 9, -999.9), (-999.9,), ()),
    (every_ninth([3.1, 3.2, 3.15] * 9, -999.9000244140625), (-999.9,), ()),  # as a 32-bit float has it
    # Not in any list, and yet far from all others and always the same.
    (every_ninth([3.1, 3.2, 3.15, 3.4, 3.3] * 9, 6553.5), (), (6553.5,)),
    (every_ninth([3.1, 3.2, 3.15, 3.4, 3.3] * 9, -850.0), (), (-850.0,)),
    # No codes: ends of a range that others come near to, one value alone, signals of two steps, stops.
    ([65_000.0 + turn * 13 for turn in range(42)] + [65_535.0] * 4, (), ()),
    ([*FULL, 9999.0], (), ()),
    ([0.0, 100.0, 100.0, 100.0] * 9, (), ()),
    ([3.1, 3.2, 3.15, 3.4, 3.3] * 9 + [0.0] * 9, (), ()),
    ([*RAW, *[0.0] * 9], (), ()),
    ([-5_000.0 - turn for turn in range(40)] + [-9_999.0] * 2, (), ()),
]


@pytest.mark.parametrize(("values", "certain", "doubtful"), CODES)
def test_a_value_that_comes_again_far_from_the_rest(
    values: Sequence[float], certain: tuple[float, ...], doubtful: tuple[float, ...]
) -> None:
    found = judge(series("4001", values))
    assert (found.bad_codes, found.maybe_bad) == (certain, doubtful)
    if certain:
        assert any(f"{certain[0]:g} stands for no measurement" in note for note in found.notes)
    assert any("perhaps it stands for no measurement" in text for text in found.questions) is bool(doubtful)


def test_what_is_certain_is_in_force_and_what_is_not_refuses_the_tag() -> None:
    assert not judge(series("dp", every_ninth([3.1, 3.2, 3.15] * 9, -9999.0), "inH2O")).is_open
    assert judge(series("dp", every_ninth([*range(500, 1200)], 3276.7), "Pa")).maybe_bad == ()
    assert judge(series("dp", every_ninth([float(each) for each in range(800, 1200)], 3276.7), "Pa")).bad_codes == ()
    doubted = judge(series("flow", every_ninth([8000.0 + each % 70 for each in range(99)], 9999.0), "cfm"))
    assert doubted.maybe_bad == (9999.0,)
    assert doubted.is_open


# ---------------------------------------------------------------- raw counts


def lines(rows: Sequence[float]) -> list[Message]:
    """Lines without a header: time, raw counts, a temperature."""
    return [
        ("lines/Q9/out", f"2026-11-25T08:{turn // 60:02d}:{turn % 60:02d}Z;{value:.0f};4{turn % 10},5\r\n".encode(),
         START_US + turn * 1_000_000)
        for turn, value in enumerate(rows)
    ]  # fmt: skip


def documents(rows: Sequence[float], tag: str) -> list[Message]:
    return [
        ("zz/N1/v", json.dumps({"t": START_US // 1_000_000 + turn, tag: value}).encode(), START_US + turn * 1_000_000)
        for turn, value in enumerate(rows)
    ]


def test_raw_counts_in_lines_have_their_code_in_force_and_a_hint_at_the_line(tmp_path: Path) -> None:
    messages = lines(every_ninth(STOPPING, -9999.0))
    text = sources_text(find(messages))
    table = tomllib.loads(text)["source"][0]["tags"]["column-2"]
    assert table == {"bad": [-9999.0]}
    assert "# line = { raw = [0, 27648], value = [?, ?] }" in text
    tag = tag_of(find(messages), "q-9", "column-2")
    assert any("perhaps raw counts" in said for said in tag.questions)
    assert tag.lowest == 0.0

    def mended(draft: str) -> str:
        return draft.replace(
            "# line = { raw = [0, 27648], value = [?, ?] }",
            'tag = "dp"\nunit = "mbar"\nline = { raw = [0, 27648], value = [0, 25] }',
        )

    read = [reason for reason in Played(messages, tmp_path, mended=mended).refused if "column-2" in reason]
    assert read == [], "the code is a bad reading, and nothing is refused"


def test_raw_counts_in_documents_have_their_code_in_force_and_a_hint_at_the_line() -> None:
    found = find(documents(every_ninth(RAW, -9999.0), "dp"))
    assert tag_of(found, "n-1", "dp").bad_codes == (-9999.0,)
    assert "# line = { raw = [0, 27648], value = [?, ?] }" in sources_text(found)


@pytest.mark.parametrize(
    ("tag", "values", "unit", "full"),
    [
        ("4001", [4000.0 - each % 90 for each in range(99)], "", 4095),
        ("4001", RAW, "", 27_648),
        ("4001", [27_700.0 + each % 90 for each in range(99)], "", 32_767),
        ("4001", [60_000.0 + each % 90 for each in range(99)], "", 65_535),
        ("4001", [*[float(each % 90) for each in range(99)], 3900.0, -12.0], "", 4095),
        ("4001", [70_000.0 + each % 90 for each in range(99)], "", 0),
        ("4001", [4000.5 - each % 90 for each in range(99)], "", 0),
        ("4001", [40.0 + each % 20 for each in range(99)], "", 0),
        ("4001", [4000.0, 4001.0] * 9, "", 0),
        ("flow", RAW, "cfm", 0),
        ("pulses", [4000.0 + each for each in range(99)], "", 0),
    ],
)
def test_raw_counts_are_whole_numbers_of_a_converters_range(
    tag: str, values: Sequence[float], unit: str, full: int
) -> None:
    """0 to 4095, 27648, 32767, 65535: common practice, no source."""
    assert judge(series(tag, values, unit)).raw_full == full


# ---------------------------------------------------------------- counts


@pytest.mark.parametrize(
    ("tag", "values", "is_offered"),
    [
        ("imp", [float(each) for each in range(44, 104)], True),
        ("imp", [*[65_500.0 + each for each in range(36)], *[float(each) for each in range(9)]], True),
        ("imp", [float(each) for each in range(44, 49)], False),
        ("imp", [*[float(each) for each in range(44, 84)], 80.0], False),
        ("imp", [each + 0.5 for each in range(44, 84)], False),
        ("imp", [7.0] * 40, False),
        ("temp", [float(each) for each in range(20, 60)], False),
    ],
)
def test_whole_numbers_that_only_go_up_are_offered_as_a_count(
    tag: str, values: Sequence[float], is_offered: bool
) -> None:
    found = judge(series(tag, values))
    assert found.may_count is is_offered
    assert not found.is_counter, "nobody said so"
    assert any("perhaps a count" in said for said in found.questions) is is_offered


def test_a_count_under_a_name_that_nobody_knows_is_offered_and_not_in_force() -> None:
    text = sources_text(find(documents(range(44, 104), "imp")))
    assert "# counter = {}" in text
    assert "\ncounter = {}" not in text
    assert '# unit = "count"' in text


# ---------------------------------------------------------------- loop signals

LOOP = [11.0 + each % 30 / 100 for each in range(45)]


@pytest.mark.parametrize(
    ("tag", "unit", "kind"),
    [
        ("dp_mA", "", "differential pressure"),
        ("dp.mA", "", "differential pressure"),
        ("header_ma", "", "gauge pressure"),
        ("druckDiffmA", "", "differential pressure"),
        ("ch1_mA", "", ""),
        ("ch1", "mA", ""),
        ("dp", "mA", "differential pressure"),
        ("4-20mA", "", ""),
    ],
)
def test_a_loop_signal_is_known_by_its_name_or_its_unit(tag: str, unit: str, kind: str) -> None:
    """4 to 20 mA, with failures beyond 3.6 and 21 mA: NAMUR NE 43, from memory."""
    found = judge(series(tag, LOOP, unit))
    assert (found.is_loop, found.quantity, found.candidates) == (True, kind, [])
    assert any("a 4-20 mA signal" in said for said in found.questions)


@pytest.mark.parametrize(
    ("tag", "unit", "values"),
    [
        ("strom_mA", "mA", LOOP),
        ("gamma", "", LOOP),
        ("dp", "", LOOP),
        ("dp_mA", "", [each * 10 for each in LOOP]),
    ],
)
def test_what_is_no_loop_signal(tag: str, unit: str, values: Sequence[float]) -> None:
    found = judge(series(tag, values, unit))
    assert not found.is_loop
    assert not (tag == "dp_mA" and found.candidates), "no unit of pressure is offered for milliamperes"


def test_of_values_that_never_came_nothing_is_said() -> None:
    found = judge(series("dp_mA", [None, None]))
    assert found.questions == ["no unit is sent", "its name says mA", *found.questions[2:]]


def test_a_loop_signal_without_a_unit_is_drafted_as_one() -> None:
    text = sources_text(find(documents(LOOP, "dp_mA")))
    assert "# loop = { at_4_mA = ?, at_20_mA = ? }  # both from the nameplate" in text
    assert text.count("# unit = ") == 1
    assert "mbar" not in text.split("[source.tags.dp_mA]")[1].split("To prove it")[0]

"""How often gateways report, and what their times say of their clocks."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime

import pytest

from service.discover.draft_plant import plant_text
from service.discover.draft_sources import sources_text
from service.discover.findings import Findings
from service.discover.kept import Message
from service.discover.look import find
from tests.service.discover.made import EVERY_US, GATEWAYS, LATENCY_US, START_US, Reading, encoders, rows, traffic

HOUR_US = 3_600_000_000


def with_clock(shift: Callable[[int], int]) -> Findings:
    def change(_: str, found: list[Reading]) -> list[Reading]:
        return [(tag, shift(at_us), value, unit) for tag, at_us, value, unit in found]

    return find(traffic("mapped", gateways=GATEWAYS[:1], change=change))


@pytest.mark.parametrize(
    ("ahead_us", "offset_us", "says"),
    [
        (0, 0, ""),
        (HOUR_US, -HOUR_US, "1 h ahead"),
        (-5 * HOUR_US, 5 * HOUR_US, "5 h behind"),
        (HOUR_US * 11 // 2, -HOUR_US * 11 // 2, "5.5 h ahead"),
        (HOUR_US + 400_000_000, 0, "set it"),
        (-20_000_000, 0, "more than the 5 s of a set clock"),
        (-240_000_000, 0, "240 s behind"),
        (30 * 24 * HOUR_US, 0, "set it"),
    ],
)
def test_clocks_that_are_off(ahead_us: int, offset_us: int, says: str) -> None:
    found = with_clock(lambda at_us: at_us + ahead_us)
    (gateway,) = found.gateways
    assert gateway.offset_us == offset_us
    assert says in " ".join(gateway.notes)
    assert bool(gateway.notes) is bool(says)
    assert found.questions == bool(offset_us)
    text = sources_text(found)
    assert (f"# offset_s = {offset_us / 1e6}" in text) is bool(offset_us), "a person takes it up, never the draft"


def test_a_clock_that_was_never_set() -> None:
    found = with_clock(lambda at_us: at_us - START_US + 5_000_000)
    (gateway,) = found.gateways
    assert gateway.by_arrival
    assert '# [source.time_of.gw-cut-1]\n# by = "arrival"' in sources_text(found)


def test_messages_that_come_late_do_not_make_a_slow_clock() -> None:
    messages = [
        (topic, payload, at_us + (HOUR_US if place % 4 else 0))
        for place, (topic, payload, at_us) in enumerate(traffic("mapped", gateways=GATEWAYS[:1]))
    ]
    (gateway,) = find(messages).gateways
    assert gateway.notes == []


def test_local_time_in_text_is_told_with_its_zone() -> None:
    def line(turn: int) -> bytes:
        return b"2026-11-25 09:%02d:%02d;3,14;mbar;dp" % (turn // 6, turn % 6 * 10)

    found = find([("log/gw-1", line(turn), START_US + turn * EVERY_US + LATENCY_US) for turn in range(50)])
    (gateway,), (source,) = found.gateways, found.sources
    assert source.keys["time_form"] == "%Y-%m-%d %H:%M:%S"
    assert gateway.offset_us == -HOUR_US
    assert "correct time_zone above" in " ".join(sources_text(found).split("\n# "))


def without_zone(pattern: str, form: str) -> Findings:
    """Of a gateway whose clock says what UTC says, and names no zone."""
    found = []
    for turn in range(30):
        at_us = START_US + turn * EVERY_US
        text = datetime.fromtimestamp(at_us / 1e6, UTC).strftime(pattern)
        body = json.dumps({"time": text, "dp": {"value": 3 + turn / 100, "unit": "inH2O"}}).encode()
        found.append(("works/gw-1/v", body if form == "json" else f"{text};dp;3,1;inH2O".encode(), at_us))
    return find(found)


@pytest.mark.parametrize("form", ["json", "csv"])
@pytest.mark.parametrize("pattern", ["%d.%m.%Y %H:%M:%S", "%Y-%m-%dT%H:%M:%S"])
def test_a_time_without_a_zone_is_a_question_even_where_it_fits(pattern: str, form: str) -> None:
    """In winter the local time of London or Dublin is that of UTC, and in summer it is an hour off."""
    found = without_zone(pattern, form)
    (source,), (gateway,) = found.sources, found.gateways
    assert (source.keys["time_zone"], gateway.offset_us) == ("UTC", 0)
    assert found.questions == 1
    assert "its times name no zone" in source.questions[0]
    text = sources_text(found)
    assert "# OPEN: its times name no zone" in text
    assert "1 open questions" in " ".join(text.replace("\n#", " ").split())
    assert "if its times are UTC" in text
    assert "if its times are UTC" in plant_text(found)


@pytest.mark.parametrize("pattern", ["%Y-%m-%dT%H:%M:%SZ", "%d.%m.%Y %H:%M:%S+0000"])
def test_a_time_with_its_zone_is_none(pattern: str) -> None:
    found = without_zone(pattern, "json")
    assert found.questions == 0
    assert "no zone" not in sources_text(found)


def reporting(every_us: dict[str, int]) -> list[Message]:
    """Plain values of one gateway, each tag at its own pace."""
    found = []
    for tag, own_us in every_us.items():
        for turn in range(60):
            jitter_us = 40_000 * (turn % 3)
            found.append((f"w/gw-1/{tag}", b"3.1 inH2O", START_US + turn * own_us + jitter_us))
    return sorted(found, key=lambda row: row[2])


def test_the_interval_is_the_middle_one_and_slow_tags_hold_longer() -> None:
    found = find(reporting({"dp": 10_000_000, "dp_2": 10_000_000, "dp_slow": 60_000_000}))
    (gateway,) = found.gateways
    assert gateway.every_us == pytest.approx(10_000_000, rel=0.01)
    text = plant_text(found)
    assert 'reports_every = "PT10S"' in text
    assert text.count("hold = ") == 1
    assert 'name = "dp_slow"\nquantity = "differential pressure"\nunit = "inH2O"\nhold = "PT3M"' in text


def test_gateways_that_share_a_topic_have_their_own_interval() -> None:
    messages = [("all", payload, at_us) for _, payload, at_us in traffic("mapped")]
    every = {gateway.id: gateway.every_us for gateway in find(messages).gateways}
    assert every == {name: pytest.approx(EVERY_US, rel=0.02) for name in GATEWAYS}


def test_a_gap_does_not_change_the_interval() -> None:
    messages = [each for each in traffic("mapped") if not START_US + 10 * EVERY_US < each[2] < START_US + 30 * EVERY_US]
    gateways = find(messages).gateways
    assert [gateway.every_us for gateway in gateways] == [EVERY_US] * len(GATEWAYS)


def test_one_message_tells_no_interval() -> None:
    encode = encoders()["mapped"]("gw-1")
    (topic, payload), *_ = encode("gw-1", "b", 1, rows("gw-1", 0))
    found = find([(topic, payload, START_US)])
    (gateway,) = found.gateways
    assert gateway.every_us is None
    assert "too seldom" in plant_text(found)
    assert "reports_every" not in plant_text(found)


def test_an_hourly_gateway_may_be_silent_for_longer() -> None:
    messages = [("w/gw-1/dp", b"3.1 inH2O", START_US + turn * HOUR_US) for turn in range(20)]
    text = plant_text(find(messages))
    assert 'reports_every = "PT1H"\nsilent_after = "PT3H"' in text

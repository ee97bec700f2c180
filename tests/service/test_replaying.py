"""A recording straight into a new record: the same each time, however it is cut, and honest about what is missing."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import duckdb
import msgspec
import pytest

from service.model import BadConfiguration
from service.plant.file import load as load_plant
from service.recording import Missed, Reader, Recorded
from service.replaying import BATCH_US, IDLE_TICKS_MOST, RecordedTime, Replay, Step, Steps
from service.settings import ClockSettings, Settings
from service.sources.form import Sources
from tests.service.test_recording import START_US, Item, demo_messages, written

S = 1_000_000
DEMO = Path(__file__).parents[2] / "deploy" / "demo" / "plant.toml"


def replayed(
    folder: Path,
    items: Sequence[Item],
    *,
    cuts: Sequence[int] = (),
    started_us: int = START_US,
    ended_us: int | None = None,
    batch_us: int = BATCH_US,
    sources: Sources | None = None,
    settings: Settings | None = None,
) -> dict[str, Any]:
    """The report of a recording of these items on the demo's plant; `ended_us` None leaves it cut off."""
    folder.mkdir()
    path = folder.with_suffix(".heard")
    path.write_bytes(written(items, cuts=cuts, started_us=started_us, ended_us=ended_us))
    with Reader(path) as reader:
        made = Replay(
            folder,
            load_plant(DEMO),
            settings or Settings(),
            sources or Sources(),
            started_us=reader.started_us,
            brokers=frozenset(item.broker for item in items if isinstance(item, Recorded)),
            batch_us=batch_us,
        )
        try:
            return made.play(reader)
        finally:
            made.close()


def tables(folder: Path) -> dict[str, list[tuple[Any, ...]]]:
    """All rows of ledger and history, sorted, by table."""
    found: dict[str, list[tuple[Any, ...]]] = {}
    with contextlib.closing(sqlite3.connect(folder / "ledger.sqlite")) as ledger:
        for (name,) in ledger.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall():
            found[f"ledger {name}"] = sorted(ledger.execute(f"SELECT * FROM {name}").fetchall(), key=repr)
    with contextlib.closing(duckdb.connect(str(folder / "history.duckdb"), read_only=True)) as history:
        for (name,) in history.execute("SELECT table_name FROM information_schema.tables").fetchall():
            found[f"history {name}"] = sorted(history.execute(f"SELECT * FROM {name}").fetchall(), key=repr)
    return found


def message(at_us: int, payload: bytes = b"") -> Recorded:
    return Recorded(START_US + at_us, "main", "t", payload, 1)


def steps(items: Iterable[Item], *, ended_us: int | None = None, batch_us: int = 50_000, most: int = 10) -> list[Step]:
    """The turns, their times counted from the start."""
    made = Steps(START_US, batch_us=batch_us, most=most).of(
        items, lambda: None if ended_us is None else START_US + ended_us
    )
    return [step._replace(at_us=step.at_us - START_US) for step in made]


def counted(made: Iterable[Step]) -> list[tuple[int, int]]:
    """(time, messages) of each turn."""
    return [(step.at_us, len(step.parcels)) for step in made]


# ---------------------------------------------------------------- turns


@pytest.mark.parametrize(
    ("at_us", "turns"),
    [
        ([], [(0, 0)]),
        ([10], [(10, 1), (10, 0)]),
        ([10, 49_999], [(49_999, 2), (49_999, 0)]),  # of one window
        ([10, 50_000], [(10, 1), (50_000, 1), (50_000, 0)]),  # of two
        ([49_999, 50_001, 99_999], [(49_999, 1), (99_999, 2), (99_999, 0)]),  # windows lie on a grid
        ([999_990, 1_000_010], [(999_990, 1), (1_000_000, 0), (1_000_010, 1), (1_000_010, 0)]),  # a tick between
        ([100, 2_500_000], [(100, 1), (1_000_000, 0), (2_000_000, 0), (2_500_000, 1), (2_500_000, 0)]),
        ([200, 100], [(200, 2), (200, 0)]),  # the clock was set back: time stands still
    ],
)
def test_messages_are_cut_into_turns_by_their_time_alone(at_us: list[int], turns: list[tuple[int, int]]) -> None:
    assert counted(steps(map(message, at_us))) == turns


def test_a_turn_never_goes_over_a_tick_and_is_bounded() -> None:
    busy = [message(number * 100_000) for number in range(25)]
    turns = counted(steps(busy, batch_us=60 * S, most=100))
    assert [turn for turn in turns if turn[1]] == [(900_000, 10), (1_900_000, 10), (2_400_000, 5)]
    assert counted(steps([message(1)] * 25))[:3] == [(1, 10), (1, 10), (1, 5)], "at most so many messages"
    large = [message(1, bytes(5_000_000))] * 3
    assert counted(steps(large))[:2] == [(1, 2), (1, 1)], "and so many bytes"


def test_time_goes_on_to_the_end_of_the_recording_without_messages() -> None:
    assert counted(steps([message(10)], ended_us=2 * S)) == [(10, 1), (S, 0), (2 * S, 0), (2 * S, 0)]


def test_a_long_silence_takes_a_bounded_number_of_turns() -> None:
    year_us = 365 * 86_400 * S
    turns = steps([message(0), message(year_us)])
    assert IDLE_TICKS_MOST / 2 < len(turns) <= IDLE_TICKS_MOST + 4
    assert all(one.at_us < other.at_us for one, other in pairwise(turns[:-1]))
    assert len(steps([message(0), message(3000 * S)])) == 3003, "an hour has each of its seconds"


def test_a_time_without_a_connection_is_one_turn_in_which_nothing_falls_due() -> None:
    missed = Missed(START_US + 2 * S, START_US + 60 * S + 1)
    turns = steps([message(0), missed, message(61 * S)])
    assert [(turn.at_us, turn.missed) for turn in turns] == [
        (0, None),
        (S, None),
        (2 * S, None),
        (60 * S + 1, missed),
        (61 * S, None),
        (61 * S, None),
        (61 * S, None),
    ]


def test_plant_time_follows_the_settings_clock_as_in_the_daemon() -> None:
    real = RecordedTime(START_US, ClockSettings())
    assert real.plant_us() == real.wall_us() == START_US
    fast = RecordedTime(START_US + S, ClockSettings(speed=240, wall_anchor=START_US / 1e6, plant_anchor=1e9))
    assert (fast.plant_us(), fast.wall_us()) == (10**15 + 240 * S, START_US + S)


# ---------------------------------------------------------------- the record


LATER_US = START_US + 2 * 3600 * S


@pytest.fixture(scope="module")
def demo() -> list[Recorded]:
    """A hundred minutes of the demo's plant as a recorder gets them that finds them stored: 100 messages a second."""
    return [
        msgspec.structs.replace(one, received_us=LATER_US + number * 10_000)
        for number, one in enumerate(demo_messages(2400))
    ]


@pytest.fixture(scope="module")
def live() -> list[Recorded]:
    """The first minutes of it as they come in real time."""
    return demo_messages(40)


def test_the_same_recording_gives_the_same_report_and_the_same_tables(tmp_path: Path, demo: list[Recorded]) -> None:
    last_us = demo[-1].received_us
    one = replayed(tmp_path / "one", demo, started_us=LATER_US, ended_us=last_us)
    other = replayed(tmp_path / "other", demo, cuts=range(0, 2400, 7), started_us=LATER_US, ended_us=last_us)
    assert one == other, "however its file is cut into blocks"
    assert one["messages"] == 2400
    assert one["readings"] > 16_000
    assert (one["late"], one["refused"], one["missing_messages"]) == (0, {}, 0)
    assert one["notifications_owed_and_not_sent"] > 0
    first, second = tables(tmp_path / "one"), tables(tmp_path / "other")
    assert first == second
    assert len(first["history reading"]) == one["readings"]
    assert {row[11] for row in first["ledger outbox"]} == {"owed"}, "nothing is sent"


def test_however_the_messages_are_cut_into_transactions_the_alarms_are_the_same(
    tmp_path: Path, demo: list[Recorded]
) -> None:
    reports = {
        batch_us: replayed(tmp_path / str(batch_us), demo, started_us=LATER_US, batch_us=batch_us)
        for batch_us in (1, 50_000, S)
    }
    entries = [len(tables(tmp_path / str(batch_us))["ledger journal"]) for batch_us in reports]
    assert [round(count, -2) for count in entries] == [2400, 500, 0], "they were cut in other ways"
    one, *others = reports.values()
    assert [(alarm["point"], alarm["tier"]) for alarm in one["alarms"]] == [
        ("header", "low-low"),
        ("dp", "high-high"),
        ("airflow", "low-low"),
    ]
    for other in others:
        assert other == one


def test_an_alarm_is_reported_with_its_place_and_times(tmp_path: Path, demo: list[Recorded]) -> None:
    report = replayed(tmp_path / "a", demo[:600], started_us=LATER_US)
    assert report["alarms"][0] == {
        "id": "8f9f8c0dadfe2d338d4f",
        "collector": "quay/silo/bv-3",
        "point": "header",
        "gateway": "",
        "tier": "low-low",
        "priority": "high",
        "state": "active",
        "raised": "2026-11-25T08:15:10Z",
        "cleared": None,
    }
    assert (report["from"], report["to"]) == ("2026-11-25T10:00:00Z", "2026-11-25T10:00:05.99Z")
    assert report["ended_in_order"] is False


def test_what_is_refused_is_counted_by_code(tmp_path: Path, live: list[Recorded]) -> None:
    items = [
        *live[:4],
        Recorded(live[4].received_us, "main", "dustcake/v1/gw-cut-1/readings", b"no JSON", 1),
        Recorded(live[4].received_us, "main", "works/other", b"{}", 0),
    ]
    report = replayed(tmp_path / "a", items)
    assert report["messages"] == 6
    assert sum(report["refused"].values()) == 2
    assert report["refused"]["message-invalid"] >= 1
    kept = tables(tmp_path / "a")["ledger quarantine"]
    assert sorted(bytes(row[6]) for row in kept) == [b"no JSON", b"{}"]


def test_what_a_service_says_of_itself_is_left_out(tmp_path: Path, live: list[Recorded]) -> None:
    own = [
        msgspec.structs.replace(live[0], topic=f"dustcake/v1/service/any/{kind}") for kind in ("status", "heartbeat")
    ]
    report = replayed(tmp_path / "a", [*own, *live[:4]])
    assert (report["messages"], report["messages_of_services_themselves"], report["refused"]) == (4, 2, {})


def test_where_the_broker_names_publishers_a_forged_message_is_refused_as_the_daemon_did(
    tmp_path: Path, live: list[Recorded]
) -> None:
    named = Settings.model_validate({"broker": {"identity_property": "by"}})
    first, second, third = [one for one in live if one.topic.endswith("/readings")][:3]
    own = first.topic.split("/")[2]
    items = [
        msgspec.structs.replace(first, user_properties=(("by", own), ("other", "x"))),
        msgspec.structs.replace(second, user_properties=(("by", "gw-evil"),)),
        third,
    ]
    report = replayed(tmp_path / "a", items, settings=named)
    assert report["refused"] == {"identity-mismatch": 2}
    assert report["readings"] > 0


def silent(report: dict[str, Any]) -> list[str]:
    """The gateways that are called silent."""
    return sorted(one["gateway"] for one in report["alarms"] if one["tier"] == "no-data")


def test_nobody_is_called_silent_for_a_time_in_which_the_recorder_did_not_listen(
    tmp_path: Path, live: list[Recorded]
) -> None:
    items: list[Item] = [*live[:40]]
    last_us, hours_us = live[39].received_us, 2 * 3600 * S
    heard = replayed(tmp_path / "heard", items, ended_us=last_us + hours_us)
    assert len(silent(heard)) == 4, "the recorder listened, and nothing came"
    items.append(Missed(last_us, last_us + hours_us))
    missed = replayed(tmp_path / "missed", items, ended_us=last_us + hours_us)
    assert silent(missed) == []
    assert missed["without_connection_s"] == [7200.0]


def test_gateways_of_a_broker_that_was_not_recorded_are_named_and_not_called_silent(
    tmp_path: Path, live: list[Recorded]
) -> None:
    sources = Sources.model_validate(
        {
            "broker": [{"name": "annex", "host": "annex.example"}],
            "source": [
                {
                    "name": "silo",
                    "broker": "annex",
                    "form": "native",
                    "topics": ["annex/{gateway}"],
                    "gateways": {"S3": "gw-silo-3"},
                }
            ],
        }
    )
    items = [item for item in live[:40] if "gw-silo-3" not in item.topic]
    ended_us = items[-1].received_us + 7200 * S
    report = replayed(tmp_path / "a", items, ended_us=ended_us, sources=sources)
    assert report["gateways_not_recorded"] == ["gw-silo-3"]
    assert len(silent(report)) == 3
    assert "gw-silo-3" not in silent(report)


def test_a_folder_that_has_a_record_is_left_alone(tmp_path: Path, live: list[Recorded]) -> None:
    replayed(tmp_path / "a", live[:4])
    before = tables(tmp_path / "a")
    with pytest.raises(BadConfiguration, match="expected a folder without a record"):
        Replay(tmp_path / "a", load_plant(DEMO), Settings(), Sources(), started_us=START_US)
    assert tables(tmp_path / "a") == before

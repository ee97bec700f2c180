"""Explanations from a real ledger and a real DuckDB: what was judged, how far back, and what the record says."""

from __future__ import annotations

import json
import time
import tomllib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rules.microbatch import Columns
from rules.silence import SilenceChange, SilenceEvent
from rules.types import HOUR_US, MINUTE_US
from service.evaluate.evaluator import Judged
from service.explaining import Explainer
from service.model import BadInput, Entry
from service.plant.file import parse
from service.registering import take_up
from service.store.history import History
from service.store.ledger import Ledger
from service.store.reader import LedgerReader
from service.units.convert import lookup, to_canonical
from service.units.times import as_datetime, parse_rfc3339
from tests import parts

ZERO_US = parse_rfc3339("2026-07-01T00:00:00+01:00")  # midnight on site, in summer time
NAME = "quay/hall/c-0"
DP = (
    '[[collector.point]]\nname = "dp"\nquantity = "differential pressure"\nunit = "inH2O"\nhold = "PT15M"\n'
    'high = { at = 6.0, deadband = 0.2, on_delay = "PT4H" }'
)
AIR = '[[collector.point]]\nname = "airflow"\nquantity = "airflow"\nunit = "cfm"\nhold = "PT15M"\nwhile = "always"'
Rows = Sequence[tuple[int, float]]


def plant_text(at: str = "6.0") -> str:
    return parts.plant_text(1, points=(DP.replace("6.0", at), AIR))


class Site:
    """One collector's readings judged, recorded and kept as the service does it, without a broker."""

    def __init__(self, folder: Path, plant: str) -> None:
        self.ledger = Ledger(folder / "ledger.sqlite")
        self.history = History(folder / "history.duckdb", self.ledger.path, lambda: "aside")
        self.history.start()
        self.reader = LedgerReader(self.ledger.path)
        self.take_plant(plant, ZERO_US - HOUR_US)

    def take_plant(self, plant: str, at_us: int) -> None:
        self.registered = take_up(
            self.ledger, parse(tomllib.loads(plant), "test"), plant_us=at_us, wall_us=at_us, who="test", why="test"
        )

    def take(self, dp: Rows, air: Rows) -> None:
        """Readings as (minute, value), in inH2O and cfm; one batch, one ledger transaction."""
        evaluator, index = self.registered.evaluator, self.registered.evaluator.board.index
        rows = [(name, *row) for name, given in (("airflow", air), ("dp", dp)) for row in given]
        units = {"dp": lookup("inH2O", "differential pressure"), "airflow": lookup("cfm", "airflow")}
        original = np.array([row[2] for row in rows])
        columns = Columns(
            np.array([index[NAME, row[0]] for row in rows], np.int64),
            np.array([ZERO_US + row[1] * MINUTE_US for row in rows], np.int64),
            np.array([to_canonical(units[row[0]], row[2]) for row in rows]),
            np.ones(len(rows), bool),
        )
        unit = np.array([self.registered.unit_numbers[units[row[0]].name] for row in rows], np.int64)
        self.commit(evaluator.take(columns, original, unit, ZERO_US))

    def commit(self, judged: Judged) -> None:
        changes, owed = self.registered.announcer.announce(judged, ZERO_US)
        states = self.registered.evaluator.saved_states(judged.collectors)
        entry = Entry(ZERO_US, batch=judged.batch, changes=changes, owed=owed, collector_states=states)
        seq = self.ledger.commit(entry)
        self.history.follow(seq)
        assert self.history.wait_applied(seq, 20), self.history.error

    def explainer(self, *, rows_at_most: int = 1000, behind: int = 0, now_min: int = 10_000) -> Explainer:
        return Explainer(
            specs={spec.name: spec for spec in self.registered.compiled.specs},
            labels=self.registered.labels,
            reader=self.reader,
            query=self.history.query,
            behind=lambda: behind,
            now_us=lambda: ZERO_US + now_min * MINUTE_US,
            rows_at_most=rows_at_most,
        )

    def why(self, at_min: int, **parts: int) -> dict[str, Any]:
        return self.explainer(**parts).instant(NAME, "dp", "high", ZERO_US + at_min * MINUTE_US)

    def close(self) -> None:
        self.history.stop(10)
        self.reader.close()
        self.ledger.close()


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    made = Site(tmp_path, plant_text())
    yield made
    made.close()


def every(first: int, last: int, value: float) -> list[tuple[int, float]]:
    return [(at, value) for at in range(first, last + 1, 5)]


def air(last: int, *stopped: int) -> list[tuple[int, float]]:
    """The fan runs from ten minutes before, but for the minutes in `stopped`."""
    return [(at, 0.0 if at in stopped else 8000.0) for at in range(-10, last + 1, 5)]


def test_why_was_there_no_alarm_at_0410(site: Site) -> None:
    site.take(every(0, 250, 6.1), air(250, *range(60, 180)))
    found = site.why(250)
    assert found["answer"] == (
        "There was no high alarm at 2026-07-01 04:10:00 UTC+01:00: the value was beyond 6.00 inH2O since "
        "2026-07-01 00:00:00 UTC+01:00, but only 2 h 9 min 55 s of the on-delay of 4 h had been counted."
    )
    assert (
        "From 2026-07-01 01:00:00 UTC+01:00 to 2026-07-01 03:00:00 UTC+01:00 nothing was counted: the collector was "
        "stopped." in found["sentences"]
    )
    assert "Readings before 2026-06-29 20:10:00 UTC+01:00 were not looked at." in found["sentences"]
    assert (found["facts"]["unit"], found["facts"]["revision"], found["facts"]["record_alarm"]) == ("inH2O", 1, None)
    json.dumps(found, allow_nan=False)


def test_an_alarm_is_explained_by_its_id_and_at_an_instant_alike(site: Site) -> None:
    site.take(every(0, 250, 6.1), air(250))
    (row,) = site.reader.alarms(active_only=True, limit=10)
    found = site.explainer().alarm(row["id"])
    assert "was raised at 2026-07-01 04:00:00 UTC+01:00 because dp was beyond 6.00 inH2O" in found["answer"]
    assert found["answer"].endswith("it is active.")
    then = site.why(245)
    assert then["answer"].startswith("The high alarm was active")
    assert then["facts"]["record_alarm"] == row["id"]
    assert then["facts"]["raised_us"] == row["raised_us"]
    assert not [sentence for sentence in then["sentences"] if "record" in sentence]
    site.take([(255, 5.8), (260, 5.8)], [(255, 8000.0), (260, 8000.0)])
    assert "it cleared at 2026-07-01 04:15:00" in site.explainer().alarm(row["id"])["answer"]
    assert site.why(254)["facts"]["record_alarm"] == row["id"]
    assert site.why(255)["facts"]["record_alarm"] is None


def test_a_value_just_beyond_is_not_rounded_onto_its_limit(site: Site) -> None:
    site.take([(0, 6.001)], air(0))
    assert "The value was 6.001 inH2O" in site.why(1)["sentences"][0]


def test_an_alarm_older_than_the_look_back_is_followed_to_its_beginning(site: Site) -> None:
    days = 3 * 24 * 60
    site.take([*every(0, 250, 6.1), *every(255, days, 5.9)], air(days))
    found = site.why(days, rows_at_most=5000)
    assert found["facts"]["raised_us"] == ZERO_US + 240 * MINUTE_US


def test_a_cut_is_said_and_so_is_a_record_that_differs(site: Site) -> None:
    site.take(every(0, 300, 6.1), air(300))
    found = site.why(300, rows_at_most=20, behind=3)
    assert found["facts"]["is_cut"]
    words = " ".join(found["sentences"])
    assert "Only the last 20 readings of a point were looked at" in words
    assert "it may have begun before" in words
    assert "as active since 2026-07-01 04:00:00 UTC+01:00 at that instant" in words
    assert "The history was 3 journal entries behind" in words


def test_a_changed_plant_file_is_said_and_the_alarm_that_it_closed_explained(site: Site) -> None:
    site.take(every(0, 250, 6.1), air(250))
    (row,) = site.reader.alarms(active_only=True, limit=10)
    site.take_plant(plant_text("7.0"), ZERO_US + 251 * MINUTE_US)
    closed = site.explainer().alarm(row["id"])
    assert "it was closed at 2026-07-01 04:11:00 UTC+01:00 (limit changed)." in closed["answer"]
    assert "beyond 6.00 inH2O" in closed["answer"]
    words = " ".join(site.why(250)["sentences"])
    assert "Revision 2 of the plant file was taken up at 2026-07-01 04:11:00" in words
    assert f"The record has alarm {row['id']} as active since" in words


def test_an_alarm_of_a_point_that_is_gone_is_still_explained(site: Site) -> None:
    site.take(every(0, 250, 6.1), air(250))
    (row,) = site.reader.alarms(active_only=True, limit=10)
    site.take_plant(parts.plant_text(1, points=(AIR,)), ZERO_US + 251 * MINUTE_US)
    assert "in the unit in which the record keeps it" in site.explainer().alarm(row["id"])["answer"]


def test_a_no_data_alarm_is_explained(site: Site) -> None:
    event = SilenceEvent(
        "silent-1", "gw-0", SilenceChange.RAISED, ZERO_US + 60, ZERO_US, ZERO_US + 60, ("dp",), "no good reading"
    )
    site.commit(Judged(silences=[event]))
    found = site.explainer().alarm("silent-1")
    assert found["answer"].startswith("The no-data alarm of gateway gw-0 was raised at 2026-07-01 00:00:00.000060")


def test_a_bad_reading_without_a_value_is_unknown(site: Site) -> None:
    site.take([(0, 5.0)], air(0))
    evaluator, index = site.registered.evaluator, site.registered.evaluator.board.index
    one = np.array([index[NAME, "dp"]], np.int64)
    nan = np.array([np.nan])
    columns = Columns(one, np.array([ZERO_US + MINUTE_US], np.int64), nan, np.zeros(1, bool))
    site.commit(evaluator.take(columns, nan, np.ones(1, np.int64), ZERO_US))
    found = site.why(2)
    assert "the gateway marked that reading as bad" in found["sentences"][0]
    json.dumps(found, allow_nan=False)


@pytest.mark.parametrize(
    ("place", "words"),
    [
        (("quay/hall/c-9", "dp", "high"), "no collector 'quay/hall/c-9' in the plant file; it has: quay/hall/c-0"),
        ((NAME, "dpp", "high"), "no point 'dpp' in quay/hall/c-0; it has: dp, airflow"),
        ((NAME, "dp", "low"), "no limit 'low' in dp of quay/hall/c-0; it has: high"),
        ((NAME, "airflow", "low"), "it has: none"),
    ],
)
def test_what_is_not_there_is_named_with_what_is(site: Site, place: tuple[str, str, str], words: str) -> None:
    with pytest.raises(KeyError, match="there is no") as raised:
        site.explainer().instant(*place, ZERO_US)
    assert words in raised.value.args[0]
    with pytest.raises(KeyError, match="there is no alarm 'x' on record"):
        site.explainer().alarm("x")


def test_the_future_is_not_explained(site: Site) -> None:
    with pytest.raises(BadInput, match="not after now"):
        site.why(11, now_min=10)


@pytest.mark.broker
def test_the_daemon_explains_over_http(tmp_path: Path) -> None:
    with parts.any_broker(tmp_path) as broker:
        daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(1))
        try:
            daemon.start()
            start_s = int(time.time()) - 600
            rows = [(tag, start_s + n, value) for n in range(60) for tag, value in (("airflow", 8000.0), ("dp", 5.5))]
            with parts.publisher(broker) as client:
                client.publish("dustcake/v1/gw-0/readings", parts.message("gw-0", 1, rows), 1).wait_for_publish(20)
            parts.wait_until(lambda: daemon.get("/api/v1/alarms"), "the alarm is raised")
            (alarm,) = daemon.get("/api/v1/alarms")
            found = daemon.get("/api/v1/explain", alarm=alarm["id"])
            assert "outlasted its on-delay of 20 s" in found["answer"]
            at = as_datetime((start_s + 20) * 1_000_000).isoformat()
            place = {"collector": NAME, "point": "dp", "limit": "high", "at": at}

            def is_there() -> bool:
                facts = daemon.get("/api/v1/explain", **place)["facts"]
                return facts["history_behind"] == 0 and facts["value"] is not None

            parts.wait_until(is_there, "the history has the readings")
            found = daemon.get("/api/v1/explain", **place)
            assert "but only 15 s of the on-delay of 20 s had been counted" in found["answer"]
            assert "was settling" in " ".join(found["sentences"])
        finally:
            daemon.end()

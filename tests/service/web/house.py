"""A small house in memory: what the API asks, answered from values that a test sets."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from service.model import (
    AlarmView,
    BadConfiguration,
    BadInput,
    Chosen,
    CollectorView,
    Health,
    LimitView,
    Liveness,
    Overview,
    PointView,
    Purged,
    Reloaded,
    SendAgain,
    SentAgain,
)

NOW = datetime(2026, 11, 25, 8, 0, 10, tzinfo=UTC)
TOKEN = "a-token-for-the-tests-only"
HOSTS = ["127.0.0.1", "localhost", "::1"]
MARKUP = '<img src=x onerror="document.title=1">&amp;'


class FakeHouse:
    """Implements `House`; `change` replaces parts of the overview and grows the version."""

    def __init__(self, overview: Overview) -> None:
        self._overview = overview
        self._condition = threading.Condition()
        self.checks = {"ledger": "ok", "broker": "ok"}
        self.contacts = {"lead"}
        self.rows: list[dict[str, Any]] = []
        self.asked: list[Any] = []  # of the quarantine
        self.missing: list[dict[str, Any]] = []
        self.fails = False
        self.turned_s_ago = 0.2
        self.waiting = 0
        self.waiting_most = 0

    def change(self, **parts: Any) -> None:
        with self._condition:
            self._overview = replace(self._overview, version=self._overview.version + 1, **parts)
            self._condition.notify_all()

    def overview(self) -> Overview:
        if self.fails:
            raise RuntimeError("the ledger is on fire")
        return self._overview

    def wait_for_change(self, seen: int, timeout_s: float) -> int:
        with self._condition:
            self.waiting += 1
            self.waiting_most = max(self.waiting, self.waiting_most)
            self._condition.wait_for(lambda: self._overview.version > seen, timeout_s)
            self.waiting -= 1
            return self._overview.version

    def alarms(self, *, active_only: bool, limit: int) -> list[AlarmView]:
        chosen = [a for a in self._overview.alarms if not active_only or a.state in ("active", "held")]
        return chosen[:limit]

    def quarantine(self, chosen: Chosen, *, state: str, before: int | None, limit: int) -> list[dict[str, Any]]:
        self.asked.append((chosen, state, before, limit))
        return self.rows[:limit]

    def quarantine_one(self, number: int) -> dict[str, Any]:
        for row in self.rows:
            if row.get("id") == number:
                return row
        raise KeyError(f"there is no message {number} in quarantine")

    def quarantine_counts(self) -> dict[str, Any]:
        code = {"code": "unit-refused", "kept": 2, "redriven": 1, "bytes": 900}
        return {
            "codes": [code | {"first_received_us": 0, "last_received_us": 1_000_000}],
            "bytes": 900,
            "bytes_at_most": 1000,
        }

    def send_again(self, order: SendAgain) -> SentAgain:
        """Two shares of one message: the first goes through, the second is refused again."""
        if self.fails:
            raise RuntimeError("the service is busy; ask again")
        self.asked.append(order)
        is_first = order.after == 0
        parts = {"through": int(is_first), "still_kept": int(not is_first), "cut": 0, "status": 0}
        readings = {"new": 6 * is_first, "duplicate": 0, "late": 2 * is_first, "refused": int(not is_first)}
        return SentAgain(messages=1, **parts, **readings, after=7 if is_first else 9, left=int(is_first))

    def purge_quarantine(self, older_than_us: int, who: str, why: str) -> Purged:
        if self.fails:
            raise RuntimeError("the service is busy; ask again")
        self.asked.append((older_than_us, who, why))
        return Purged(messages=3, never_used=2, bytes=900, codes={"unit-refused": 3})

    def gaps(self, *, missing_only: bool, limit: int) -> list[dict[str, Any]]:
        return [row for row in self.missing if not (missing_only and row["filled_us"])][:limit]

    def numbering(self) -> list[dict[str, Any]]:
        missing = sum(row["last"] - row["first"] + 1 for row in self.missing if row["filled_us"] is None)
        return [
            {"gateway": "gw-cut-1", "numbering": "numbered", "missing": missing},
            {"gateway": "gw-cut-2", "numbering": "not numbered", "missing": 0},
        ]

    def health(self) -> Health:
        return Health(ready=all(said == "ok" for said in self.checks.values()), checks=self.checks)

    def liveness(self) -> Liveness:
        return Liveness(self.turned_s_ago <= 30.0, self.turned_s_ago, 30.0)

    def send_test(self, contact: str) -> list[str]:
        if contact not in self.contacts:
            raise KeyError(contact)
        return [f"test/{contact}/mail"]

    def history_counts(self) -> dict[str, Any]:
        return {"applied": 2, "entries": [(1, 10), (2, 5)]}

    def reload_sources(self, who: str) -> Reloaded:
        if self.fails:
            raise BadConfiguration("sources.toml: source[line].form: missing; expected the payload form; add it")
        self.asked.append(("reload", who))
        return Reloaded(["source line tags p unit: mbar -> inH2O"], ["source[line]: the plant file has no gateway g"])

    def rebuild_history(self) -> str:
        return "rebuilding from 3 journal entries"

    def explain_alarm(self, alarm_id: str) -> dict[str, Any]:
        if alarm_id not in {one.id for one in self._overview.alarms}:
            raise KeyError(f"there is no alarm {alarm_id!r} on record")
        return {"answer": f"Alarm {alarm_id} was raised.", "sentences": ["Because."], "facts": {"about": "alarm"}}

    def explain_instant(self, collector: str, point: str, limit: str, at_us: int) -> dict[str, Any]:
        if self.fails:
            raise RuntimeError("the history is not open; try again soon")
        if collector not in {one.id for one in self._overview.collectors}:
            raise KeyError(f"there is no collector {collector!r}")
        if at_us > NOW.timestamp() * 1e6:
            raise BadInput("at: expected an instant not after now; ask for an earlier one")
        facts = {"collector": collector, "point": point, "limit": limit, "at_us": at_us}
        return {"answer": "There was no alarm.", "sentences": ["It was not beyond."], "facts": facts}


def limit(name: str, at: float, state: str = "normal", delay_s: float = 600.0, counted_s: float = 0.0) -> LimitView:
    began = NOW - timedelta(seconds=counted_s or delay_s) if state != "normal" else None
    return LimitView(name, at, delay_s, state, counted_s, began)


def pressure(value: float | None, *limits: LimitView, health: str = "good", age_s: float | None = 8.0) -> PointView:
    last_at = None if age_s is None else NOW - timedelta(seconds=age_s)
    last = None if health == "never" else (3.02 if value is None else value)
    return PointView("dp", "differential pressure", "inH2O", value, last, last_at, age_s, health, list(limits))


def collector(
    number: int, need: str, *points: PointView, running: str = "running", link: str = "online"
) -> CollectorView:
    return CollectorView(
        id=f"quay/cutting/dc-{number}",
        name=f"Cutting hall {number}",
        site="quay",
        area="cutting",
        kind="cartridge",
        time_zone="Europe/Dublin",
        running=running,
        gateway=f"gw-cut-{number}",
        gateway_link=link,
        need=need,
        points=list(points),
    )


def alarm(number: int = 2, name: str = "high-high", alarm_id: str = "a1", state: str = "active") -> AlarmView:
    return AlarmView(
        id=alarm_id,
        collector=f"quay/cutting/dc-{number}",
        point="dp",
        quantity="differential pressure",
        limit=name,
        priority="high",
        unit="inH2O",
        state=state,
        began_at=NOW - timedelta(hours=5),
        raised_at=NOW - timedelta(hours=1),
        cleared_at=None,
        recorded_at=NOW - timedelta(hours=1),
        threshold=8.0,
        extreme=8.74,
        on_delay_s=600.0,
        counted_s=600.0,
        stopped_s=1800.0,
        unknown_s=0.0,
        readings=812,
        reason="",
        told=[
            {"step": "raised", "contact": "lead", "channel": "mail", "state": "accepted", "at": NOW},
            {"step": "raised", "contact": "lead", "channel": "hook", "state": "owed", "at": None},
        ],
    )


def plant() -> list[CollectorView]:
    """One collector of every need, in the wrong order on purpose."""
    temperature = PointView("temperature", "temperature", "degC", 24.6, 24.6, NOW, 4.0, "good")
    header_limits = [limit("low-low", 65.0), limit("low", 75.0), limit("high", 105.0), limit("high-high", 115.0)]
    header = PointView("header", "gauge pressure", "psi", 92.13, 92.13, NOW, 4.0, "good", header_limits)
    slow, unjudged = limit("high", 6.0, delay_s=14_400), limit("high", 6.0, "unknown")
    both = (("high", 6.0), ("high-high", 8.0))
    return [
        collector(1, "quiet", pressure(3.14, limit("low", 1.0), slow), header, temperature),
        collector(3, "pending", pressure(6.41, limit("high", 6.0, "pending", 14_400, 7_800), limit("high-high", 8.0))),
        collector(2, "alarm", pressure(8.52, *(limit(*one, "active") for one in both)), header, temperature),
        collector(
            4,
            "no data",
            pressure(None, unjudged, health="stale", age_s=720.0),
            running="unknown",
            link="silent",
        ),
        collector(5, "quiet", pressure(0.02, limit("high", 6.0, "held")), running="stopped"),
        collector(6, "no data", pressure(None, unjudged, health="never", age_s=None), link="never"),
    ]


def house(**parts: Any) -> FakeHouse:
    """A house with one collector of every need and one active alarm, unless `parts` of the overview say otherwise."""
    overview = Overview(
        version=1,
        now=NOW,
        clock="demo clock, 240 times as fast as real time",
        service="alder-pike",
        enterprise="Alder & Pike Works",
        collectors=plant(),
        alarms=[alarm()],
        counts={"readings": 12_345, "duplicates": 3, "journal_lag": 0},
    )
    return FakeHouse(replace(overview, **parts))

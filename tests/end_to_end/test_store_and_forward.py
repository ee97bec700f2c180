"""Gateways that were cut off send twelve hours at once: every row once, alarms at their own times, few messages.

Among it: live traffic, duplicates, clocks that were never set, a retained message, reboots, kills of the daemon.
DUSTCAKE_GATEWAYS sets how many gateways (20).
"""

from __future__ import annotations

import os
import random
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests import parts
from tests.end_to_end.story import Story, truth

pytestmark = [pytest.mark.broker, pytest.mark.timeout(3600 if "DUSTCAKE_GATEWAYS" in os.environ else 300)]
GATEWAYS = int(os.environ.get("DUSTCAKE_GATEWAYS", "20"))
LIVE = GATEWAYS  # one more gateway, which was never cut off
HOURS, STEP_S, HOUR_S = 12, 300, 3600
STILL_EVERY = 5  # of so many gateways, one is still beyond its limit when the stored data end
COUNTED = "SELECT coalesce(sum(rows), 0) FROM journal"
SETTINGS = (
    '[channels.news]\nkind = "mqtt"\ntopic = "news/stored"\n'
    "[notify]\nstored_quiet_s = 2\nstored_longest_s = 6\n[intake]\nbatch_parcels = 40\n"
)


def plant() -> str:
    """As many collectors, each with one pressure of two limits; one contact hears all of them."""
    text = [
        '[enterprise]\nid = "alder-pike"\nname = "Alder & Pike Works"',
        '[[site]]\nid = "quay"\nname = "Quay Street works"\ntime_zone = "Europe/Dublin"',
        '[[area]]\nid = "quay/hall"\nname = "Hall"',
    ]
    for n in range(GATEWAYS + 1):
        text.append(
            f'[[gateway]]\nid = "gw-{n}"\nreports_every = "PT5M"\nsilent_after = "P7D"\n'
            f'[[collector]]\nid = "quay/hall/c-{n}"\nname = "Collector {n}"\nkind = "baghouse"\ngateway = "gw-{n}"\n'
            '[[collector.point]]\nname = "dp"\nquantity = "differential pressure"\nunit = "inH2O"\n'
            'high = { at = 5.0, deadband = 0.2, on_delay = "PT10M" }\n'
            'high-high = { at = 6.0, deadband = 0.2, on_delay = "PT5M", priority = "high" }\n'
            '[[collector.point]]\nname = "amps"\nquantity = "current"\nunit = "A"'
        )
    return "\n\n".join([*text, '[[contact]]\nid = "lead"\nname = "Lead"\nvia = [{ channel = "news" }]'])


@dataclass(frozen=True)
class Burst:
    """Twelve hours of `GATEWAYS` gateways, one message an hour, ending a quarter of an hour ago."""

    first_s: int
    hours: dict[int, list[list[tuple[str, float, float]]]]  # by gateway

    @classmethod
    def of(cls, seed: int) -> Burst:
        draw = random.Random(seed)
        first_s = (int(time.time()) - 900) // STEP_S * STEP_S - HOURS * HOUR_S
        return cls(first_s, {n: list(_hours(draw, n, first_s)) for n in range(GATEWAYS)})

    @property
    def rows(self) -> int:
        return sum(len(hour) for hours in self.hours.values() for hour in hours)

    def story(self, *, newest_only: bool = False) -> Story:
        """What the rules judge of it."""
        return Story(
            GATEWAYS, [(n, hour) for n, hours in self.hours.items() for hour in (hours[-1:] if newest_only else hours)]
        )


def _hours(draw: random.Random, n: int, first_s: int) -> Iterator[list[tuple[str, float, float]]]:
    """A pressure that goes beyond its limits four times, for 40 minutes each."""
    peaks = [(hour * HOUR_S + draw.randrange(0, 1200), draw.choice((5.5, 6.5))) for hour in (1, 4, 7, 10)]
    if n % STILL_EVERY == 0:
        peaks.append((HOURS * HOUR_S - 2400, 5.5))
    for hour in range(HOURS):
        rows = []
        for at_s in range(hour * HOUR_S, (hour + 1) * HOUR_S, STEP_S):
            beyond = next((value for start_s, value in peaks if start_s <= at_s < start_s + 2400), 3.0)
            rows.append(("dp", float(first_s + at_s), round(beyond + draw.uniform(0, 0.1), 3)))
            rows.append(("amps", float(first_s + at_s), round(draw.gauss(27, 0.2), 2)))
        yield rows


def messages(burst: Burst, draw: random.Random, *, newest_first: bool = False) -> list[tuple[str, bytes, str]]:
    """(topic, payload, kind), gateways mixed, each in its own order; some twice, some rebooted, some with no clock."""
    queues = {}
    for n, hours in burst.hours.items():
        own: list[tuple[bytes, str]] = []
        order = list(reversed(hours)) if newest_first else hours
        reboot = draw.randrange(2, HOURS) if n % 2 else HOURS
        for number, hour in enumerate(order):
            boot, seq = ("b1", number) if number < reboot else ("b2", number - reboot)
            payload = parts.message(f"gw-{n}", seq, hour, boot)
            own.append((payload, "stored"))
            if number == reboot:
                unset = [("dp", float(second), 9.0) for second in (1, 2, 3)]  # 1970, until the clock is set
                own.append((parts.message(f"gw-{n}", 100, unset, boot), "no clock"))
            if draw.random() < 0.2:
                own.append((payload, "twice"))
        queues[n] = own
    made = []
    while queues:
        n = draw.choice(list(queues))
        payload, kind = queues[n].pop(0)
        made.append((f"dustcake/v1/gw-{n}/readings", payload, kind))
        if not queues[n]:
            del queues[n]
    return made


def all_told(daemon: parts.Daemon) -> bool:
    return daemon.ask_ledger("SELECT count(*) FROM outbox WHERE state = 'owed'") == [(0,)]


def test_a_burst_is_stored_once_judged_at_its_own_time_and_told_in_few_messages(tmp_path: Path) -> None:
    seed = random.SystemRandom().randrange(10**6)
    print("seed", seed)  # shown when the test fails
    draw = random.Random(seed)
    burst = Burst.of(seed)
    sent = messages(burst, draw)
    kills = sorted(draw.sample(range(10, len(sent) - 10), 2))
    live_rows: list[tuple[str, float, float]] = []
    with (
        parts.mosquitto(tmp_path) as broker,
        parts.hearing(broker, "news/stored") as news,
        parts.publisher(broker) as client,
    ):
        daemon = parts.Daemon(tmp_path / "d", broker, plant(), SETTINGS)
        try:
            daemon.start()
            # A gateway that retains its readings: they come again whenever the daemon subscribes.
            topic, payload, _ = next(one for one in sent if one[0] == "dustcake/v1/gw-0/readings")
            client.publish(topic, payload, qos=1, retain=True).wait_for_publish(20)
            now_s = time.time()
            for number, (topic, payload, _) in enumerate(sent):
                info = client.publish(topic, payload, qos=1)
                if number % max(1, len(sent) // 10) == 0:
                    # From 400 s ago on: that is live, and so is the alarm after five minutes beyond the limit.
                    row = ("dp", round(now_s - 400 + 39 * len(live_rows), 3), 6.5 if live_rows else 3.0)
                    live_rows.append(row)
                    client.publish(
                        f"dustcake/v1/gw-{LIVE}/readings", parts.message(f"gw-{LIVE}", len(live_rows), [row]), qos=1
                    )
                if number in kills:
                    info.wait_for_publish(60)
                    daemon.kill()
                    daemon.start()
            info.wait_for_publish(60)
            rows = burst.rows + len(live_rows)
            parts.wait_until(lambda: daemon.ask_ledger(COUNTED)[0][0] >= rows, "all rows are in the ledger")
            daemon.kill()  # within the hold: what is held must survive it
            daemon.start()
            parts.wait_until(lambda: all_told(daemon), "all is told")
            expected = truth(burst.story(), daemon.plant, (burst.first_s + HOURS * HOUR_S) * 10**6)
            in_record = {
                row[0]: row[1:]
                for row in daemon.ask_ledger(
                    f"SELECT id, raised_us, cleared_us FROM alarm WHERE collector <> 'quay/hall/c-{LIVE}'"
                )
            }
            assert in_record == expected
            assert len(expected) >= 4 * GATEWAYS
            check_what_people_were_told(daemon, news, expected)
            # Distinct, because a kill between commit and acknowledgement brings a refused message twice.
            refused = daemon.ask_ledger("SELECT code, count(DISTINCT payload) FROM quarantine GROUP BY code")
            assert refused == [("time-unset", sum(kind == "no clock" for *_, kind in sent))]
            assert daemon.stop() == 0
            assert daemon.ask_history("SELECT count(*), count(DISTINCT (point, at_utc)) FROM reading") == [(rows, rows)]
            assert daemon.ask_history("SELECT count(*) FROM reading WHERE late") == [(0,)]
        finally:
            daemon.end()


def check_what_people_were_told(
    daemon: parts.Daemon, news: list[dict[str, Any]], expected: dict[str, tuple[int, int | None]]
) -> None:
    """Every alarm of the burst in a summary or, when it is still active, by itself; few messages in all."""
    outbox = daemon.ask_ledger("SELECT key, alarm_id, step, state FROM outbox")
    assert {row[3] for row in outbox} == {"accepted"}
    active = {alarm for alarm, (_, cleared_us) in expected.items() if cleared_us is None}
    assert len(active) >= GATEWAYS // STILL_EVERY
    ids = {one["id"] for one in news}  # a kill may repeat a message, with the same id
    by_itself = {one["data"]["alarm"] for one in news if one["data"]["step"] in ("raised", "escalated")}
    live = {row[0] for row in daemon.ask_ledger(f"SELECT id FROM alarm WHERE collector = 'quay/hall/c-{LIVE}'")}
    assert active | live <= by_itself
    assert len(live) == 1
    assert daemon.ask_ledger(f"SELECT count(*) FROM outbox JOIN held USING (id) WHERE body LIKE '%c-{LIVE}\"%'") == [
        (0,)
    ]  # what is live waits for nothing
    summaries = {one["id"]: one["data"] for one in news if one["data"]["step"] == "found-late"}
    together = daemon.ask_ledger(
        "SELECT count(*) FROM outbox JOIN held USING (id) WHERE summary IS NOT NULL AND step IN ('raised', 'escalated')"
    )[0][0]
    assert sum(data["found"]["count"] for data in summaries.values()) == together
    # The daemon was killed three times; the alarms that were active when a hold ended were news then.
    per_collector = Counter(one["data"]["collector"] for one in {one["id"]: one for one in news}.values())
    assert max(per_collector.values()) <= 8
    notices = len([row for row in outbox if row[2] != "found-late"])
    print(f"{notices} notices in {len(ids)} messages, {len(summaries)} of them summaries; live {len(live)}")
    assert len(ids) < notices / 2
    for data in summaries.values():
        for alarm in data["found"]["alarms"]:
            raised_us, cleared_us = expected[alarm["alarm"]]
            assert alarm["raised_at"] == _iso(raised_us)
            assert alarm["ended_at"] == _iso(cleared_us)


def _iso(at_us: int | None) -> str:
    assert at_us is not None
    return f"{time.strftime('%Y-%m-%dT%H:%M:%S', time.gmtime(at_us // 10**6))}.{at_us % 10**6:06d}Z"


def test_newest_first_loses_no_row_and_judges_only_what_does_not_go_back_in_time(tmp_path: Path) -> None:
    """The first message is the newest hour: the older ones are late, kept in the history, and not judged."""
    burst = Burst.of(11)
    sent = messages(burst, random.Random(11), newest_first=True)
    with parts.mosquitto(tmp_path) as broker, parts.publisher(broker) as client:
        daemon = parts.Daemon(tmp_path / "d", broker, plant(), SETTINGS)
        try:
            daemon.start()
            for n, hours in burst.hours.items():
                newest = parts.message(f"gw-{n}", 0, hours[-1])
                client.publish(f"dustcake/v1/gw-{n}/readings", newest, qos=1)
            first = burst.rows // HOURS
            parts.wait_until(lambda: daemon.ask_ledger(COUNTED)[0][0] >= first, "the newest hours are judged")
            for topic, payload, _ in sent:
                info = client.publish(topic, payload, qos=1)
            info.wait_for_publish(60)
            parts.wait_until(lambda: daemon.ask_ledger(COUNTED)[0][0] >= burst.rows, "all rows are in the ledger")
            until_us = (burst.first_s + HOURS * HOUR_S) * 10**6
            expected = truth(burst.story(newest_only=True), daemon.plant, until_us)
            record = daemon.ask_ledger("SELECT id, raised_us, cleared_us FROM alarm")
            assert {row[0]: row[1:] for row in record} == expected
            counts = {item["name"]: item["count"] for item in daemon.get("/api/v1/overview")["counts"]}
            assert counts["late"] >= burst.rows * (HOURS - 1) // HOURS  # how much was not judged is on the page
            assert daemon.stop() == 0
            found = daemon.ask_history("SELECT count(DISTINCT (point, at_utc)), count(*) FROM reading")
            assert found == [(burst.rows, burst.rows)]
            judged = daemon.ask_history("SELECT count(*) FROM reading WHERE NOT late")
            assert judged == [(burst.rows // HOURS,)]
        finally:
            daemon.end()

"""Hours at full rate: does the memory stay flat, how long does a commit take, and which file grows?

`python -m tests.bench.endurance --minutes 60 --collectors 200` publishes live readings as fast as the daemon takes
them. Exit code 1 when resident memory grew by 5 % or more after it had settled, when a reading was lost, or when a file
grew that is not the record.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np

from tests import parts
from tests.fuzz.explosion import memory

INSTANTS = 5  # in a message; each has all six tags of its collector
UNDER_WAY = 20_000  # messages that are published and not yet committed: with more the publisher waits
EXCURSION_MS, EXCURSION_OF = 60_000, 50  # a collector is beyond its limits for a minute in so many
TOLD = '[[contact]]\nid = "lead"\nname = "Lead"\nvia = [{ channel = "board" }]'
# The history's buffers fill with what it has stored, up to their limit: a low one is reached within minutes.
SETTINGS = '[history]\nmemory_mb = 256\n[channels.board]\nkind = "mqtt"\ntopic = "alder-pike/told"\n'
LOOK_S = 5.0
SETTLED = 0.15  # of the run: buffers and caches have filled by then
GROWTH_MOST = 0.05
RECORD = ("ledger.sqlite", "history.duckdb")  # these hold every reading, and grow with them; the rest must not
REST_MOST_MIB = 64.0  # of any other file


@dataclass
class Look:
    """One look at the daemon; sizes in MiB."""

    at_s: float
    readings: int
    resident: float
    commit_ms: int
    files: dict[str, float]


@dataclass
class Outcome:
    """`growth` compares the medians of the first and the last quarter after settling."""

    minutes: float
    collectors: int
    messages: int
    readings: int
    lost: int
    readings_a_second: float
    resident_settled: float
    resident_end: float
    growth: float
    commit_ms_median_of_p99: float
    commit_ms_worst_p99: float
    bytes_a_reading: float
    alarms: int
    largest: dict[str, float] = field(default_factory=dict)
    breaches: list[str] = field(default_factory=list)


def payloads(collectors: int, seed: int) -> Iterator[tuple[str, bytes]]:
    """Live messages without an end: a plant that is calm, but for a collector now and then."""
    draw = np.random.default_rng(seed)
    level = {"dp": 3.2, "header": 90.0, "airflow": 8000.0, "temperature": 120.0, "amps": 27.0, "pulses": 5.0}
    last_ms = [0] * collectors
    number = 0
    while True:
        gateway = number % collectors
        now_ms = max(int(time.time() * 1000), last_ms[gateway] + INSTANTS)
        step_ms = max(1, (now_ms - last_ms[gateway]) // INSTANTS) if last_ms[gateway] else 1
        instants = [now_ms - step_ms * (INSTANTS - 1 - i) for i in range(INSTANTS)]
        last_ms[gateway] = now_ms
        noise = draw.standard_normal((INSTANTS, len(level)))
        rise = 2.0 if (now_ms // EXCURSION_MS + gateway) % EXCURSION_OF == 0 else 1.0
        rows = [
            (tag, at_ms / 1000, round(base * rise * (1 + 0.02 * float(noise[i, k])), 2))
            for i, at_ms in enumerate(instants)
            for k, (tag, base) in enumerate(level.items())
        ]
        yield f"dustcake/v1/gw-{gateway}/readings", parts.message(f"gw-{gateway}", number // collectors, rows)
        number += 1


def look(daemon: parts.Daemon, began_s: float) -> Look:
    counts = {one["name"]: one["count"] for one in daemon.get("/api/v1/overview")["counts"]}
    files = {
        path.name: path.stat().st_size / 2**20 for path in (daemon.folder / "data").rglob("*") if path.is_file()
    } | {"daemon.log": (daemon.folder / "daemon.log").stat().st_size / 2**20}
    return Look(
        time.monotonic() - began_s, counts.get("readings", 0), memory(daemon, "VmRSS"), counts["commit ms"], files
    )


def endure(folder: Path, minutes: float, collectors: int, seed: int) -> Outcome:
    """Publish for so long, wait until all is committed, and account for it."""
    looks: list[Look] = []
    with parts.mosquitto(folder) as broker:
        daemon = parts.Daemon(folder / "d", broker, parts.plant_text(collectors, contacts=TOLD), SETTINGS)
        try:
            daemon.start()
            began_s = time.monotonic()
            sent = _publish(broker, daemon, looks, minutes * 60, payloads(collectors, seed))
            wanted = sent * INSTANTS * len(parts.UNITS)
            parts.wait_until(lambda: look(daemon, began_s).readings >= wanted or None, "everything is committed", 300)
            looks.append(look(daemon, began_s))
            (alarms,) = daemon.ask_ledger("SELECT count(*) FROM alarm")[0]
            daemon.stop()
            kept = int(daemon.ask_history("SELECT count(*) FROM reading")[0][0])
        finally:
            daemon.end()
    return _account(looks, collectors, sent=sent, lost=wanted - kept, alarms=int(alarms))


def _publish(
    broker: parts.BrokerAt,
    daemon: parts.Daemon,
    looks: list[Look],
    for_s: float,
    made: Iterator[tuple[str, bytes]],
) -> int:
    """How many messages were published; looks at the daemon meanwhile and prints it."""
    sent, began_s, due_s = 0, time.monotonic(), 0.0
    with parts.publisher(broker) as client:
        while time.monotonic() - began_s < for_s:
            if time.monotonic() >= due_s:
                due_s = time.monotonic() + LOOK_S
                looks.append(look(daemon, began_s))
                _tell(looks[-1], sent, for_s)
            committed = looks[-1].readings // (INSTANTS * len(parts.UNITS))
            if sent - committed >= UNDER_WAY:
                due_s = min(due_s, time.monotonic() + 0.5)
                time.sleep(0.1)
                continue
            for _ in range(500):
                topic, payload = next(made)
                info = client.publish(topic, payload, qos=1)
                sent += 1
            info.wait_for_publish(60)
    return sent


def _tell(now: Look, sent: int, for_s: float) -> None:
    if int(now.at_s / LOOK_S) % 12 == 0:
        print(
            f"[{now.at_s / 60:5.1f} of {for_s / 60:.0f} min] {sent:,} sent, {now.readings:,} readings, "
            f"{now.resident:.0f} MiB resident, 99 of 100 commits within {now.commit_ms} ms",
            file=sys.stderr,
            flush=True,
        )


def _account(looks: list[Look], collectors: int, *, sent: int, lost: int, alarms: int) -> Outcome:
    last = looks[-1]
    settled = [one for one in looks if one.at_s > last.at_s * SETTLED] or looks
    quarter = max(1, len(settled) // 4)
    first_mib = float(np.median([one.resident for one in settled[:quarter]]))
    end_mib = float(np.median([one.resident for one in settled[-quarter:]]))
    commits = [one.commit_ms for one in settled]
    largest = {name: max(one.files.get(name, 0.0) for one in looks) for name in {n for one in looks for n in one.files}}
    outcome = Outcome(
        minutes=round(last.at_s / 60, 1),
        collectors=collectors,
        messages=sent,
        readings=last.readings,
        lost=lost,
        readings_a_second=round(last.readings / last.at_s),
        resident_settled=round(first_mib, 1),
        resident_end=round(end_mib, 1),
        growth=round(end_mib / first_mib - 1, 4),
        commit_ms_median_of_p99=float(np.median(commits)),
        commit_ms_worst_p99=max(commits),
        bytes_a_reading=round(sum(last.files.get(name, 0.0) for name in RECORD) * 2**20 / max(1, last.readings), 2),
        alarms=alarms,
        largest={name: round(mib, 1) for name, mib in sorted(largest.items())},
    )
    if outcome.growth >= GROWTH_MOST:
        outcome.breaches.append(f"memory grew by {outcome.growth:.1%}")
    if lost:
        outcome.breaches.append(f"{lost} readings are not in the history")
    outcome.breaches += [
        f"{name} grew to {mib:.0f} MiB" for name, mib in largest.items() if name not in RECORD and mib > REST_MOST_MIB
    ]
    return outcome


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.bench.endurance", description=__doc__)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--collectors", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="endurance-") as name:
        outcome = endure(Path(name), given.minutes, given.collectors, given.seed)
    print(json.dumps(asdict(outcome), indent=2))
    return 1 if outcome.breaches else 0


if __name__ == "__main__":
    sys.exit(main())

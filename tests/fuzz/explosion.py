"""An explosion of names against a real daemon: topics, tags, units, boots, values that nobody has registered.

Run `python -m tests.fuzz.explosion --topics 1000000`, or with `--payload-mib 255` for one huge message. The daemon's
memory is limited by the system, so that what is not bounded ends it. Exits with 1 when memory, disk or a healthy
collector suffered.
"""

from __future__ import annotations

import argparse
import json
import resource
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from tests import parts

LIMIT_MIB = 512  # of memory that the daemon may have for itself
KINDS = 6
SOUND_EVERY = 50  # bogus messages to one sound reading of the healthy collector
WINDOW = 2_000  # messages on their way at a time
WARM = 3_000  # bogus messages before the memory is first looked at
ROW_MOST_BYTES = 1_500  # on disk for each bogus message


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the daemon was like; sizes in MiB."""

    messages: int
    seconds: float
    resident_warm: float
    resident_end: float
    resident_peak: float
    disk: float
    sound_sent: int
    sound_kept: int
    refused: dict[str, int]
    is_ready: bool


@dataclass(frozen=True, slots=True)
class Huge:
    """What became of a huge message: quarantine rows as (code, size, bytes kept, reason); memory in MiB."""

    quarantine: list[tuple[Any, ...]]
    resident_before: int
    above_mib: int


def bogus(number: int, at_s: float) -> tuple[str, bytes]:
    """(topic, payload) of a message with a name that was never there before; its kind goes round."""
    kind, name = number % KINDS, f"x{number}"
    reading = {"tag": "dp", "at": at_s, "value": number * 1e-3, "unit": "inH2O"}
    body = {"gateway": "gw-0", "boot": name, "seq": number * 7919 % 2**31, "readings": [reading]}
    if kind == 0:
        body["gateway"] = name  # neither topic nor gateway is known
    elif kind == 1:
        reading["tag"] = f"<b>tag {number}</b>\x1b[2J"
    elif kind == 2:
        reading["unit"] = f"unit {number}"
    elif kind == 3:
        return f"dustcake/v1/{name}/status", json.dumps({"gateway": name, "state": "online", "boot": name}).encode()
    elif kind == 4:
        return f"dustcake/v1/gw-0/{name}/readings", b"no such topic"  # nobody has subscribed to it
    # 5: a sound reading of a known tag in a boot of its own
    return f"dustcake/v1/{body['gateway']}/readings", json.dumps(body).encode()


def sound(number: int, at_s: float) -> tuple[str, bytes]:
    return "dustcake/v1/gw-1/readings", parts.message("gw-1", number, [("dp", at_s, 3.0), ("amps", at_s, 20.0)])


def stream(topics: int, start_s: float) -> Iterator[tuple[str, bytes]]:
    """The messages: bogus ones with, at every SOUND_EVERY of them, a sound one of another collector."""
    for number in range(topics):
        yield bogus(number, start_s + number * 0.001)
        if number % SOUND_EVERY == 0:
            yield sound(number // SOUND_EVERY, start_s + number // SOUND_EVERY)


def limited(daemon: parts.Daemon, mib: int = LIMIT_MIB) -> None:
    """Let the system refuse the daemon more private memory than that on top of what it started with."""
    assert daemon.process is not None
    most = (memory(daemon, "VmData") + mib) * 1024 * 1024
    resource.prlimit(daemon.process.pid, resource.RLIMIT_DATA, (int(most), int(most)))


def memory(daemon: parts.Daemon, name: str) -> float:
    """MiB of VmRSS (now), VmHWM (the highest so far) or VmData."""
    assert daemon.process is not None
    for line in Path(f"/proc/{daemon.process.pid}/status").read_text().splitlines():
        key, _, value = line.partition(":")
        if key == name:
            return int(value.split()[0]) / 1024
    raise KeyError(name)


def reset_peak(daemon: parts.Daemon) -> None:
    """Let VmHWM begin at what is resident now (Linux, proc(5), clear_refs)."""
    assert daemon.process is not None
    Path(f"/proc/{daemon.process.pid}/clear_refs").write_text("5")


def tallies(daemon: parts.Daemon) -> dict[str, int]:
    return {str(name): int(count) for name, count in daemon.ask_ledger("SELECT name, count FROM tally")}


def explode(folder: Path, topics: int, *, told: bool = False) -> Outcome:
    """Start broker and daemon, send it all, wait until it has been taken, and look."""
    start_s, sent, sound_sent = time.time() - 90_000, 0, 0
    with parts.mosquitto(folder) as broker:
        daemon = parts.Daemon(folder / "d", broker, parts.plant_text(2))
        try:
            daemon.start()
            limited(daemon)
            warm = 0.0
            began_s = time.monotonic()
            with parts.publisher(broker) as client:
                for topic, payload in stream(topics, start_s):
                    info = client.publish(topic, payload, qos=1)
                    sent += 1
                    sound_sent += topic.startswith("dustcake/v1/gw-1/")
                    if sent % WINDOW == 0:
                        info.wait_for_publish(60)
                        if told:
                            print(f"{sent:,} sent, {memory(daemon, 'VmRSS'):.0f} MiB resident", file=sys.stderr)
                    if sent >= WARM and not warm:
                        info.wait_for_publish(60)
                        warm = memory(daemon, "VmRSS")
                info.wait_for_publish(60)
            kept = 'SELECT sum("rows") FROM journal'
            unheard = sum(number % KINDS == 4 for number in range(topics))
            parts.wait_until(
                lambda: tallies(daemon).get("messages", 0) >= sent - unheard, "all of it is taken", 60 + topics / 500
            )
            outcome = Outcome(
                messages=sent,
                seconds=round(time.monotonic() - began_s, 1),
                resident_warm=round(warm, 1),
                resident_end=round(memory(daemon, "VmRSS"), 1),
                resident_peak=round(memory(daemon, "VmHWM"), 1),
                disk=round(sum(f.stat().st_size for f in (folder / "d" / "data").rglob("*") if f.is_file()) / 2**20, 1),
                sound_sent=sound_sent * 2,
                sound_kept=int(daemon.ask_ledger(kept)[0][0]) - sum(number % KINDS == 5 for number in range(topics)),
                refused={name: count for name, count in tallies(daemon).items() if name.startswith("refused")},
                is_ready=daemon.is_ready(),
            )
            assert daemon.stop() == 0
            return outcome
        finally:
            daemon.end()


def huge(folder: Path, mib: float, version: int) -> Huge:
    """One message of so many MiB, then a sound one; what became of both, and the highest memory above that before."""
    with parts.mosquitto(folder) as broker:
        daemon = parts.Daemon(folder / "d", broker, parts.plant_text(2), version=version)
        try:
            daemon.start()
            before = memory(daemon, "VmRSS")
            reset_peak(daemon)
            limited(daemon)
            with parts.publisher(broker) as client:
                client.publish("dustcake/v1/gw-0/readings", b"[" * int(mib * 2**20), qos=1).wait_for_publish(120)
                topic, payload = sound(1, time.time() - 60)
                client.publish(topic, payload, qos=1).wait_for_publish(60)
            parts.wait_until(lambda: tallies(daemon).get("readings", 0) == 2, "the sound one is taken", 120)
            rows = daemon.ask_ledger("SELECT code, size, length(payload), substr(reason, 1, 40) FROM quarantine")
            above = memory(daemon, "VmHWM") - before
            assert daemon.stop() == 0
            return Huge(rows, round(before), round(above))
        finally:
            daemon.end()


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.explosion", description=__doc__)
    parser.add_argument("--topics", type=int, default=200_000)
    parser.add_argument("--payload-mib", type=float, help="one message of this length instead, with MQTT 3.1.1 and 5")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="explosion-") as folder:
        if given.payload_mib is not None:
            for version in (3, 5):
                (at := Path(folder) / str(version)).mkdir()
                print(f"MQTT {version}:", huge(at, given.payload_mib, version))
            return 0
        outcome = explode(Path(folder), given.topics, told=True)
    print(json.dumps(asdict(outcome), indent=2))
    grown = outcome.resident_end - outcome.resident_warm
    is_bounded = grown < 200 and outcome.disk * 2**20 < given.topics * ROW_MOST_BYTES + 64 * 2**20
    return 0 if is_bounded and outcome.sound_kept == outcome.sound_sent and outcome.is_ready else 1


if __name__ == "__main__":
    sys.exit(main())

"""Every write of a checkpoint, and every write of a commit, torn at eight points: the service must have everything.

`python -m tests.integrity.tears --rounds 10` prints the table; exit code 1 when anything acknowledged was lost, when a
start needed a hand or took too long, or when the control (DuckDB alone on the torn history) lost nothing.

A process writes a record with a library before it that copies the folder just before each write to one file; afterwards
a part of that write is put into the copy, which is what a power cut in the middle of it leaves. Each copy is then
started on as the daemon does. It needs `cc`.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import duckdb

from tests.chaos import shims
from tests.end_to_end.story import tell
from tests.integrity import record
from tests.integrity.record import HISTORY, LEDGER, NOW_US, WAIT_S, WAL, Seen
from tests.service.test_pipeline import START_S, Stage, parcel

STARTS_WITHIN_S = 60.0
SECTOR, PAGE = 512, 4096  # a disk writes the one whole, or the other
TARGETS = {"history checkpoint": HISTORY, "ledger commit": WAL, "ledger checkpoint": LEDGER}
SECONDS_A_ROUND = 30


def torn(size: int) -> list[tuple[int, int]]:
    """Eight parts of a write, as (first, last) bytes that reach the disk: beginnings, and an end without beginning."""
    ends = [SECTOR, PAGE, size // 8, size // 4, size // 2, size * 3 // 4, size - SECTOR]
    return [(0, max(1, min(end, size - 1))) for end in ends] + [(min(PAGE, size // 2), size)]


@dataclass
class Tally:
    """What was seen of one target."""

    rounds: int = 0
    writes: int = 0
    tears: int = 0
    lost: int = 0  # tears after which a reading was missing that had been acknowledged
    strange: int = 0  # with readings that nobody sent, or some twice
    by_hand: int = 0  # that ended the start, or the history
    rebuilt: int = 0
    alone: int = 0  # the control: DuckDB alone does not open the file, or has other readings
    longest_s: float = 0.0
    said: Counter[str] = field(default_factory=Counter)

    @property
    def is_sound(self) -> bool:
        return not (self.lost or self.strange or self.by_hand) and self.longest_s <= STARTS_WITHIN_S


def rounds(folder: Path, target: str, count: int) -> Iterator[Path]:
    """Folders with the copies of each round, made by a process of its own; `after` in them is the record after it."""
    library = shims.build("snap", folder)
    live = folder / "live"
    live.mkdir()
    for number in range(count):
        copies = folder / f"round-{number}"
        copies.mkdir()
        environment = os.environ | {
            "LD_PRELOAD": str(library),
            "CHAOS_SNAP_NAME": f"live/{TARGETS[target]}",
            "CHAOS_SNAP_ARM": str(folder / "arm"),
            "CHAOS_SNAP_FOLDER": str(live),
            "CHAOS_SNAP_TO": str(copies),
        }
        (folder / "arm").unlink(missing_ok=True)
        command = [sys.executable, "-m", "tests.integrity.tears", "--write", str(folder), target, str(number)]
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        shutil.copytree(live, copies / "after")
        yield copies
        shutil.rmtree(copies)


def write(folder: Path, target: str, number: int) -> None:
    """One round: some seconds of the story, and then what is to be torn. Runs under the library."""
    stage = Stage(folder / "live", collectors=record.COLLECTORS)
    stage.clock.us = NOW_US
    history = record._history(folder / "live")
    history.start()
    start_s = START_S + number * SECONDS_A_ROUND
    messages = tell(record.COLLECTORS, SECONDS_A_ROUND, start_s=start_s, seed=number).payloads()
    if target == "ledger commit":
        _feed(stage, messages[:-2])
        history.follow(stage.ledger.seq)
        assert history.wait_applied(stage.ledger.seq, WAIT_S), history.error
        (folder / "arm").touch()
        _feed(stage, messages[-2:])
        os._exit(0)  # no checkpoint at the end: the next round finds the log
    _feed(stage, messages)
    history.follow(stage.ledger.seq)
    assert history.wait_applied(stage.ledger.seq, WAIT_S), history.error
    if target == "history checkpoint":
        (folder / "arm").touch()
    history.stop(WAIT_S)
    if target == "ledger checkpoint":
        (folder / "arm").touch()
    stage.ledger.close()


def _feed(stage: Stage, messages: list[tuple[str, bytes]]) -> None:
    for topic, body in messages:
        stage.pipeline.round([parcel(body, topic.split("/")[2])])


def tear(copy: Path, name: str, offset: int, data: bytes, part: tuple[int, int]) -> None:
    """Let a part of a write reach the file."""
    first, last = part
    with (copy / name).open("r+b") as file:
        file.seek(offset + first)
        file.write(data[first:last])


def alone(copy: Path) -> Counter[tuple[Any, ...]] | None:
    """What DuckDB alone has in the history of a copy; None when it does not open it."""
    with (
        contextlib.suppress(duckdb.Error, UnicodeDecodeError),
        contextlib.closing(duckdb.connect(str(copy / HISTORY))) as database,
    ):
        return Counter(database.execute(record._ALL).fetchall())
    return None


def judge(tally: Tally, seen: Seen, before: Counter[Any], after: Counter[Any]) -> None:
    """`before` was acknowledged when the write was torn; `after` is all that can be there."""
    tally.by_hand += bool(seen.error or seen.stuck)
    tally.rebuilt += bool(seen.rebuilt)
    tally.lost += bool(before - seen.readings)
    tally.strange += bool(seen.readings - after)
    for text in (seen.error, seen.stuck, *seen.start, *seen.apply.values(), *seen.verify):
        if text:
            tally.said[text[:100]] += 1


def one_round(folder: Path, copies: Path, target: str, tally: Tally) -> None:
    """Every write of a round, torn at every point."""
    after = _whole(folder, copies / "after")
    writes = sorted(copies.glob("*.write"), key=lambda path: int(path.stem))
    tally.rounds += 1
    tally.writes += len(writes)
    for path in writes:
        head, _, data = path.read_bytes().partition(b"\n")
        before = _whole(folder, copies / path.stem)
        for part in torn(len(data)):
            copy = _copied(folder, copies / path.stem)
            tear(copy, TARGETS[target], int(head), data, part)
            if target == "history checkpoint":
                tally.alone += alone(_copied(folder, copy, "control")) != before
            began_s = time.monotonic()
            seen = record.run(copy)
            tally.longest_s = max(tally.longest_s, time.monotonic() - began_s)
            tally.tears += 1
            judge(tally, seen, before, after)


def _whole(folder: Path, source: Path) -> Counter[Any]:
    """The readings of a record that nobody tore."""
    seen = record.run(_copied(folder, source))
    noticed = [seen.error, seen.stuck, *seen.rebuilt]
    assert not any(noticed), noticed
    return seen.readings


def _copied(folder: Path, source: Path, name: str = "copy") -> Path:
    copy = folder / name
    shutil.rmtree(copy, ignore_errors=True)
    shutil.copytree(source, copy, ignore=shutil.ignore_patterns("*-shm"))
    return copy


def run(target: str, count: int, *, progress: bool = False) -> Tally:
    """`count` rounds of one target."""
    tally = Tally()
    with tempfile.TemporaryDirectory(prefix="tears-") as name:
        for copies in rounds(Path(name), target, count):
            one_round(Path(name), copies, target, tally)
            if progress:
                print(f"{target}: {tally.rounds} rounds, {tally.tears} tears", file=sys.stderr, flush=True)
    return tally


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.integrity.tears", description=__doc__)
    parser.add_argument("--rounds", type=int, default=10, help="checkpoints, and commits, of each file")
    parser.add_argument("--write", nargs=3, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.write:
        write(Path(given.write[0]), given.write[1], int(given.write[2]))
        return 0
    is_sound = True
    for target in TARGETS:
        tally = run(target, given.rounds, progress=True)
        print(
            f"{target}: {tally.rounds} rounds, {tally.writes} writes, {tally.tears} tears; lost {tally.lost}, "
            f"strange {tally.strange}, by hand {tally.by_hand}, history made anew {tally.rebuilt}, "
            f"longest start {tally.longest_s:.1f} s"
        )
        for text, times in tally.said.most_common(5):
            print(f"  {times:6} said: {text}")
        if target == "history checkpoint":
            print(f"  control: DuckDB alone lost the file, or readings, in {tally.alone} of {tally.tears} tears")
            is_sound &= tally.alone > 0
        is_sound &= tally.is_sound and tally.tears > 0
    return 0 if is_sound else 1


if __name__ == "__main__":
    sys.exit(main())

"""EIO or ENOSPC at the n-th fdatasync or fsync of each of the daemon's threads, by strace's fault injection."""

from __future__ import annotations

import re
import time
from collections import Counter
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

from tests.chaos.outcome import Outcome
from tests.chaos.rig import Rig, rig

ERRORS = ("EIO", "ENOSPC")
CALL = re.compile(r"(?P<thread>\d+) +(?P<call>fdatasync|fsync|pwrite64)\(\d+<(?P<path>[^>]*)>(?P<rest>.*)")
REACHED_WITHIN_S = 40.0
SAYS_WITHIN_S = 5.0
COMMITS = "ledger.sqlite-wal"  # the file whose sync a commit rests on
MARK = "ledger.sqlite.last"  # written by the pipeline after each


def sync_errors(folder: Path, *, count: int, seed: int, say: Callable[[str], None]) -> Outcome:
    """The first `count` syncs, each with both errors; the daemon is killed and started anew after each."""
    outcome = Outcome("sync-errors", count)
    struck: list[str] = []
    with rig(folder, outcome, seed=seed, rate_per_s=36) as plant:
        plant.begin()
        for number in range(1, count + 1):
            for error in ERRORS:
                plant.daemon.kill()
                struck += _strike(plant, folder / f"{error}-{number}.strace", error, number)
                plant.look()
            if number % 5 == 0:
                say(f"both errors at sync {number}; {len(struck)} injected")
        plant.daemon.kill()
        plant.daemon.prefix = []
        before = plant.record.newest()
        plant.daemon.start(ready=False)
        outcome.note_recovery(plant.wait_for_commit(before))
        plant.settle()
    kinds = {name: sum(path.endswith(name) for path in struck) for name in sorted({Path(p).name for p in struck})}
    outcome.notes.append(f"errors injected: {len(struck)} at {kinds}")
    if len(struck) < count:
        outcome.breaches.append(f"only {len(struck)} errors were injected in {2 * count} runs")
    return outcome


def _strike(plant: Rig, trace: Path, error: str, number: int) -> list[str]:
    """One run with one error for each thread that comes so far; the files whose sync failed."""
    logged = len(plant.daemon.log_text())
    inject = f"inject=fdatasync,fsync:error={error}:when={number}"
    options = ["-D", "-f", "-y", "-qq", "-s", "0", "--seccomp-bpf", "-o", str(trace)]
    plant.daemon.prefix = ["strace", *options, "-e", "trace=fdatasync,fsync,pwrite64", "-e", inject]
    plant.daemon.start(ready=False)
    assert plant.daemon.process is not None
    end_s, said = time.monotonic() + REACHED_WITHIN_S, False
    struck: list[str] = []
    while time.monotonic() < end_s and not _is_commit(struck) and plant.daemon.process.poll() is None:
        time.sleep(0.1)
        struck = _struck(trace)
    end_s = time.monotonic() + SAYS_WITHIN_S
    while _is_commit(struck) and not said and time.monotonic() < end_s:
        text = plant.daemon.log_text()[logged:]
        said = "ledger not writable" in text or plant.daemon.process.poll() not in (None, 0)
        time.sleep(0.05)
    if not said and _batch_was_struck(trace):
        plant.outcome.breaches.append(f"{error} at sync {number} of {struck}: nothing was said")
    return _struck(trace)


def _batch_was_struck(trace: Path) -> bool:
    """Whether the failed sync was that of a batch's commit.

    The pipeline is the thread that writes the mark after each commit; before its first it cannot be told from others.
    What the dispatcher puts down of its sends is tried again without a word. A commit's sync follows what it wrote to
    the log; without that it is a checkpoint's, on which nothing rests.
    """
    calls = _calls(trace)
    writers = Counter(found["thread"] for found in calls if found["path"].endswith(MARK))
    if not writers:
        return False
    (pipeline, _), *_ = writers.most_common(1)
    mine = [found for found in calls if found["thread"] == pipeline and found["path"].endswith(COMMITS)]
    return any("INJECTED" in found["rest"] and before["call"] == "pwrite64" for before, found in pairwise(mine))


def _is_commit(struck: list[str]) -> bool:
    return any(path.endswith(COMMITS) for path in struck)


def _struck(trace: Path) -> list[str]:
    """The files whose sync was made to fail."""
    return [found["path"] for found in _calls(trace) if "INJECTED" in found["rest"]]


def _calls(trace: Path) -> list[re.Match[str]]:
    lines = trace.read_text(errors="replace").splitlines() if trace.exists() else []
    return [found for line in lines if (found := CALL.match(line))]

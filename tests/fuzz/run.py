"""Runs blocks of executions. A block is made from (seed, its number), so it is the same however many processes run."""

from __future__ import annotations

import random
import resource
import time
import traceback
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from tests.fuzz.mutate import mutated
from tests.fuzz.targets import Target, targets

BLOCK = 20_000  # executions
SLOW_S = 0.1  # processor seconds of one execution: more is a finding
SHOWN = 300  # bytes of an input that is printed


class Slowest(NamedTuple):
    seconds: float
    target: str
    payload: bytes


NOTHING_YET = Slowest(0.0, "", b"")


@dataclass(slots=True)
class Seen:
    """What a run has been through. `findings` say target, what came out, and the input."""

    executions: int = 0
    seconds: float = 0.0
    slowest: Slowest = NOTHING_YET
    slow: int = 0
    findings: list[str] = field(default_factory=list)
    by_target: dict[str, int] = field(default_factory=dict)
    peak_mib: int = 0

    def add(self, other: Seen) -> None:
        self.executions += other.executions
        self.seconds += other.seconds
        self.slowest = max(self.slowest, other.slowest)
        self.slow += other.slow
        self.findings += other.findings
        self.peak_mib = max(self.peak_mib, other.peak_mib)
        for name, count in other.by_target.items():
            self.by_target[name] = self.by_target.get(name, 0) + count


def block(seed: int, number: int, executions: int) -> Seen:
    """One block, in this process."""
    draw, seen, table = random.Random(f"{seed} {number}"), Seen(), targets()
    choices: list[Target] = [target for target in table for _ in range(target.share)]
    seen.by_target = dict.fromkeys((target.name for target in table), 0)
    began_s = time.perf_counter()
    for target in table:
        target.run(target.seeds[0])  # what is built once is built here, and is nobody's time
    for _ in range(executions):
        target = draw.choice(choices)
        payload = mutated(draw, target.seeds)
        started_s = time.process_time()  # the machine has others to serve
        try:
            target.run(payload)
        except Exception:  # noqa: BLE001 - that is what is looked for
            seen.findings.append(_finding(target.name, payload))
        spent_s = time.process_time() - started_s
        seen.by_target[target.name] += 1
        if spent_s > seen.slowest.seconds:
            seen.slowest = Slowest(spent_s, target.name, payload)
        seen.slow += spent_s > SLOW_S
    seen.executions, seen.seconds = executions, time.perf_counter() - began_s
    seen.peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss >> 10
    return seen


def block_of(arguments: tuple[int, int, int]) -> Seen:
    """`block` for a pool of processes."""
    return block(*arguments)


def _finding(name: str, payload: bytes) -> str:
    trace = traceback.format_exc(limit=-4)
    return f"{name} of {len(payload)} bytes {shown(payload)}\n{trace}"


def shown(payload: bytes) -> str:
    more = f"... and {len(payload) - SHOWN} more" if len(payload) > SHOWN else ""
    return f"{payload[:SHOWN]!r}{more}"


def report(seen: Seen, wall_s: float) -> dict[str, Any]:
    """The figures of a run, for people and programs."""
    return {
        "executions": seen.executions,
        "executions/s": round(seen.executions / wall_s),
        "uncaught exceptions": len(seen.findings),
        f"over {SLOW_S * 1000:.0f} ms": seen.slow,
        "slowest ms": round(seen.slowest.seconds * 1000, 1),
        "slowest": f"{seen.slowest.target} of {len(seen.slowest.payload)} bytes {shown(seen.slowest.payload[:60])}",
        "peak MiB of a process": seen.peak_mib,
        "by target": seen.by_target,
    }

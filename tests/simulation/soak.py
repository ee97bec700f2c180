"""Run many seeds: `python -m tests.simulation --seeds 1000 --seed 0 [--processes 2] [--for SECONDS] [--json]`.

Exits with 1 at the first seed after which something is wrong, and prints its log and the command that repeats it. With
`--years N` it plays long plants instead: see `tests.simulation.years`.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from tests.property.oracle import alarms
from tests.property.soak import positive
from tests.simulation import years
from tests.simulation.run import Result, simulate

BLOCK = 50  # seeds in one question to the SQL query
RECORD = ("readings", "lost", "twice", "differences", "alarms", "came again")
FIGURES = (*RECORD, "owed", "told again", "quarantined", "quarantined again", "refused by the disk")


@dataclass(slots=True)
class Seen:
    """What the seeds so far have been through."""

    seeds: int = 0
    kills: Counter[str] = field(default_factory=Counter)
    figures: Counter[str] = field(default_factory=Counter)

    def add(self, results: list[Result]) -> None:
        for result in results:
            self.seeds += 1
            self.kills.update(result.kills)
            self.figures.update(result.figures)


def judged(seeds: range) -> list[Result]:
    """A block of seeds, each simulated, and the alarms of all asked of the SQL query at once."""
    results = []
    for seed in seeds:
        results.append(simulate(seed))
        if results[-1].failure:
            break
    asked = [result for result in results if result.truth is not None]
    found = iter(alarms([case for result in asked if result.truth for case in result.truth.cases]) if asked else [])
    for result in asked:
        assert result.truth is not None
        for case, recorded in zip(result.truth.cases, result.truth.alarms, strict=True):
            if (expected := next(found)) != recorded and not result.failure:
                result.failure = f"{case.spec.name}: the record {recorded - expected}, the query {expected - recorded}"
        result.truth = None
    return results


@contextmanager
def spread(blocks: Sequence[range], processes: int) -> Iterator[Iterator[list[Result]]]:
    """The blocks' results in their order, by so many processes."""
    if processes == 1:
        yield map(judged, blocks)
        return
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        # No block is handed out ahead: what has begun ends, and takes its folder away.
        turns = (blocks[first : first + processes] for first in range(0, len(blocks), processes))
        yield (results for turn in turns for results in pool.map(judged, turn, 1))


def soak(seeds: int, seed: int, processes: int, for_s: float) -> tuple[Seen, Result | None]:
    """So many seeds, or as many as there is time for, until one fails: what was seen, and the one that failed."""
    began_s, seen = time.monotonic(), Seen()
    blocks = [range(first, min(first + BLOCK, seed + seeds)) for first in range(seed, seed + seeds, BLOCK)]
    with spread(blocks, processes) as results:
        for block in results:
            seen.add(block)
            _tell(seen, seeds, time.monotonic() - began_s)
            failed = next((result for result in block if result.failure), None)
            if failed is not None:
                return seen, failed
            if time.monotonic() - began_s > for_s:
                break
    return seen, None


def _tell(seen: Seen, seeds: int, spent_s: float) -> None:
    kills = seen.kills.total()
    print(
        f"{seen.seeds:,} of {seeds:,} seeds, {kills:,} kills, {seen.figures['readings']:,} readings, "
        f"{seen.figures['lost']} lost, {seen.figures['twice']} twice, {seen.figures['differences']} differences; "
        f"{kills / spent_s:,.0f} kills/s, {spent_s / seen.seeds * (seeds - seen.seeds) / 60:.1f} min left",
        file=sys.stderr,
        flush=True,
    )


def main(words: list[str] | None = None) -> int:
    """Simulate as the words of the command line say; 0 where all is as it must be, 1 where not."""
    arguments = _parser().parse_args(words)
    if arguments.years:
        return years.main(arguments.years, arguments.interval, arguments.for_s, arguments.seed, as_json=arguments.json)
    began_s = time.monotonic()
    seen, failed = soak(arguments.seeds, arguments.seed, arguments.processes, arguments.for_s)
    seconds = round(time.monotonic() - began_s, 1)
    repeat = f"python -m tests.simulation --seeds 1 --seed {failed.seed}" if failed else ""
    figures = {name: seen.figures[name] for name in FIGURES}
    if arguments.json:
        by_point = dict(seen.kills.most_common())
        facts = {"seeds": seen.seeds, "kills": seen.kills.total(), "by_point": by_point, **figures}
        failure = failed.failure if failed else ""
        print(json.dumps({**facts, "seconds": seconds, "failure": failure, "repeat": repeat}))
        return int(bool(failed))
    for point, count in seen.kills.most_common():
        print(f"{count:8,} kills {point}")
    print(", ".join(f"{count:,} {name}" for name, count in figures.items()))
    print(f"{seen.seeds:,} seeds from {arguments.seed}, {seen.kills.total():,} kills; {seconds:,.1f} s")
    if failed is not None:
        print("\n".join(("", *failed.log, "", f"seed {failed.seed}:", failed.failure, "", f"repeat: {repeat}")))
        return 1
    print("nothing lost, nothing twice, nothing decided or told otherwise than without a kill")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.simulation", description=__doc__.partition("\n")[0])
    parser.add_argument("--seeds", type=positive, default=1000, help="how many (default 1000)")
    parser.add_argument("--seed", type=int, default=0, help="the first; the next is one more (default 0)")
    parser.add_argument("--processes", type=positive, default=1, help="how many share the work (default 1)")
    parser.add_argument("--for", type=float, default=float("inf"), dest="for_s", help="seconds, at most about so many")
    parser.add_argument("--json", action="store_true", help="print the result as one JSON object")
    parser.add_argument("--years", type=float, default=0.0, help="play long plants: sensor-years at most")
    parser.add_argument("--interval", type=float, default=300.0, help="with --years: seconds between readings")
    return parser

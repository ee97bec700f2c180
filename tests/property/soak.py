"""A soak: do the evaluators agree on a great many histories, made from seeds, so that each can be made again?

Run `python -m tests.property.soak --histories 1000000 --seed 0`. A block of histories comes from one seed, and is one
question to the SQL query. Exits with 1 at the first block with a disagreement, and says how to repeat it.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import random
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from typing import NamedTuple

from rules.types import CollectorSpec
from tests.property.evaluators import (
    BATCHES,
    Plan,
    board_disagreement,
    disagreement,
    least_history,
    places,
    plan,
    smallest,
    together,
)
from tests.property.histories import Choose, Item, history, spec
from tests.property.oracle import Case, alarms

BLOCK = 400  # histories from one seed
INSTANTS = 20  # at most, in one history
ON_A_BOARD = 8  # collectors; half of the histories are judged on boards too


class Story(NamedTuple):
    """A history, and how the evaluators take it."""

    spec: CollectorSpec
    items: list[Item]
    plan: Plan


@dataclass(slots=True)
class Seen:
    """What a soak has been through."""

    histories: int = 0
    readings: int = 0
    alarms: int = 0
    cleared: int = 0


class Block(NamedTuple):
    """What became of the histories of one seed; `failure` is empty where all agree."""

    seed: int
    seen: Seen
    failure: str


def story(choose: Choose, name: str) -> Story:
    """One history with its collector and its plan; one in three has late readings."""
    items = history(choose, INSTANTS, late=choose((False, False, True)))
    return Story(spec(choose, name), items, plan(choose, len(items)))


def stories(seed: int) -> list[Story]:
    """The block of histories that a seed stands for."""
    choose = random.Random(seed).choice
    return [story(choose, f"c{number}") for number in range(BLOCK)]


def judge(seed: int) -> Block:
    """Make a block of histories, and ask every evaluator about it."""
    block = stories(seed)
    by_query = alarms([Case(story.spec, story.items) for story in block])
    seen = Seen(
        histories=len(block),
        readings=sum(len(story.items) for story in block),
        alarms=sum(map(len, by_query)),
        cleared=sum(cleared_us is not None for found in by_query for _, _, cleared_us in found),
    )
    for number, (story, found) in enumerate(zip(block, by_query, strict=True)):
        if disagreement(*story, found):
            return Block(seed, seen, f"history {number} of the block of seed {seed}: {least_history(*story)}")
    choose = random.Random(f"boards of {seed}").choice
    for first in range(0, BLOCK, 2 * ON_A_BOARD):
        failure = _board(choose, block[first : first + ON_A_BOARD])
        if failure:
            numbers = f"histories {first} to {first + ON_A_BOARD - 1} of the block of seed {seed}"
            return Block(seed, seen, f"{numbers}, on one board: {failure}")
    return Block(seed, seen, "")


def _board(choose: Choose, group: list[Story]) -> str:
    """The smallest story on which the board disagrees with the streaming engine, in words; empty where it agrees."""
    specs = [story.spec for story in group]
    merged = together((story.spec, story.items) for story in group)
    cuts, restoring = places(choose, len(merged), BATCHES), choose((False, False, False, True))

    def differs(fewer: list[tuple[str, Item]]) -> str:
        return board_disagreement(specs, fewer, cuts, restoring=restoring)

    if not differs(merged):
        return ""
    least = smallest(merged, lambda fewer: bool(differs(fewer)))
    names = {name for name, _ in least}
    return "\n".join(
        (
            f"cut at {cuts}{', and restored at each' if restoring else ''}",
            *(f"collector: {spec}" for spec in specs if spec.name in names),
            f"smallest story, {len(least)} of {len(merged)} readings:",
            *(f"  {name} {item}" for name, item in least),
            differs(least),
        )
    )


@contextmanager
def judged(seeds: Iterable[int], processes: int) -> Iterator[Iterator[Block]]:
    """The blocks of the seeds in their order, by so many processes."""
    if processes == 1:
        yield map(judge, seeds)
        return
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        yield pool.imap(judge, seeds)


@dataclass(slots=True)
class Progress:
    """How far the soak is, on stderr: one line that is written anew on a terminal, else a line for each 5 %."""

    histories: int
    began_s: float
    told: int = 0

    def tell(self, seen: Seen, *, is_last: bool) -> None:
        spent_s = time.monotonic() - self.began_s
        left_s = spent_s / seen.histories * (self.histories - seen.histories)
        line = (
            f"{seen.histories:,} of {self.histories:,} histories, {seen.alarms:,} alarms, "
            f"{seen.histories / spent_s:,.0f} histories/s, {left_s / 60:.1f} min left"
        )
        if sys.stderr.isatty():
            print(f"\r\x1b[K{line}", end="\n" if is_last else "", file=sys.stderr, flush=True)
        elif seen.histories * 20 // self.histories > self.told:
            self.told = seen.histories * 20 // self.histories
            print(line, file=sys.stderr, flush=True)


def soak(histories: int, seed: int, processes: int) -> tuple[Seen, range, str]:
    """At least so many histories, in whole blocks, until one fails: what was seen, of which seeds, and the failure."""
    seeds = range(seed, seed + -(-histories // BLOCK))
    seen, progress = Seen(), Progress(len(seeds) * BLOCK, time.monotonic())
    with judged(seeds, processes) as blocks:
        for block in blocks:
            seen = Seen(*(a + b for a, b in zip(asdict(seen).values(), asdict(block.seen).values(), strict=True)))
            progress.tell(seen, is_last=bool(block.failure) or seen.histories == progress.histories)
            if block.failure:
                return seen, range(seed, block.seed + 1), block.failure
    return seen, seeds, ""


def main(words: list[str] | None = None) -> int:
    """Soak as the words of the command line say; 0 where all agree, 1 where not."""
    arguments = _parser().parse_args(words)
    began_s = time.monotonic()
    seen, seeds, failure = soak(arguments.histories, arguments.seed, arguments.processes)
    seconds = round(time.monotonic() - began_s, 1)
    repeat = f"python -m tests.property.soak --seed {seeds[-1]} --histories {BLOCK}" if failure else ""
    facts = {**asdict(seen), "first_seed": seeds[0], "last_seed": seeds[-1], "seconds": seconds, "agree": not failure}
    if arguments.json:
        print(json.dumps({**facts, "failure": failure, "repeat": repeat}))
        return int(bool(failure))
    print(
        f"{seen.histories:,} histories, {seen.readings:,} readings, {seen.alarms:,} alarms, {seen.cleared:,} cleared; "
        f"seeds {seeds[0]} to {seeds[-1]}; {seconds:,.1f} s"
    )
    print(f"{failure}\n\nrepeat: {repeat}" if failure else "all evaluators agree")
    return int(bool(failure))


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m tests.property.soak", description=__doc__.partition("\n")[0])
    parser.add_argument("--histories", type=positive, default=20_000, help=f"at least so many, in blocks of {BLOCK}")
    parser.add_argument("--seed", type=int, default=0, help="of the first block; the next has the next (default 0)")
    parser.add_argument("--processes", type=positive, default=1, help="how many share the work (default 1)")
    parser.add_argument("--json", action="store_true", help="print the result as one JSON object")
    return parser


def positive(text: str) -> int:
    """A number of the command line that counts something."""
    number = int(text)
    if number < 1:
        raise ValueError(f"{number}, expected 1 or more")
    return number


if __name__ == "__main__":
    sys.exit(main())

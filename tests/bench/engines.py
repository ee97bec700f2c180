"""Speed of the engines as ratios, all on the same arrays in one run. Prints a table; never a test.

Rates are readings per second, the best of several runs.
"""

from __future__ import annotations

import resource
import tempfile
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from rules.collector import new_state, step
from rules.columnar import Column, History, replay, replay_plant
from rules.microbatch import Board, Columns
from rules.types import MINUTE_US, SECOND_US, AlarmEvent, CollectorSpec, Limit, PointSpec, Reading, RunningRule, Tier
from tests.property.oracle import ask

STEP_US = 10 * SECOND_US
HIGH = Limit(Tier.HIGH, 6.0, 5.8, 10 * MINUTE_US)
FOUR = (
    HIGH,
    Limit(Tier.HIGH_HIGH, 8.0, 7.8, MINUTE_US),
    Limit(Tier.LOW, 1.0, 1.2, 10 * MINUTE_US),
    Limit(Tier.LOW_LOW, 0.5, 0.7, MINUTE_US),
)
RULE = RunningRule("fan", 1.0, 0.5, 5 * MINUTE_US)


def collector(limits: tuple[Limit, ...], running: bool = False, name: str = "c") -> CollectorSpec:
    points = (PointSpec("dp", 3 * STEP_US, limits, always=not running), PointSpec("fan", 3 * STEP_US, always=True))
    return CollectorSpec(name, points, RULE if running else None)


def times(size: int, first: int = 0) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.arange(first, first + size, dtype=np.int64) * STEP_US


def column(value: np.ndarray[tuple[int], np.dtype[np.float64]], first: int = 0) -> Column:
    return Column(times(len(value), first), value, np.ones(len(value), bool))


def rate(size: int, work: Callable[[], object], runs: int = 5) -> float:
    best_s = float("inf")
    for _ in range(runs):
        began_s = time.perf_counter()
        work()
        best_s = min(best_s, time.perf_counter() - began_s)
    return size / best_s


def show(what: str, got: float, over: float, goal: str = "") -> None:
    print(f"  {what:58} {got / 1e6:10.2f} M/s {got / over:9.3f}   {goal}")


def arrays(size: int) -> None:
    """The columnar engine beside numpy.sum over the same values."""
    draw = np.random.default_rng(1)
    quiet, index = 2.0 + 3.0 * draw.random(size), np.arange(size)
    stories = {
        "quiet, one limit": (collector((HIGH,)), quiet, None, ">= 0.5"),
        "quiet, four limits": (collector(FOUR), quiet, None, ">= 0.5"),
        "quiet, four limits and a running point (both counted)": (collector(FOUR, running=True), quiet, quiet, ""),
        "crosses every fourth reading": (collector((HIGH,)), np.where(index % 8 < 4, 5.0, 6.5), None, ">= 0.05"),
        "beyond at every fourth reading (two crossings)": (
            collector((HIGH,)),
            np.where(index % 4 == 0, 6.5, 5.0),
            None,
            ">= 0.05",
        ),
        "the same, and the fan stops every fourth reading": (
            collector((HIGH,), running=True),
            np.where(index % 4 == 0, 6.5, 5.0),
            np.where(index % 4 == 0, 0.0, 2.0),
            "",
        ),
        "an alarm for every eight readings (zero delays)": (
            collector((Limit(Tier.HIGH, 6.0, 5.8, 0),)),
            np.where(index % 8 < 4, 5.0, 6.5)[: size // 20],
            None,
            "",
        ),
    }
    base = rate(size, quiet.sum)
    print(f"\ncolumnar engine, {size} readings a point; ratio to numpy.sum")
    show("numpy.sum", base, base)
    for what, (spec, value, fan, goal) in stories.items():
        chunk = {"dp": column(value)} | ({} if fan is None else {"fan": column(fan)})
        total = sum(len(part.value) for part in chunk.values())
        show(what, rate(total, lambda spec=spec, chunk=chunk: replay(spec, new_state(spec), chunk)), base, goal)  # type: ignore[misc]


def memory(size: int, at_once: int) -> None:
    """A history that is made chunk by chunk: what is left over must not grow."""
    draw, spec = np.random.default_rng(2), collector(FOUR, running=True)
    state, events = new_state(spec), 0
    began_s = time.perf_counter()
    for first in range(0, size // 2, at_once):
        value = 2.0 + 3.0 * draw.random(at_once)
        value[1000:2000] = 6.5
        events += len(replay(spec, state, {"dp": column(value, first), "fan": column(value, first)}))
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"\n{size} readings in chunks of {2 * at_once}: {events} events in {time.perf_counter() - began_s:.1f} s with "
        f"their making; peak memory {peak_mib:.0f} MiB (goal < 2048)"
    )


def query(size: int) -> None:
    """The columnar engine beside the SQL query, one limit."""
    index, draw = np.arange(size), np.random.default_rng(3)
    quiet = 2.0 + 3.0 * draw.random(size)
    active = quiet + np.where(index % 1000 < 100, 4.0, 0.0)
    spec = collector((HIGH,))
    print(f"\ncolumnar engine, {size} readings; ratio to the SQL query (goal >= 50)")
    for what, value in (("quiet", quiet), ("10 % of the time in excursions", active)):
        chunk = column(value)
        tables = {
            "reading": pa.table(
                {
                    "history": np.zeros(size, np.int64),
                    "place": index,
                    "point": pa.array(["dp"] * size),
                    "at_us": chunk.at_us,
                    "value": value,
                    "good": chunk.good,
                }
            ),
            "point": pa.table({"history": [0], "point": ["dp"], "hold_us": [3 * STEP_US], "by_run": [False]}),
            "lim": pa.table(
                {
                    "history": [0],
                    "point": ["dp"],
                    "tier": ["high"],
                    "side": [1],
                    "threshold": [6.0],
                    "back": [5.8],
                    "on_us": [HIGH.on_delay_us],
                    "off_us": [0],
                }
            ),
            "rule": pa.table(
                {
                    "history": pa.array([], pa.int64()),
                    "point": pa.array([], pa.string()),
                    "run_on": pa.array([], pa.float64()),
                    "run_off": pa.array([], pa.float64()),
                    "settle_us": pa.array([], pa.int64()),
                    "forget_us": pa.array([], pa.int64()),
                }
            ),
        }
        raised = [row[4] for row in ask(tables)]
        events = replay(spec, new_state(spec), {"dp": chunk})
        assert [event.at_us for event in events if event.change == "raised"] == raised
        by_query = rate(size, lambda tables=tables: ask(tables), 1)  # type: ignore[misc]
        show(f"SQL query, {what}", by_query, by_query)
        by_arrays = rate(size, lambda chunk=chunk: replay(spec, new_state(spec), {"dp": chunk}))  # type: ignore[misc]
        show(f"columnar, {what} ({len(raised)} alarms)", by_arrays, by_query, ">= 50")


def streaming(size: int) -> None:
    """The streaming engine beside a bare loop that compares each reading with four numbers."""
    draw, spec = np.random.default_rng(4), collector(FOUR)
    quiet = [Reading(at * STEP_US, value) for at, value in enumerate((2.0 + 3.0 * draw.random(size)).tolist())]
    open_ = [Reading(reading.at_us, 6.5) for reading in quiet]

    def bare() -> int:
        beyond = 0
        for reading in quiet:
            value = reading.value
            if value > 8.0 or value > 6.0 or value < 1.0 or value < 0.5:
                beyond += 1
        return beyond

    def engine(readings: list[Reading], at_once: int) -> None:
        state = new_state(spec)
        for start in range(0, size, at_once):
            step(spec, state, {"dp": readings[start : start + at_once]})

    print(f"\nstreaming engine, {size} readings, four limits; ratio to a bare loop")
    base = rate(size, bare)
    show("a bare loop with four comparisons", base, base)
    for at_once, goal in ((1000, ">= 0.25"), (100, ">= 0.25"), (10, ""), (1, "")):
        show(f"quiet, {at_once} a call", rate(size, lambda many=at_once: engine(quiet, many), 3), base, goal)  # type: ignore[misc]
    show("one alarm open throughout, 100 a call", rate(size, lambda: engine(open_, 100), 3), base)


def batches(collectors: int, rounds: int, each: int) -> None:
    """A plant's micro-batches on the board, and the same readings stepped collector by collector.

    Both have had the first batch before the clock starts: a daemon starts once and runs for months.
    """
    specs = [collector(FOUR, running=True, name=f"c{number}") for number in range(collectors)]
    draw, width = np.random.default_rng(5), 2 * collectors
    made: list[Columns] = []
    for number in range(rounds):
        at = np.repeat(times(each, number * each), width)
        value = 2.0 + 3.0 * draw.random(len(at))
        point = np.tile(np.arange(width), each)
        value[point == 0] += 4.0 * (number % 4 == 0)  # one point moves in and out of its limits
        made.append(Columns(point, at, value, np.ones(len(at), bool)))
    stories = [by_collector(specs, columns) for columns in made]

    def on_board() -> tuple[float, list[AlarmEvent]]:
        board = Board(specs)
        board.take(made[0])
        began_s = time.perf_counter()
        events = [event for columns in made[1:] for event in board.take(columns).events]
        return time.perf_counter() - began_s, events

    def stepped() -> tuple[float, list[AlarmEvent]]:
        states = [new_state(spec) for spec in specs]
        began_s, events = 0.0, []
        for number, story in enumerate(stories):
            began_s = time.perf_counter() if number == 1 else began_s
            for spec, state, readings in zip(specs, states, story, strict=True):
                decided = step(spec, state, readings)[0]
                events += decided if number else []
        return time.perf_counter() - began_s, events

    assert sorted(map(repr, on_board()[1])) == sorted(map(repr, stepped()[1]))
    size = sum(len(columns.at_us) for columns in made[1:])
    print(f"\nmicro-batches of {len(made[0].at_us)} readings, {each} of each point; ratio to streaming")
    base = size / min(stepped()[0] for _ in range(3))
    show("streaming, readings ready made and sorted out", base, base)
    show("board", size / min(on_board()[0] for _ in range(3)), base, ">= 10")


def by_collector(specs: list[CollectorSpec], columns: Columns) -> list[dict[str, list[Reading]]]:
    story: list[dict[str, list[Reading]]] = [{"dp": [], "fan": []} for _ in specs]
    for point, at_us, value in zip(
        *(part.tolist() for part in (columns.point, columns.at_us, columns.value)), strict=True
    ):
        story[point // 2]["fan" if point % 2 else "dp"].append(Reading(at_us, value))
    return story


class Stored(NamedTuple):
    """A collector's history in a file, read where it is judged."""

    file: Path
    chunks: int

    def __call__(self) -> Iterator[dict[str, Column]]:
        value = np.load(self.file)
        for number in range(self.chunks):
            yield {"dp": column(value, number * len(value))}


def processes(collectors: int, chunks: int) -> None:
    """A plant in one process, and spread over two: it helps where the history is busy."""
    size = 1_000_000
    draw, index = np.random.default_rng(6), np.arange(size)
    quiet = 2.0 + 3.0 * draw.random(size)
    stories = {
        "quiet": (quiet, HIGH.on_delay_us, chunks),
        "crosses every fourth reading, no alarm": (np.where(index % 8 < 4, 5.0, 6.5), HIGH.on_delay_us, chunks),
        "an alarm for every thousand readings": (
            quiet + np.where(index % 1000 < 100, 4.0, 0.0),
            HIGH.on_delay_us,
            chunks,
        ),
        "an alarm for every eight readings (zero delays)": (np.where(index % 8 < 4, 5.0, 6.5)[: size // 4], 0, 1),
    }
    with ProcessPoolExecutor(2) as pool, tempfile.TemporaryDirectory(prefix="dustcake-bench-") as folder:
        list(pool.map(abs, range(8)))  # the processes have started
        print(f"\ncolumnar engine, {collectors} collectors from files; ratio of two processes to one")
        for what, (value, delay_us, many) in stories.items():
            np.save(file := Path(folder) / "history.npy", value)
            spec = collector((replace(HIGH, on_delay_us=delay_us),))
            plant = [History(spec, Stored(file, many)) for _ in range(collectors)]
            total, end_us = collectors * many * len(value), (many + 1) * size * STEP_US
            one = rate(total, lambda plant=plant, end_us=end_us: list(replay_plant(plant, end_us)), 3)  # type: ignore[misc]
            two = rate(total, lambda plant=plant, end_us=end_us: list(replay_plant(plant, end_us, pool.map)), 3)  # type: ignore[misc]
            show(f"one process, {what}", one, one)
            show(f"two processes, {what}", two, one)


def main() -> None:
    memory(100_000_000, 1_000_000)
    arrays(8_000_000)
    query(1_000_000)
    streaming(200_000)
    batches(500, 40, 1)
    batches(500, 40, 10)
    processes(8, 10)

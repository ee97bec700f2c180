"""The long run: `python -m tests.fuzz --executions 10000000 --seed 0 --processes 2`. Exits with 1 at any finding."""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time

from tests.fuzz.run import BLOCK, Seen, block_of, report

PROGRESS_S = 5.0
FINDINGS_SHOWN = 10


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--executions", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--processes", type=int, default=1)
    given = parser.parse_args()
    blocks = [
        (given.seed, number, min(BLOCK, given.executions - number * BLOCK))
        for number in range(-(-given.executions // BLOCK))
    ]
    seen, began_s = Seen(), time.monotonic()
    told_s = began_s
    with multiprocessing.get_context("spawn").Pool(given.processes) as pool:
        for done in pool.imap_unordered(block_of, blocks):
            seen.add(done)
            if time.monotonic() - told_s > PROGRESS_S:
                told_s = time.monotonic()
                rate = seen.executions / (told_s - began_s)
                left_s = (given.executions - seen.executions) / rate
                print(
                    f"{seen.executions:,} executions, {rate:,.0f}/s, {len(seen.findings)} uncaught, "
                    f"slowest {seen.slowest.seconds * 1000:.1f} ms, {left_s / 60:.1f} min left",
                    file=sys.stderr,
                    flush=True,
                )
        pool.close()  # so that the processes end by themselves, and take their folders away
        pool.join()
    print("\n".join(seen.findings[:FINDINGS_SHOWN]), end="")
    print(json.dumps(report(seen, time.monotonic() - began_s), indent=2, ensure_ascii=True))
    return 1 if seen.findings or seen.slow else 0


if __name__ == "__main__":
    sys.exit(main())

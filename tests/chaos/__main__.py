"""`python -m tests.chaos SCENARIO --count N --seed S [--json]`: exit code 1 on any breach, 2 if it cannot run here."""

from __future__ import annotations

import argparse
import dataclasses
import json
import random
import signal
import sys
import tempfile
import time
from pathlib import Path

from tests.chaos import scenarios


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.chaos", description="real parts, disturbed on purpose")
    parser.add_argument("scenario", choices=[*scenarios.TABLE, "list"])
    parser.add_argument("--count", type=int, help="how often; by default a small number")
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--json", action="store_true", help="one JSON object in place of the table")
    parser.add_argument("--keep", type=Path, help="work in this folder and leave it there, for a look afterwards")
    given = parser.parse_args()
    if given.scenario == "list":
        for name, entry in scenarios.TABLE.items():
            print(f"{name:14} full count {entry.full:5}  {entry.missing() or 'can be run here'}")
        return 0
    entry = scenarios.TABLE[given.scenario]
    if reason := entry.missing():
        print(f"{given.scenario} cannot be run here: {reason}", file=sys.stderr)
        return 2
    entry.enter()
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))  # so that everything is taken down on the way out
    seed = given.seed if given.seed is not None else random.SystemRandom().randrange(10**6)
    count = given.count or entry.small
    began_s = time.monotonic()

    def say(text: str) -> None:
        print(f"[{time.monotonic() - began_s:7.1f} s] {text}", file=sys.stderr, flush=True)

    say(f"{given.scenario}: count {count}, seed {seed}")
    with tempfile.TemporaryDirectory(prefix="chaos-") as made:
        folder = given.keep or Path(made)
        folder.mkdir(parents=True, exist_ok=True)
        outcome = entry.run(folder, count=count, seed=seed, say=say)
    for line in (*outcome.notes, *(f"BREACH: {text}" for text in outcome.breaches)):
        say(line)
    each_s = outcome.took_s / count
    say(f"took {outcome.took_s:.0f} s, {each_s:.2f} s each; all {entry.full}: about {each_s * entry.full / 60:.0f} min")
    print(
        json.dumps(dataclasses.asdict(outcome) | {"sound": outcome.is_sound, "seed": seed})
        if given.json
        else outcome.table()
    )
    return 0 if outcome.is_sound else 1


if __name__ == "__main__":
    sys.exit(main())

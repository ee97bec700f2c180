"""Hostile input led by coverage: what reaches new lines of the service is kept and changed further.

`python -m tests.fuzz.guided --seconds 600`; it needs atheris (the dependency group `fuzz`), which has no wheel for
every Python. Exit code 1 at the first uncaught exception or input that takes longer than a second; the input is left in
the folder that it names. What it finds is put among the examples of `test_decoders.py`.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["service", "rules"]):
    from tests.fuzz.targets import Target, targets

SLOWEST_S = 1
LONGEST_BYTES = 4096
LEFT_OUT = ("plant", "query")  # tens of milliseconds each: the plain fuzzer has them


def one(table: list[Target], data: bytes) -> None:
    """One execution: the first byte says which decoder, the rest is its input."""
    if data:
        table[data[0] % len(table)].run(data[1:])


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz.guided", description=__doc__)
    parser.add_argument("--seconds", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    table = [target for target in targets() if target.name not in LEFT_OUT]
    folder = Path(tempfile.mkdtemp(prefix="guided-"))
    (folder / "corpus").mkdir()
    for number, target in enumerate(table):
        for at, seed in enumerate(target.seeds):
            (folder / "corpus" / f"{target.name}-{at}").write_bytes(bytes([number]) + seed)
    print(f"corpus and findings: {folder}", file=sys.stderr)
    os.chdir(folder)
    options = [f"-max_total_time={given.seconds}", f"-seed={given.seed}", f"-timeout={SLOWEST_S}"]
    atheris.Setup([sys.argv[0], "corpus", f"-max_len={LONGEST_BYTES}", *options], lambda data: one(table, data))
    atheris.Fuzz()


if __name__ == "__main__":
    main()

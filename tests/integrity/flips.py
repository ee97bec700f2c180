"""One random bit after another flipped in each file of a record: is it harmless, noticed, or lost without a word?

`python -m tests.integrity.flips --count 2000 --seed 0` prints the table; the last row of it must be 0.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.integrity.record import FILES, HISTORY, HISTORY_WAL, Seen, make, run

KINDS = ("harmless", "at start", "by check value at apply", "history made anew", "by verify", "SILENT")


def flip(file: Path, bit: int) -> None:
    """Turn one bit of a file over."""
    body = bytearray(file.read_bytes())
    body[bit // 8] ^= 1 << (bit % 8)
    file.write_bytes(body)


def judge(seen: Seen, sound: Seen) -> str:
    """Where the damage was noticed first; SILENT when it was not, and what the service has is not what it had."""
    if seen.start or seen.error:
        return "at start"
    if seen.apply:
        return "by check value at apply"
    if seen.rebuilt or seen.stuck:
        return "history made anew"
    if seen.verify:
        return "by verify"
    return "harmless" if (seen.tables, seen.readings) == (sound.tables, sound.readings) else "SILENT"


def wrong(seen: Seen, sound: Seen) -> int:
    """How many readings the history has that were never sent so."""
    return (seen.readings - sound.readings).total()


def what_was_done(seen: Seen, sound: Seen) -> str:
    """What the service did, in a few words."""
    if seen.crashed:
        return "ended with a traceback"
    if seen.error:
        return "refused to start, and said why"
    if seen.stuck:
        return "started; history stopped, and said why"
    missing = (sound.readings - seen.readings).total()
    return "started; history whole" if not missing else "started; history whole but for what is damaged"


def trials(folder: Path, which: str, count: int, seed: int) -> Iterator[tuple[int, Seen, Seen]]:
    """(bit, what was seen, what a sound record shows) for so many seeded flips in one file.

    Where the ledger is what is damaged the history is left out, so that all of the journal is applied anew.
    """
    source = folder / ("killed" if which.endswith("wal") else "clean")
    sound = _copied(folder, source, which)
    expected = run(sound)
    noticed = [expected.error, expected.start, expected.apply, expected.verify, expected.stuck, expected.rebuilt]
    assert not any(noticed), noticed
    bits = (source / FILES[which]).stat().st_size * 8
    draw = random.Random(f"{which} {seed}")
    for _ in range(count):
        bit = draw.randrange(bits)
        copy = _copied(folder, source, which)
        flip(copy / FILES[which], bit)
        yield bit, run(copy), expected


def _copied(folder: Path, source: Path, which: str) -> Path:
    copy = folder / "copy"
    shutil.rmtree(copy, ignore_errors=True)
    left_out = (HISTORY, HISTORY_WAL) if which.startswith("ledger") else ()
    shutil.copytree(source, copy, ignore=shutil.ignore_patterns(*left_out))
    return copy


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--file", choices=list(FILES), action="append")
    given = parser.parse_args()
    silent = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        make(folder)
        for which in given.file or FILES:
            kinds, done, wrongs = Counter[str](), Counter[str](), 0
            for bit, seen, sound in trials(folder, which, given.count, given.seed):
                kind = judge(seen, sound)
                kinds[kind] += 1
                done[what_was_done(seen, sound)] += kind != "harmless"
                wrongs += wrong(seen, sound) > 0
                if kind == "SILENT" or seen.crashed or wrong(seen, sound):
                    print(f"  {which} bit {bit}: {kind}; {seen.error or what_was_done(seen, sound)}", flush=True)
            print(f"{which}: {given.count} flips")
            for kind in KINDS:
                print(f"  {kinds[kind]:6} {kind}")
            for text, times in done.most_common():
                print(f"         {times:6} {text}")
            print(f"  {wrongs:6} with readings in the history that were never sent so", flush=True)
            silent += kinds["SILENT"] + wrongs
    return 1 if silent else 0


if __name__ == "__main__":
    sys.exit(main())

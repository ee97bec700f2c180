"""Changes bytes, from a seed: flips, cuts, repeats, tokens, splices. The same seed makes the same inputs."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence

from tests.fuzz.corpus import TOKENS

LONGEST = 262_144  # bytes: what the settings let through by default
HUGE_ONE_IN = 4_000
CHANGES_MOST = 6

Change = Callable[[random.Random, bytearray], None]


def _flip(draw: random.Random, data: bytearray) -> None:
    if data:
        data[draw.randrange(len(data))] ^= 1 << draw.randrange(8)


def _set(draw: random.Random, data: bytearray) -> None:
    if data:
        data[draw.randrange(len(data))] = draw.randrange(256)


def _cut(draw: random.Random, data: bytearray) -> None:
    start = draw.randint(0, len(data))
    del data[start : start + draw.choice((1, 2, 8, 64, 100_000))]


def _insert_token(draw: random.Random, data: bytearray) -> None:
    at = draw.randint(0, len(data))
    data[at:at] = draw.choice(TOKENS)


def _overwrite_token(draw: random.Random, data: bytearray) -> None:
    at, token = draw.randint(0, len(data)), draw.choice(TOKENS)
    data[at : at + len(token)] = token


def _repeat(draw: random.Random, data: bytearray) -> None:
    at = draw.randint(0, len(data))
    data[at:at] = data[at : at + draw.choice((1, 4, 32, 256))] * draw.choice((1, 2, 8))


def _replace_value(draw: random.Random, data: bytearray) -> None:
    """Put a token where something stands between two punctuation marks, so that the form stays whole."""
    start = data.find(draw.choice(b":,[= ").to_bytes(1, "big"), draw.randint(0, len(data)))
    if start >= 0:
        ends = [end for mark in b",}]\n" if (end := data.find(mark, start + 1)) > 0]
        data[start + 1 : min(ends, default=len(data))] = draw.choice(TOKENS)


CHANGES: Sequence[Change] = (
    *(_flip, _set, _cut, _insert_token, _overwrite_token, _repeat, _replace_value, _replace_value),
)


def mutated(draw: random.Random, seeds: Sequence[bytes]) -> bytes:
    """One input: one of the seeds, changed, at times spliced with another, at times blown up to LONGEST."""
    data = bytearray(draw.choice(seeds))
    if draw.random() < 0.1:
        other = draw.choice(seeds)
        data[draw.randint(0, len(data)) :] = other[draw.randint(0, len(other)) :]
    for _ in range(draw.randint(1, CHANGES_MOST)):
        draw.choice(CHANGES)(draw, data)
    if draw.randrange(HUGE_ONE_IN) == 0:
        start = draw.randint(0, len(data))
        piece = bytes(data[start : start + draw.choice((1, 2, 40))]) or draw.choice(TOKENS)
        data[start:start] = piece * (LONGEST // len(piece))
    return bytes(data[:LONGEST])

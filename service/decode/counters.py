"""Totals of counters that begin anew or wrap. Owns their memory, which is saved with the batch. Knows no unit, no tag.

A counter that shows less than before has begun anew, or has wrapped where it may. For as long as it only goes up its
total is what it shows and an offset, so a reading that comes late, or again, has the same total as in its order.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

import msgspec

from service.model import BadInput

COUNTERS_AT_MOST = 10_000  # remembered by a source; only tags that the sources file calls counters have one
TOTAL_BELOW = 2.0**53  # beyond it a double no longer counts ones
RUNS_AT_MOST = 8  # of earlier offsets, remembered for what comes late
NEAR = 0.25  # of its range: so near to its end, and then so near to nought, a counter has wrapped


class Run(NamedTuple):
    """A time in which a counter only went up."""

    since_us: int
    until_us: int
    offset: float


class _Counter(msgspec.Struct):
    """The last that it showed, and when; `total` counts on where it begins anew. `since_us` 0: from the beginning."""

    last: float
    total: float
    at_us: int
    since_us: int = 0
    earlier: list[Run] = []


class Counters:
    """The counters of one source, by a key that names the device and its tag."""

    def __init__(self) -> None:
        self._counters: dict[str, _Counter] = {}
        self._changed: set[str] = set()

    def total(self, key: str, raw: float, at_us: int, *, wraps_at: float | None, latest_us: int) -> float:
        """What a counter that shows `raw` at `at_us` has counted so far; BadInput when that cannot be known.

        A reading later than `latest_us` is nobody's present: it gets a total and is not remembered.
        """
        if not 0 <= raw < (TOTAL_BELOW if wraps_at is None else wraps_at):
            expected = "0 to 2**53" if wraps_at is None else f"at least 0 and less than wraps_at, {wraps_at:g}"
            raise BadInput(f"counter {key!r}: {raw!r}; expected {expected}; correct the sender or the sources file")
        counter = self._counters.get(key)
        if counter is None:
            return self._first(key, raw, at_us, latest_us)
        if at_us <= counter.at_us:
            return raw + _offset(key, counter, at_us)
        offset, since_us, earlier = counter.total - counter.last, counter.since_us, counter.earlier
        if raw < counter.last:
            closed = Run(counter.since_us, counter.at_us, offset)
            since_us, earlier = at_us, [*counter.earlier, closed][-RUNS_AT_MOST:]
            offset += wraps_at if wraps_at is not None and _wrapped(counter.last, raw, wraps_at) else counter.last
        total = raw + offset
        if not math.isfinite(total) or total >= TOTAL_BELOW:
            raise BadInput(f"counter {key!r}: a total of {total:g}; expected less than 2**53; set highest for its tag")
        if at_us <= latest_us:
            self._counters[key] = _Counter(raw, total, at_us, since_us, earlier)
            self._changed.add(key)
        return total

    def changed(self) -> dict[str, bytes]:
        """The counters to be saved, by key; forgets that they changed."""
        changed = {key: msgspec.json.encode(self._counters[key]) for key in self._changed}
        self._changed.clear()
        return changed

    def load(self, saved: Mapping[str, bytes]) -> None:
        """Take up saved counters; one that cannot be read begins anew with its next reading."""
        for key, body in saved.items():
            try:
                self._counters[key] = msgspec.json.decode(body, type=_Counter)
            except msgspec.MsgspecError:
                continue

    def _first(self, key: str, raw: float, at_us: int, latest_us: int) -> float:
        if len(self._counters) >= COUNTERS_AT_MOST:
            raise BadInput(f"counter {key!r}: more than {COUNTERS_AT_MOST} counters; name fewer in the sources file")
        if at_us <= latest_us:
            self._counters[key] = _Counter(raw, raw, at_us)
            self._changed.add(key)
        return raw


def _wrapped(last: float, raw: float, wraps_at: float) -> bool:
    return last >= (1 - NEAR) * wraps_at and raw < NEAR * wraps_at


def _offset(key: str, counter: _Counter, at_us: int) -> float:
    """That of the run in which an earlier reading lies. Between two runs nobody knows when the one ended."""
    if at_us >= counter.since_us:
        return counter.total - counter.last
    for run in counter.earlier:
        if run.since_us <= at_us <= run.until_us:
            return run.offset
    raise BadInput(
        f"counter {key!r}: a late reading from about its last start or wrap, of which it cannot be said which count "
        "it belongs to; expected readings in their order; let the sender keep it"
    )

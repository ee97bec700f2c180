"""Which of a gateway's numbered messages never came. Owns what is known of one gateway's numbers, never the messages.

A gateway may number its messages: one more for each, beginning anew with each boot. The rules:

- Numbers are followed in runs. A boot begins one, at whatever number is seen first. What was lost before the first
  number of a run or after its last one cannot be known: a loss across a restart of the gateway is not seen.
- Missing is what lies between the first and the last number of a run and has not come. Order does not matter, and a
  number that comes again changes nothing.
- A boot that is heard again after another one goes on in its own run.
- A number at least `FAR` below the highest of its run, which is not missing and was measured later than everything in
  the run, shows that the gateway began to count anew without saying so (no boot, or a counter that wraps): a new run
  of the same boot. Resent messages were measured earlier, and so begin none. Of several runs of one boot a message
  belongs to the first that was still being measured then.
- A number more than `LEAP` beyond either end of its run is no loss but another way of counting: it begins a run too.
- A missing range is reported when it has been open for `SETTLE_US` of listening, has not shrunk for as long, and no
  stored data have come in for as long. Stored data are a number that comes when it has been missing for half of that.
  They hold back a report for `HOLD_AT_MOST_US` at most, so that a gateway that is always behind is reported too.
- At most `RANGES_AT_MOST` missing ranges and `RUNS_AT_MOST` runs are remembered. Beyond that the oldest are forgotten,
  those reported already first; what had not been reported is then reported at once. What is forgotten stays missing
  on record even if it comes after all.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

from rules.types import MINUTE_US

SETTLE_US = 2 * MINUTE_US  # reordering takes seconds; pauses inside a burst of stored data well below a minute
HOLD_AT_MOST_US = 6 * 60 * MINUTE_US  # 20,000 stored messages at two a second take three hours
RANGES_AT_MOST = 256
RUNS_AT_MOST = 16
FAR = 100
LEAP = 10_000_000  # at ten messages a second that many take eleven days


@dataclass(frozen=True, slots=True)
class Missing:
    """Numbers of a run that have not come, first and last included."""

    first: int
    last: int
    opened_us: int
    changed_us: int  # when it last shrank
    is_reported: bool = False


@dataclass(eq=False, slots=True)
class Run:
    """Numbers that follow one another. `missing` ascends; there is always a number that came between two of them."""

    number: int  # runs of a gateway are counted from 1
    boot: str | None
    first: int
    last: int
    measured_us: int | None = None  # the latest time of measurement in it
    missing: list[Missing] = field(default_factory=list)


@dataclass(eq=False, slots=True)
class Tracker:
    """One gateway's numbers. The run that was heard last stands last."""

    runs: list[Run] = field(default_factory=list)
    begun: int = 0  # runs in all
    stored_us: int | None = None  # when stored data last came in
    absent: int = 0  # messages that were reported and have not come


@dataclass(frozen=True, slots=True)
class Change:
    """Numbers of one run that are now reported as missing, or that were and have come after all."""

    boot: str | None
    run: int
    first: int
    last: int
    is_filled: bool = False


def take(tracker: Tracker, boot: str | None, seq: int, measured_us: int | None, now_us: int) -> list[Change]:
    """Note one message. What had been reported and is filled by it, and what is reported because it is forgotten.

    `measured_us` is when the message's readings were measured, None when that is not known.
    """
    run = _run_of(tracker, boot, measured_us)
    if run is None or _is_restart(run, seq, measured_us):
        return _begin(tracker, boot, seq, measured_us)
    _put_last(tracker, run)
    note_measured(run, measured_us)
    place = _place(run, seq)
    if place is not None:
        return _fill(tracker, run, place, seq, now_us)
    gap: Missing | None = None
    if seq > run.last:
        gap = Missing(run.last + 1, seq - 1, now_us, now_us)
        run.last = seq
    elif seq < run.first:
        gap = Missing(seq + 1, run.first - 1, now_us, now_us)
        run.first = seq
    if gap is None or gap.first > gap.last:
        return []
    run.missing.insert(bisect_left(run.missing, gap.first, key=_first), gap)
    return _forget_ranges(tracker)


def note_measured(run: Run, measured_us: int | None) -> None:
    """Readings of this run were measured at this time."""
    if measured_us is not None and (run.measured_us is None or measured_us > run.measured_us):
        run.measured_us = measured_us


def has_unreported(tracker: Tracker) -> bool:
    """Whether anything is missing that has not been reported yet."""
    return any(not gap.is_reported for run in tracker.runs for gap in run.missing)


def due(tracker: Tracker, now_us: int, heard_since_us: int) -> list[Change]:
    """Report what has settled; the broker has been heard without a break since `heard_since_us`."""
    is_quiet = tracker.stored_us is None or now_us - tracker.stored_us >= SETTLE_US
    found: list[Change] = []
    for run in tracker.runs:
        for i, gap in enumerate(run.missing):
            if gap.is_reported or now_us - max(gap.changed_us, heard_since_us) < SETTLE_US:
                continue
            if is_quiet or now_us - gap.opened_us >= HOLD_AT_MOST_US:
                run.missing[i] = replace(gap, is_reported=True)
                found.append(_report(tracker, run, gap))
    return found


def joined(changes: Iterable[Change]) -> list[Change]:
    """The same changes, with numbers that follow one another as one; those filled first."""
    order = sorted(changes, key=lambda each: (not each.is_filled, each.run, each.first))
    found: list[Change] = []
    for each in order:
        before = found[-1] if found else None
        if before and (before.is_filled, before.run, before.last + 1) == (each.is_filled, each.run, each.first):
            found[-1] = replace(before, last=each.last)
        else:
            found.append(each)
    return found


# ------------------------------------------------------------ which run


def _run_of(tracker: Tracker, boot: str | None, measured_us: int | None) -> Run | None:
    found = sorted((run for run in tracker.runs if run.boot == boot), key=lambda run: run.number)
    if measured_us is not None:
        for run in found[:-1]:
            if run.measured_us is not None and measured_us <= run.measured_us:
                return run
    return found[-1] if found else None


def _is_restart(run: Run, seq: int, measured_us: int | None) -> bool:
    if not run.first - LEAP <= seq <= run.last + LEAP:
        return True
    if seq > run.last - FAR or measured_us is None or run.measured_us is None:
        return False
    return measured_us > run.measured_us and _place(run, seq) is None


def _begin(tracker: Tracker, boot: str | None, seq: int, measured_us: int | None) -> list[Change]:
    """A new run; the one that has not been heard for longest is forgotten when there are too many."""
    tracker.begun += 1
    tracker.runs.append(Run(tracker.begun, boot, seq, seq, measured_us))
    if len(tracker.runs) <= RUNS_AT_MOST:
        return []
    oldest = tracker.runs.pop(0)
    return [_report(tracker, oldest, gap) for gap in oldest.missing if not gap.is_reported]


def _put_last(tracker: Tracker, run: Run) -> None:
    if tracker.runs[-1] is not run:
        tracker.runs.remove(run)
        tracker.runs.append(run)


# ------------------------------------------------------------ ranges


def _first(gap: Missing) -> int:
    return gap.first


def _last(gap: Missing) -> int:
    return gap.last


def _place(run: Run, seq: int) -> int | None:
    """Where in `missing` the number is; None when it is not missing."""
    i = bisect_left(run.missing, seq, key=_last)
    return i if i < len(run.missing) and run.missing[i].first <= seq else None


def _fill(tracker: Tracker, run: Run, place: int, seq: int, now_us: int) -> list[Change]:
    gap = run.missing[place]
    if now_us - gap.opened_us >= SETTLE_US // 2:
        tracker.stored_us = now_us
    run.missing[place : place + 1] = _without(gap, seq, now_us)
    filled: list[Change] = []
    if gap.is_reported:
        tracker.absent -= 1
        filled = [Change(run.boot, run.number, seq, seq, is_filled=True)]
    return filled + _forget_ranges(tracker)


def _without(gap: Missing, seq: int, now_us: int) -> Iterator[Missing]:
    for first, last in ((gap.first, seq - 1), (seq + 1, gap.last)):
        if first <= last:
            yield Missing(first, last, gap.opened_us, now_us, gap.is_reported)


def _forget_ranges(tracker: Tracker) -> list[Change]:
    """Forget the oldest range while there are too many: of those reported, or else of all, which is then reported."""
    if sum(len(run.missing) for run in tracker.runs) <= RANGES_AT_MOST:
        return []
    _, _, number, i = min(
        (not gap.is_reported, gap.opened_us, run.number, i) for run in tracker.runs for i, gap in enumerate(run.missing)
    )
    run = next(run for run in tracker.runs if run.number == number)
    gap = run.missing.pop(i)
    return [] if gap.is_reported else [_report(tracker, run, gap)]


def _report(tracker: Tracker, run: Run, gap: Missing) -> Change:
    tracker.absent += gap.last - gap.first + 1
    return Change(run.boot, run.number, gap.first, gap.last)

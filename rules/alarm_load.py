"""How much the alarm system asks of people: the usual performance measures over alarm activations.

It measures, and judges nothing: no figure here is a limit, and none is a claim of compliance. It reads
no clock and knows no calendar; whoever needs local days passes their midnights. Activations should be
those that people were told of: a hidden alarm loads nobody.

Definitions follow ISA-18.2 as trade articles quote it; the standard itself was not at hand.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.types import HOUR_US, MINUTE_US

INTERVAL_US = 10 * MINUTE_US
DAY_US = 24 * HOUR_US
FLOOD_STARTS_ABOVE = 10  # alarms in one interval
FLOOD_ENDS_BELOW = 5
CHATTER_ACTIVATIONS = 3
CHATTER_US = MINUTE_US
STALE_US = DAY_US


@dataclass(frozen=True, slots=True)
class Activation:
    """One alarm from raised to cleared; `cleared_us` None while it is active. `source` is what alarms."""

    raised_us: int
    cleared_us: int | None
    priority: str
    source: str
    acknowledged_us: int | None = None

    def __post_init__(self) -> None:
        if self.cleared_us is not None and self.cleared_us < self.raised_us:
            raise ValueError(
                f"activation of {self.source}: cleared at {self.cleared_us} us, expected not before it was "
                f"raised at {self.raised_us} us; pair the events of one alarm"
            )


@dataclass(frozen=True, slots=True)
class Flood:
    """One flood: whole intervals from `start_us` up to `end_us`. Not ended when the counts end first."""

    start_us: int
    end_us: int
    alarms: int
    peak: int  # most alarms in one interval
    has_ended: bool

    @property
    def duration_us(self) -> int:
        return self.end_us - self.start_us


@dataclass(frozen=True, slots=True)
class Share:
    """How many activations one source has, and which part of all of them that is (0 to 1)."""

    source: str
    activations: int
    share: float


# ---------------------------------------------------------------- rates


def ten_minute_edges(start_us: int, end_us: int) -> NDArray[np.int64]:
    """The edges of the whole 10-minute intervals of a period, first and last included.

    ValueError unless the period is one or more whole intervals: a part of one would look quiet.
    """
    if end_us <= start_us or (end_us - start_us) % INTERVAL_US:
        raise ValueError(
            f"period from {start_us} us to {end_us} us: expected one or more whole intervals of "
            f"{INTERVAL_US} us; round its ends"
        )
    return np.arange(start_us, end_us + 1, INTERVAL_US, dtype=np.int64)


def alarms_between(activations: Iterable[Activation], edges_us: Sequence[int] | NDArray[np.int64]) -> list[int]:
    """Activations raised in each interval [edge, next edge): one count fewer than edges.

    With `ten_minute_edges` these are alarms per 10 minutes; with local midnights, alarms per day, also
    where a day has 23 or 25 hours. ValueError unless there are two edges or more and each exceeds the
    one before.
    """
    edges = np.asarray(edges_us, dtype=np.int64)
    if edges.size < 2 or np.any(np.diff(edges) <= 0):
        raise ValueError(f"edges {edges.tolist()}: expected two or more instants in rising order")
    raised = np.array([activation.raised_us for activation in activations], dtype=np.int64)
    raised = raised[(raised >= edges[0]) & (raised < edges[-1])]
    found = np.searchsorted(edges, raised, side="right") - 1
    counts: list[int] = np.bincount(found, minlength=edges.size - 1).tolist()
    return counts


def alarms_per_day(activations: Iterable[Activation], start_us: int, end_us: int) -> float:
    """The mean rate over a period, in alarms per 24 hours. ValueError for a period of no length."""
    (count,) = alarms_between(activations, (start_us, end_us))
    return count * DAY_US / (end_us - start_us)


# ---------------------------------------------------------------- floods


def flood_intervals(counts: Sequence[int]) -> list[tuple[int, int]]:
    """Floods as half-open index ranges of 10-minute counts.

    A flood starts with the first count above 10 and ends before the first count below 5 (ISA-18.2,
    quoted from a trade article; the standard itself was not at hand). Exactly 10 starts none, and
    exactly 5 ends none. One that the counts leave unfinished ends with them.
    """
    floods: list[tuple[int, int]] = []
    start: int | None = None
    for index, count in enumerate(counts):
        if start is None and count > FLOOD_STARTS_ABOVE:
            start = index
        elif start is not None and count < FLOOD_ENDS_BELOW:
            floods.append((start, index))
            start = None
    if start is not None:
        floods.append((start, len(counts)))
    return floods


def floods(activations: Iterable[Activation], start_us: int, end_us: int) -> list[Flood]:
    """The floods of a period of whole 10-minute intervals, with their descriptors.

    A flood that began before the period is seen from the first count above 10 within it.
    """
    counts = alarms_between(activations, ten_minute_edges(start_us, end_us))
    return [
        Flood(
            start_us=start_us + first * INTERVAL_US,
            end_us=start_us + end * INTERVAL_US,
            alarms=sum(counts[first:end]),
            peak=max(counts[first:end]),
            has_ended=end < len(counts),
        )
        for first, end in flood_intervals(counts)
    ]


def fraction_in_flood(counts: Sequence[int]) -> float:
    """The part of the 10-minute intervals that lies in floods, 0 to 1; 0 when there are none."""
    in_flood = sum(end - first for first, end in flood_intervals(counts))
    return in_flood / len(counts) if counts else 0.0


# ---------------------------------------------------------------- nuisance


def chattering(activations: Iterable[Activation]) -> dict[str, int]:
    """Sources that chatter, with the most activations that any 1 minute of theirs holds, worst first.

    Three or more activations within 1 minute (quoted from two trade articles); the minute includes
    both its ends.
    """
    most = {source: int(_within_a_minute(raised).max()) for source, raised in _raised_by_source(activations)}
    worst_first = sorted(most.items(), key=lambda item: (-item[1], item[0]))
    return {source: count for source, count in worst_first if count >= CHATTER_ACTIVATIONS}


def fleeting(activations: Sequence[Activation], shorter_than_us: int) -> list[Activation]:
    """Activations that cleared in less than the given time, before anyone acknowledged them.

    The trade calls an alarm fleeting that clears almost at once without action and does not repeat
    (quoted from a trade article), so what belongs to a chattering minute is left out. An
    acknowledgement after it cleared is no action on it. How short is for the site to say.
    """
    chatter = _chattering_activations(activations)
    return [
        activation
        for activation in activations
        if activation.cleared_us is not None
        and activation.cleared_us - activation.raised_us < shorter_than_us
        and not (activation.acknowledged_us is not None and activation.acknowledged_us <= activation.cleared_us)
        and (activation.source, activation.raised_us) not in chatter
    ]


def stale(activations: Iterable[Activation], now_us: int) -> list[Activation]:
    """Activations that are active at an instant and have been for more than 24 hours (trade article)."""
    return [
        activation
        for activation in activations
        if (activation.cleared_us is None or activation.cleared_us > now_us)
        and now_us - activation.raised_us > STALE_US
    ]


# ---------------------------------------------------------------- distribution


def priority_split(activations: Iterable[Activation]) -> Mapping[str, float]:
    """The part of all activations that each priority has (0 to 1, the sum is 1); empty when there are none."""
    counts = Counter(activation.priority for activation in activations)
    return {priority: count / counts.total() for priority, count in counts.most_common()}


def top_sources(activations: Iterable[Activation], *, most: int = 10) -> list[Share]:
    """The sources with the most activations, the busiest first, equals by name; at most `most` of them.

    Their joint load is the sum of the shares, which are of all activations and not of those listed.
    """
    counts = Counter(activation.source for activation in activations)
    busiest_first = sorted(counts.items(), key=lambda item: (-item[1], item[0]))
    return [Share(source, count, count / counts.total()) for source, count in busiest_first[:most]]


# ---------------------------------------------------------------- plain work


def _raised_by_source(activations: Iterable[Activation]) -> list[tuple[str, NDArray[np.int64]]]:
    raised: dict[str, list[int]] = {}
    for activation in activations:
        raised.setdefault(activation.source, []).append(activation.raised_us)
    return [(source, np.sort(np.array(instants, dtype=np.int64))) for source, instants in raised.items()]


def _within_a_minute(raised: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many of the sorted instants lie in the minute that begins with each of them."""
    ends: NDArray[np.int64] = np.searchsorted(raised, raised + CHATTER_US, side="right").astype(np.int64)
    return ends - np.arange(raised.size)


def _chattering_activations(activations: Iterable[Activation]) -> set[tuple[str, int]]:
    found: set[tuple[str, int]] = set()
    for source, raised in _raised_by_source(activations):
        counts = _within_a_minute(raised)
        for first in np.flatnonzero(counts >= CHATTER_ACTIVATIONS):
            found.update((source, int(at_us)) for at_us in raised[first : first + counts[first]])
    return found

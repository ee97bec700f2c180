"""How often gateways report, and how far their clocks are from this computer's."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median

from service.discover.findings import GatewayFound
from service.discover.kept import Kept
from service.discover.readings import Heard, Series
from service.units.times import EARLIEST_US

QUARTER_US = 900_000_000  # time zones are whole quarters of an hour apart
ZONE_MOST_US = 14 * 3_600_000_000
ZONE_NEAR_US = 120_000_000  # so near to a whole quarter it is a time zone, not a slow line
SOUND_US = 5_000_000  # trade knowledge from memory, as for commissioning
FAR_US = 60_000_000
DELAYED_PART = 10  # the promptest tenth of the messages tells of the clock, the others of the line as well


def every_us(series: Series, heard: Heard, kept: Kept) -> int | None:
    """The usual time between two readings of a tag; None when it came too seldom."""
    found = []
    for name, brought in series.topics.items():
        intervals = kept.topics[name].intervals_us
        if intervals and brought == heard.kept_of[name]:
            found.append(round(median(intervals)))
        elif intervals:  # the topic brings others as well
            found.append(round(sum(intervals) / len(intervals) * heard.kept_of[name] / brought))
    return min((each for each in found if each > 0), default=None)


def spread_of(series: Series, heard: Heard, kept: Kept) -> tuple[int, int] | None:
    """The middle half of the intervals of a tag's busiest topic, if all that comes on it brings the tag."""
    own = [name for name, brought in series.topics.items() if brought == heard.kept_of[name]]
    intervals = max((list(kept.topics[name].intervals_us) for name in own), key=len, default=[])
    ordered = sorted(intervals)
    return (ordered[len(ordered) // 4], ordered[len(ordered) * 3 // 4]) if ordered else None


def judge_clock(found: GatewayFound, lags_us: Sequence[int], first_at_us: int | None) -> None:
    """Note what the times of a gateway say of its clock; `first_at_us` is one of them."""
    if not lags_us:
        found.by_arrival = True
        found.notes.append("it sends no times: its readings are dated by their arrival")
        return
    lag_us = sorted(lags_us)[len(lags_us) // DELAYED_PART]
    found.lag_us = lag_us
    if first_at_us is not None and first_at_us < EARLIEST_US:
        found.by_arrival = True
        found.notes.append("its clock was never set: its times are before the year 2000, and are refused")
        return
    zone_us = round(lag_us / QUARTER_US) * QUARTER_US
    if zone_us and abs(zone_us) <= ZONE_MOST_US and abs(lag_us - zone_us) <= ZONE_NEAR_US:
        found.offset_us = zone_us
        where = "behind" if zone_us > 0 else "ahead"
        found.notes.append(f"its times are {abs(zone_us) / 3.6e9:g} h {where}: perhaps local time sent as UTC")
    elif abs(lag_us) > FAR_US:
        found.notes.append(f"its clock is {lag_us / 1e6:.0f} s behind (or its messages come late): set it")
    elif abs(lag_us) > SOUND_US:
        found.notes.append(f"its clock is {lag_us / 1e6:.1f} s behind, more than the 5 s of a set clock")


def middle_of(numbers: Mapping[str, int | None]) -> int | None:
    """The median of those that are known."""
    known = [number for number in numbers.values() if number is not None]
    return round(median(known)) if known else None

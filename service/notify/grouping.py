"""Which notices about stored data are told one by one, and which together. Pure.

A gateway that was cut off sends hours of stored readings at once, and they may decide dozens of alarms. Their
record is exact; what people get is this:

1. Each notice about stored data is held in the outbox, in the lane of its collector, contact and address.
2. A lane is released when nothing was added for `quiet_us`, or after `longest_us`. What is at least ten minutes
   old loses nothing by some seconds, and by then it is known whether it is over.
3. What is still in alarm, and the end of what was told before, are news: they go out one by one.
4. What came and went inside the stored data calls for no act now. It goes out as one summary for the lane, and
   not again within `longest_us` unless there is news with it, so that a trickle of stored data is no flood either.

Nothing may be left out: every held row is either sent as it is or told by a summary.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from rules.types import Tier
from service.model import Found, FoundAlarm, OutboxRow, Owed, Released, Told
from service.notify import routes
from service.notify.routes import Recipient

HELD_STEPS = ("raised", "escalated", "eased", "cleared", "closed")
STARTS = ("raised", "escalated")  # of an alarm
SIDE_OVER = ("cleared", "closed")  # nothing of this side of the point is active any more, as far as people hear
LISTED = 10  # alarms that a summary names; the rest is counted
PRIORITIES = ("low", "medium", "high")


def is_held(told: Told) -> bool:
    """Whether this notice waits for others of its kind."""
    return told.from_stored_data and told.step in HELD_STEPS


def lane(collector: str, to: Recipient) -> str:
    """Where it waits: what may be told together has the same text here."""
    return "|".join((collector, *to))


@dataclass(frozen=True, slots=True)
class StoredData:
    """Implements `service.model.Grouping`. Microseconds of wall time."""

    quiet_us: int
    longest_us: int

    def release(self, rows: Sequence[OutboxRow], now_us: int, last_summary_us: int | None) -> Released | None:
        """What becomes of a lane's held rows; None while they wait."""
        alone = frozenset(row.id for episode in _episodes(rows) for row in _news(episode))
        # What is of the future was written before the clock was set back: nobody may wait for it to catch up.
        is_quiet = not 0 <= now_us - max(row.queued_us for row in rows) < self.quiet_us
        told_lately = last_summary_us is not None and 0 <= now_us - last_summary_us < self.longest_us
        if now_us - min(row.queued_us for row in rows) < self.longest_us and (
            not is_quiet or (told_lately and not alone)
        ):
            return None
        together = [row for row in rows if row.id not in alone]
        summary = _summary(together) if together else None
        return Released(tuple(sorted(alone)), tuple(row.id for row in together), summary)


def _episodes(rows: Sequence[OutboxRow]) -> Iterator[list[OutboxRow]]:
    """The rows of each side of each point, cut after each row that says that the side is over."""
    sides: dict[tuple[str, bool], list[OutboxRow]] = {}
    for row in rows:
        side = sides.setdefault((row.told.point, Tier(row.told.limit).is_high), [])
        side.append(row)
        if row.told.step in SIDE_OVER:
            yield sides.pop((row.told.point, Tier(row.told.limit).is_high))
    yield from sides.values()


def _news(episode: list[OutboxRow]) -> list[OutboxRow]:
    """The rows that must be told by themselves; none when the whole episode came and went.

    "raised" is said only where nothing else of that side was active, so an episode that begins with another step
    goes on with something that people know already.
    """
    last = episode[-1]
    if episode[0].told.step == "raised" and last.told.step in SIDE_OVER:
        return []
    started = {row.told.alarm_id for row in episode if row.told.step in STARTS}
    ended = {row.told.alarm_id for row in episode if row.told.step not in STARTS}
    news = [row for row in episode if row.told.alarm_id not in started & ended]
    is_told = any(row.told.step in STARTS for row in news)  # what of the side stays active, if anything does
    if last not in news and (last.told.step in SIDE_OVER or not is_told):
        news.append(last)  # the last word on the side
    return news


def _summary(rows: Sequence[OutboxRow]) -> Owed:
    """One notice for all of these; its id follows from them, so the same rows are never told under two ids."""
    first = rows[0]
    alarms = _alarms(rows)
    worst = max((row.told for row in rows), key=_badness)
    text = "\x1f".join(("found", *(row.key for row in rows)))
    told = Told(
        alarm_id="found-" + hashlib.blake2b(text.encode(), digest_size=10).hexdigest(),
        step="found-late",
        collector=first.told.collector,
        collector_name=first.told.collector_name,
        site_name=first.told.site_name,
        time_zone=first.told.time_zone,
        point="",
        quantity="",
        limit=worst.limit,
        priority=max((row.told.priority for row in rows), key=PRIORITIES.index),
        unit="",
        at_us=alarms[0].raised_us,
        recorded_us=max(row.told.recorded_us for row in rows),
        from_stored_data=True,
        found=Found(len(alarms), alarms[0].raised_us, alarms[-1].raised_us, tuple(alarms[:LISTED])),
    )
    to = Recipient(first.contact, first.channel, first.address)
    return Owed(routes.key_for(told.alarm_id, told.step, to), to.channel, to.contact, to.address, told)


def _alarms(rows: Sequence[OutboxRow]) -> list[FoundAlarm]:
    """The alarms of which these rows tell the start, by the time at which they were raised."""
    ends = {row.told.alarm_id: row.told for row in rows if row.told.step not in STARTS}
    found = []
    for told in (row.told for row in rows if row.told.step in STARTS):
        end = ends.get(told.alarm_id)
        extreme = told.extreme if end is None else end.extreme
        found.append(
            FoundAlarm(
                alarm_id=told.alarm_id,
                point=told.point,
                limit=told.limit,
                priority=told.priority,
                raised_us=told.at_us,
                ended_us=None if end is None else end.at_us,
                extreme=extreme,
                unit=told.unit,
            )
        )
    return sorted(found, key=lambda alarm: (alarm.raised_us, alarm.alarm_id))


def _badness(told: Told) -> tuple[bool, int]:
    return Tier(told.limit).is_outer, PRIORITIES.index(told.priority)

"""The words of a summary of alarms that were found in stored data, and of the service's own trouble. Pure.

Owns these texts; it must never let what is over sound as if it were now, nor a service that cannot record sound as if
it still watched.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from service.model import FoundAlarm, Told
from service.notify.wording import instant, measured, one_line, rfc3339, span

# step -> its word in the subject, and the sentence that opens the text: what `service.notify.message` adds to its own.
STEPS: Mapping[str, tuple[str, str]] = {
    "found-late": (
        "FOUND",
        "Alarms were found in stored data. Each of them came and went before it was known here; they are over.",
    ),
    "cannot-record": (
        "CANNOT RECORD",
        "The service cannot write its record. Until it can, it takes nothing in and raises no alarm: nobody is watching"
        " the collectors. What gateways send waits at the broker.",
    ),
    "records-again": (
        "RECORDS AGAIN",
        "The service can write its record again. What waited is being taken in; alarms in it come late.",
    ),
}
OF_THE_SERVICE = ("cannot-record", "records-again")


def subject(told: Told) -> str:
    """What stands after the step's word."""
    if told.found is None:
        return f": service {one_line(told.collector_name)}"
    count = told.found.count
    return f" {count} alarm{'' if count == 1 else 's'} in stored data, worst {told.limit}: {_where(told)}"


def facts(told: Told) -> Iterator[tuple[str, str]]:
    """Label and words of every line."""
    if told.found is None:
        yield "Service", one_line(told.collector_name)
        yield "Since" if told.step == "cannot-record" else "At", instant(told.at_us, told.time_zone)
        yield "Note", one_line(told.note)
        return
    found = told.found
    yield "Where", f"{one_line(told.collector_name)} ({told.collector}), {one_line(told.site_name)}"
    yield "How many", f"{found.count}, the worst {told.limit}, priority {told.priority}"
    yield "First", instant(found.first_us, told.time_zone)
    yield "Last", instant(found.last_us, told.time_zone)
    yield "Recorded", instant(told.recorded_us, told.time_zone)
    for number, alarm in enumerate(found.alarms, 1):
        yield f"Alarm {number}", _alarm(alarm, told.time_zone)
    if found.count > len(found.alarms):
        yield "And", f"{found.count - len(found.alarms)} more; all are on the page and in: dustcake alarms --all"
    yield "Summary", told.alarm_id


def data(told: Told) -> dict[str, Any] | None:
    """For machines; None for a message that is no summary."""
    if told.found is None:
        return None
    return {
        "count": told.found.count,
        "first_at": rfc3339(told.found.first_us),
        "last_at": rfc3339(told.found.last_us),
        "alarms": [
            {
                "alarm": alarm.alarm_id,
                "point": alarm.point,
                "limit": alarm.limit,
                "priority": alarm.priority,
                "raised_at": rfc3339(alarm.raised_us),
                "ended_at": None if alarm.ended_us is None else rfc3339(alarm.ended_us),
                "extreme": alarm.extreme,
                "unit": alarm.unit,
            }
            for alarm in told.found.alarms
        ],
    }


def _where(told: Told) -> str:
    return f"{one_line(told.collector_name)}, {one_line(told.site_name)}"


def _alarm(alarm: FoundAlarm, time_zone: str) -> str:
    words = f"{one_line(alarm.point)} {alarm.limit}, raised {instant(alarm.raised_us, time_zone)}"
    if alarm.ended_us is not None:
        words += f", over after {span(alarm.ended_us - alarm.raised_us)}"
    if alarm.extreme is not None:
        words += f", {'highest' if alarm.limit.startswith('high') else 'lowest'} {measured(alarm.extreme, alarm.unit)}"
    return f"{words} [{alarm.alarm_id}]"

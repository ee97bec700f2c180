"""What a notification says: its subject, its text and its JSON. Pure.

Owns the words of a notification. It must never leave out where a value is not known, call an absence of
signal healthy, or differ between two tries of the same row.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any
from urllib.parse import quote

from service.model import Told
from service.notify import found
from service.notify.advice import SAFETY_LINES, advice_for
from service.notify.wording import clip, figures, instant, measured, one_line, rfc3339, span

SUBJECT_CHARACTERS = 69  # with "Subject: " a line of 78, which RFC 5322 2.1.1 asks for: it is never folded
NAME_CHARACTERS = 24
LABEL_CHARACTERS = 13
WIDTH = 78

# step -> its word in the subject, and the sentence that opens the text.
STEPS: Mapping[str, tuple[str, str]] = {
    "raised": ("RAISED", "An alarm was raised."),
    "escalated": ("ESCALATED", "It got worse: the outer limit is passed too."),
    "eased": (
        "EASED",
        "It got better but is not over: the outer alarm has cleared, the inner limit is still in alarm.",
    ),
    "cleared": ("CLEARED", "The alarm has cleared: the value came back."),
    "closed": (
        "CLOSED",
        "The alarm was closed because its limit was changed or removed; the value need not have come back.",
    ),
    "no-data": ("NO DATA", "No good readings arrive. What the collector does is unknown."),
    "data-back": (
        "DATA BACK",
        "Readings arrive again. What was unknown meanwhile stays unknown unless they filled it in.",
    ),
    "test": ("TEST", "This is a test of the notification. It says nothing about any collector."),
    **found.STEPS,
}
WITH_VALUE = ("raised", "escalated")  # in the subject; later, the extreme is no longer how it is
WITH_ADVICE = ("raised", "escalated", "eased", "no-data")


def subject(told: Told) -> str:
    """One line of at most `SUBJECT_CHARACTERS`, the most important first."""
    word = STEPS[told.step][0]
    if told.step in found.STEPS:
        return _subject(word + found.subject(told))
    site = one_line(told.site_name)
    name = clip(one_line(told.collector_name), NAME_CHARACTERS)
    if told.step in ("test", "no-data", "data-back"):
        return _subject(f"{word}{_found_late(told)}: {name}, {site}")
    point = clip(one_line(told.point), NAME_CHARACTERS)
    if told.step in WITH_VALUE and told.extreme is not None:
        point = f"{point} {measured(told.extreme, told.unit, told.threshold)}"
    return _subject(f"{word} {told.limit}{_found_late(told)}: {name}, {point}, {site}")


def text(told: Told) -> str:
    """The whole message in plain text, wrapped at 78 characters, with the safety lines at its foot."""
    lines = [*textwrap.wrap(STEPS[told.step][1], WIDTH), ""]
    if told.from_stored_data and told.found is None:
        lines += [*textwrap.wrap(_stored_data(told), WIDTH), ""]
    for label, words in _facts(told):
        lines += _labelled(label, words)
    if told.step in WITH_ADVICE:
        advice = advice_for(told.quantity, told.limit)
        lines += ["", *_bullets("Check first", advice.check), "", *_bullets("Caution", advice.caution)]
    lines += ["", *_bullets("Notice", SAFETY_LINES)]  # not after "-- ": mail programs fold a signature away
    return "\n".join(lines) + "\n"


def body_json(told: Told) -> dict[str, Any]:
    """The message for machines, as a CloudEvents 1.0 envelope in structured mode.

    `source` and `id` together are the same for every try and every receiver, so a repeat is recognisable
    (CloudEvents 1.0, "source + id"). Values are in `unit`; times are RFC 3339 in UTC; unknown is null.
    """
    advice = advice_for(told.quantity, told.limit)
    return {
        "specversion": "1.0",
        "id": f"{told.alarm_id}-{told.step}",
        "source": "/dustcake/" + quote(told.collector),
        "type": f"dustcake.alarm.{told.step}",
        "subject": told.point or told.limit,
        "time": rfc3339(told.at_us),
        "datacontenttype": "application/json",
        "data": {
            "alarm": told.alarm_id,
            "step": told.step,
            "summary": subject(told),
            "site": told.site_name,
            "collector": told.collector,
            "collector_name": told.collector_name,
            "point": told.point,
            "quantity": told.quantity,
            "limit": told.limit,
            "priority": told.priority,
            "unit": told.unit,
            "threshold": told.threshold,
            "on_delay_s": _seconds(told.on_delay_us),
            "extreme": told.extreme,
            "extreme_at": _time(told.extreme_at_us),
            "began_at": _time(told.began_us),
            "at": rfc3339(told.at_us),
            "recorded_at": rfc3339(told.recorded_us),
            "time_zone": told.time_zone,
            "not_counted_stopped_s": _seconds(told.stopped_us),
            "not_counted_unknown_s": _seconds(told.unknown_us),
            "readings": told.readings,
            "from_stored_data": told.from_stored_data,
            "found": found.data(told),
            "note": told.note,
            "check_first": list(advice.check) if told.step in WITH_ADVICE else [],
            "caution": list(advice.caution) if told.step in WITH_ADVICE else [],
            "notice": " ".join(SAFETY_LINES),
        },
    }


def _facts(told: Told) -> Iterator[tuple[str, str]]:
    """Label and words of every line that this alarm has something to say for."""
    if told.step in found.STEPS:
        yield from found.facts(told)
        return
    if told.point:
        yield "What", _what(told)
    yield "Where", f"{one_line(told.collector_name)} ({told.collector}), {one_line(told.site_name)}"
    if told.began_us is not None and told.step != "test":
        yield "Since", instant(told.began_us, told.time_zone)
    yield STEPS[told.step][0].capitalize(), instant(told.at_us, told.time_zone)
    if told.extreme is not None:
        yield "How bad", _how_bad(told)
    if told.threshold is not None:
        yield "Limit", _limit(told)
    if told.began_us is not None and told.point and told.step != "test":
        yield "Counted", _counted(told)
    if told.note:
        yield "Note", one_line(told.note)
    yield "Priority", told.priority
    yield "Alarm", told.alarm_id


def _what(told: Told) -> str:
    name, quantity = one_line(told.point), one_line(told.quantity)
    return name if name == quantity else f"{quantity}, point {name}"


def _how_bad(told: Told) -> str:
    assert told.extreme is not None
    word = "highest" if told.limit.startswith("high") else "lowest"
    when = "" if told.extreme_at_us is None else f" at {instant(told.extreme_at_us, told.time_zone)}"
    beyond = ""
    if told.threshold is not None:
        distance = figures(abs(told.extreme - told.threshold), told.unit, 0.0)
        beyond = f" ({distance} beyond the limit)"
    return f"{word} {measured(told.extreme, told.unit, told.threshold)}{beyond}{when}"


def _limit(told: Told) -> str:
    assert told.threshold is not None
    side = "above" if told.limit.startswith("high") else "below"
    words = f"{told.limit}, {side} {measured(told.threshold, told.unit)}"
    if told.on_delay_us is None:
        return words
    return f"{words} for {span(told.on_delay_us)}" if told.on_delay_us else f"{words}, without delay"


def _counted(told: Told) -> str:
    """What went into the delay. What did not count neither ran towards it nor reset it."""
    assert told.began_us is not None
    counted_us = told.at_us - told.began_us - told.stopped_us - told.unknown_us
    words = [f"{span(counted_us)} in {told.readings} reading{'' if told.readings == 1 else 's'}"]
    if told.stopped_us:
        words.append(f"not counted: {span(told.stopped_us)} stopped or settling")
    if told.unknown_us:
        words.append(f"not counted: {span(told.unknown_us)} without a known value")
    return "; ".join(words)


def _stored_data(told: Told) -> str:
    return (
        "Found in stored data: these readings arrived long after they were measured, so this comes late."
        f" Recorded {instant(told.recorded_us, told.time_zone)},"
        f" {span(told.recorded_us - told.at_us)} after it happened."
        " Look at what the collector does now before acting."
    )


def _found_late(told: Told) -> str:
    return " (found late)" if told.from_stored_data else ""


def _subject(words: str) -> str:
    return clip(one_line(words), SUBJECT_CHARACTERS)


def _labelled(label: str, words: str) -> list[str]:
    return textwrap.wrap(
        words,
        WIDTH,
        initial_indent=f"{label:<{LABEL_CHARACTERS}}",
        subsequent_indent=" " * LABEL_CHARACTERS,
        break_on_hyphens=False,
    )


def _bullets(label: str, items: tuple[str, ...]) -> list[str]:
    lines = [label]
    for item in items:
        lines += textwrap.wrap(item, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return lines


def _seconds(span_us: int | None) -> float | None:
    return None if span_us is None else span_us / 1_000_000


def _time(at_us: int | None) -> str | None:
    return None if at_us is None else rfc3339(at_us)

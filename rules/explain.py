"""Why there was an alarm, or why there was none: the reason in sentences, and as data.

Owns the words of a reason. Decides nothing: `rules.account` looks at what the rules did with the readings.
Values are canonical and instants microseconds; how people read them is given by `shown` and `when`.
An unknown value never sounds healthy here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from rules.account import Account, Counting, Excursion, Part, State, account
from rules.comparator import judge
from rules.silence import SilenceEvent
from rules.types import AlarmEvent, Change, CollectorSpec, Evidence, Reading, Tier

Shown = Callable[[float], str]
When = Callable[[int], str]

PARTS_TOLD = 6  # more parts of time than these are told as sums
PARTS_KEPT = 200  # in the data, the last ones
BECAUSE = {
    Counting.STOPPED: "the collector was stopped",
    Counting.SETTLING: "the collector had just started and was settling",
    Counting.RUNNING_UNKNOWN: "it was unknown whether the collector ran",
    Counting.VALUE_UNKNOWN: "the value was unknown",
}


@dataclass(frozen=True, slots=True)
class Explanation:
    """`answer` in one sentence, `sentences` with the reasons, and `facts` (canonical values, `_us` instants)."""

    answer: str
    sentences: tuple[str, ...]
    facts: dict[str, Any]

    def and_also(self, *sentences: str, **facts: Any) -> Explanation:
        """The same with more to say."""
        return replace(self, sentences=(*self.sentences, *sentences), facts=self.facts | facts)


def explain_alarm(event: AlarmEvent, *, shown: Shown, when: When) -> Explanation:
    """Why an alarm was raised, from its last change and the evidence that it carries."""
    held = event.evidence
    assert held.raised_us is not None
    end = {
        Change.RAISED: "it is active",
        Change.CLEARED: f"it cleared at {when(event.at_us)}",
        Change.CLOSED: f"it was closed at {when(event.at_us)} ({event.reason})",
    }[event.change]
    outlasted = f" and outlasted its on-delay of {lasting(held.on_delay_us)}" if held.on_delay_us else ""
    sentences = [
        _began(event.tier, held.began_us, shown(held.threshold), when),
        _raised(held, held.raised_us, when),
        f"The furthest value was {shown(held.extreme)}, at {when(held.extreme_at_us)}; "
        f"good readings in the evidence: {held.readings}.",
    ]
    if held.stopped_us or held.unknown_us:
        sentences.append(
            f"In all, {lasting(held.stopped_us)} were not counted because the collector was stopped or settling, and "
            f"{lasting(held.unknown_us)} because the value, or whether it ran, was unknown."
        )
    if event.change is Change.CLEARED:
        sentences.append(_cleared(event.tier, held, shown, when(event.at_us)))
    sentences.append(_revision(held.revision))
    return Explanation(
        answer=f"The {event.tier} alarm was raised at {when(held.raised_us)} because {event.point} was beyond "
        f"{shown(held.threshold)}{outlasted}; {end}.",
        sentences=tuple(sentences),
        facts={
            "about": "alarm",
            "alarm": event.alarm_id,
            "collector": event.collector,
            "point": event.point,
            "limit": event.tier.value,
            "priority": event.priority,
            "change": event.change.value,
            "at_us": event.at_us,
            "reason": event.reason,
            **asdict(held),
        },
    )


def explain_silence(event: SilenceEvent, *, when: When) -> Explanation:
    """Why a gateway's no-data alarm was raised."""
    over = "" if event.at_us == event.raised_us else f"; it ended at {when(event.at_us)} ({event.reason})"
    why = f" ({event.reason})" if not over else ""
    sentences = [f"What was missing began at {when(event.began_us)}; no value is known for such time, good or bad."]
    if event.points:
        sentences.append(f"Points without good data when it was raised: {', '.join(event.points)}.")
    return Explanation(
        answer=f"The no-data alarm of gateway {event.gateway} was raised at {when(event.raised_us)}{why}{over}.",
        sentences=tuple(sentences),
        facts={"about": "no data"} | asdict(event) | {"change": event.change.value},
    )


def explain_instant(
    spec: CollectorSpec,
    readings: Mapping[str, Sequence[Reading]],
    *,
    point: str,
    tier: Tier,
    at_us: int,
    shown: Shown,
    when: When,
) -> Explanation:
    """Why the limit's alarm was, or was not, active at `at_us`, from readings by point; KeyError without such a limit.

    The readings are those of the point and of the running point. What began before the first of them is not seen.
    """
    found = account(spec, readings, point=point, tier=tier, at_us=at_us)
    sentences = [
        _value(found, shown, when),
        *_comparator(found, shown),
        *_history(found, shown, when),
        *_judging(found),
        _revision(found.limit.revision),
    ]
    return Explanation(_answer(found, shown, when), tuple(sentences), _facts(found, spec.name, point))


def lasting(length_us: int) -> str:
    """A length of time, exactly: "4 h", "1 h 5 min", "2.5 s", "0 s"."""
    whole_s, fraction_us = divmod(length_us, 1_000_000)
    hours, minutes, seconds = whole_s // 3600, whole_s // 60 % 60, whole_s % 60
    fraction = f".{fraction_us:06d}".rstrip("0") if fraction_us else ""
    parts = [f"{hours} h" if hours else "", f"{minutes} min" if minutes else ""]
    parts.append(f"{seconds}{fraction} s" if seconds or fraction or not whole_s else "")
    return " ".join(part for part in parts if part)


# ---------------------------------------------------------------- at an instant


def _answer(found: Account, shown: Shown, when: When) -> str:
    limit, threshold = found.limit, shown(found.limit.threshold)
    if found.state is State.ACTIVE:
        assert found.raised_us is not None
        return f"The {limit.tier} alarm was active at {when(found.at_us)}: it was raised at {when(found.raised_us)}."
    none = f"There was no {limit.tier} alarm at {when(found.at_us)}: "
    if found.state is State.PENDING:
        assert found.excursion is not None
        since = f"the value was beyond {threshold} since {when(found.excursion.began_us)}, but "
        if found.counted_us < limit.on_delay_us:
            counted = (
                f"only {lasting(found.counted_us)} of the on-delay of {lasting(limit.on_delay_us)} had been counted."
            )
            return none + since + counted
        return (
            none
            + since
            + (
                f"an alarm is raised only when time counts after the delay of {lasting(limit.on_delay_us)}, "
                f"and {BECAUSE[found.counting]}."
            )
        )
    if found.last is None:
        return none + "nothing had been measured, so whether the value was beyond the limit is unknown."
    if not found.is_known:
        return none + "the value was unknown, and not beyond the limit when it was last known."
    return none + f"the value was {shown(found.last.value)}, and not beyond {threshold}."


def _value(found: Account, shown: Shown, when: When) -> str:
    last = found.last
    if last is None:
        return "The value was unknown: there is no reading at or before that instant among those looked at."
    if not last.good:
        return f"The value was unknown since {when(last.at_us)}: the gateway marked that reading as bad."
    if not found.is_known:
        return (
            f"The value was unknown since {when(last.at_us + found.hold_us)}: the last reading, {shown(last.value)} at "
            f"{when(last.at_us)}, is held for {lasting(found.hold_us)} and no other came."
        )
    return f"The value was {shown(last.value)}, measured at {when(last.at_us)}."


def _comparator(found: Account, shown: Shown) -> list[str]:
    limit, last = found.limit, found.last
    if last is None or not found.is_known:
        return []
    over, under = ("above", "at or below") if limit.is_high else ("below", "at or above")
    if judge(limit, False, last.value):
        return [f"That is beyond the limit: {over} {shown(limit.threshold)}."]
    if not judge(limit, True, last.value):
        return [f"That is not beyond the limit: it is {under} {shown(limit.back)}, where an excursion ends."]
    kept = "goes on" if found.is_beyond else "does not begin"
    return [
        f"That is within the deadband, between {shown(limit.back)} and {shown(limit.threshold)}: "
        f"an excursion {kept} there."
    ]


def _history(found: Account, shown: Shown, when: When) -> list[str]:
    """The excursion: when it began, what was counted, what was not, and what ended it."""
    limit, excursion, sentences = found.limit, found.excursion, []
    if found.last_alarm is not None:
        raised_us, cleared_us = found.last_alarm
        sentences.append(f"An alarm of this limit was raised at {when(raised_us)} and cleared at {when(cleared_us)}.")
    if excursion is None:
        return sentences
    sentences.append(_began(limit.tier, excursion.began_us, shown(limit.threshold), when, found.first_us))
    counted = f"{lasting(excursion.counted_us)} of the on-delay of {lasting(limit.on_delay_us)}"
    if excursion.ended_by is not None:
        sentences.append(
            f"It ended without an alarm at {when(excursion.ended_by.at_us)}, by a reading of "
            f"{shown(excursion.ended_by.value)}, when {counted} had been counted."
        )
    elif found.raised_us is None:
        sentences.append(f"Up to then {counted} had been counted.")
    else:
        sentences.append(f"The on-delay of {lasting(limit.on_delay_us)} was used up at {when(found.raised_us)}.")
    sentences += _not_counted(excursion, when)
    if found.back is not None:
        sentences.append(
            f"The value has been back since {when(found.back.at_us)}, by a reading of {shown(found.back.value)}; "
            f"{lasting(found.counted_us)} of the off-delay of {lasting(limit.off_delay_us)} had been counted."
        )
    return sentences


def _not_counted(excursion: Excursion, when: When) -> list[str]:
    lost = [part for part in excursion.parts if part.counting is not Counting.COUNTED]
    sentences = []
    if len(lost) <= PARTS_TOLD:
        sentences += [
            f"From {when(part.start_us)} to {when(part.end_us)} nothing was counted: {BECAUSE[part.counting]}."
            for part in lost
        ]
    else:
        sums = [f"{lasting(length_us)} because {BECAUSE[why]}" for why, length_us in _sums(lost).items()]
        sentences.append(f"Not counted, in {len(lost)} parts: {'; '.join(sums)}.")
    if excursion.forgotten_us:
        sentences.append(
            f"{lasting(excursion.forgotten_us)} counted before a long stop were forgotten, and the delay began anew."
        )
    return sentences


def _sums(parts: Sequence[Part]) -> dict[Counting, int]:
    sums: dict[Counting, int] = {}
    for part in parts:
        sums[part.counting] = sums.get(part.counting, 0) + part.length_us
    return sums


def _judging(found: Account) -> list[str]:
    if found.counting is Counting.COUNTED:
        return []
    meaning = {
        State.ACTIVE: "the alarm was held, neither cleared nor told again",
        State.PENDING: "the delay stood still",
        State.NORMAL: "the point was not being judged, which is not the same as healthy",
    }[found.state]
    return [f"At that instant {BECAUSE[found.counting]}: {meaning}."]


def _facts(found: Account, collector: str, point: str) -> dict[str, Any]:
    limit, last, excursion = found.limit, found.last, found.excursion
    return {
        "about": "instant",
        "collector": collector,
        "point": point,
        "limit": limit.tier.value,
        "at_us": found.at_us,
        "state": found.state.value,
        "value": last.value if last is not None and found.is_known else None,
        "last_reading": None if last is None else _reading_facts(last),
        "known_until_us": None if last is None else last.at_us + (found.hold_us if last.good else 0),
        "is_beyond": found.is_beyond,
        "counting": found.counting.value,
        "threshold": limit.threshold,
        "back": limit.back,
        "on_delay_us": limit.on_delay_us,
        "off_delay_us": limit.off_delay_us,
        "revision": limit.revision,
        "counted_us": found.counted_us,
        "raised_us": found.raised_us,
        "back_since_us": None if found.back is None else found.back.at_us,
        "excursion": None if excursion is None else _excursion_facts(excursion),
        "last_alarm": None
        if found.last_alarm is None
        else dict(zip(("raised_us", "cleared_us"), found.last_alarm, strict=True)),
    }


def _reading_facts(reading: Reading) -> dict[str, Any]:
    return {"at_us": reading.at_us, "value": reading.value if reading.good else None, "good": reading.good}


def _excursion_facts(excursion: Excursion) -> dict[str, Any]:
    ended_by = excursion.ended_by
    return {
        "began_us": excursion.began_us,
        "ended_us": None if ended_by is None else ended_by.at_us,
        "ended_by_value": None if ended_by is None else ended_by.value,
        "counted_us": excursion.counted_us,
        "forgotten_us": excursion.forgotten_us,
        "sums_us": {why.value: length_us for why, length_us in _sums(excursion.parts).items()},
        "parts": [
            {"from_us": part.start_us, "to_us": part.end_us, "counting": part.counting.value}
            for part in excursion.parts[-PARTS_KEPT:]
        ],
    }


# ---------------------------------------------------------------- words that both use


def _began(tier: Tier, began_us: int, threshold: str, when: When, first_us: int | None = None) -> str:
    over = "above" if tier.is_high else "below"
    earlier = ", with the first reading looked at; it may have begun before" if began_us == first_us else ""
    return f"The excursion began at {when(began_us)}, when the value was {over} {threshold}{earlier}."


def _raised(held: Evidence, raised_us: int, when: When) -> str:
    waited_us = raised_us - held.began_us - held.on_delay_us
    if not held.on_delay_us and not waited_us:
        return "The limit has no on-delay, so that instant is when the alarm was raised."
    uncounted = f"; of the time before that, {lasting(waited_us)} did not count" if waited_us else ""
    return f"The on-delay of {lasting(held.on_delay_us)} was used up at {when(raised_us)}{uncounted}."


def _cleared(tier: Tier, held: Evidence, shown: Shown, at: str) -> str:
    side = "at or below" if tier.is_high else "at or above"
    delay = f" for the off-delay of {lasting(held.off_delay_us)}" if held.off_delay_us else ""
    return f"It cleared at {at}, when the value had been back, {side} {shown(held.back)}{delay}."


def _revision(number: int) -> str:
    return f"Judged by revision {number} of the plant file."

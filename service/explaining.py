"""Answers "why" from the record: an alarm by its id, or a limit of a point at any instant.

Owns how far back is looked, and that the answer says what it could not see. Reads the history on a cursor of its
own and the ledger through its reader; writes nothing, and never touches the evaluator.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC
from typing import Any
from zoneinfo import ZoneInfo

from rules import silence
from rules.explain import Explanation, Shown, When, explain_alarm, explain_instant, explain_silence
from rules.silence import SilenceChange, SilenceEvent
from rules.types import HOUR_US, AlarmEvent, Change, CollectorSpec, Evidence, Limit, PointSpec, Reading, Tier
from service.announce import Label
from service.model import BadInput
from service.notify.wording import measured
from service.store.reader import LedgerReader
from service.units.times import as_datetime, iso

ROWS_AT_MOST = 200_000  # readings of one point: a few seconds of work beside the evaluation
LOOK_BACK_US = 24 * HOUR_US  # before the longest delay that could have mattered
CHANGES = {"active": Change.RAISED, "cleared": Change.CLEARED, "closed": Change.CLOSED}

Query = Callable[[str, list[Any]], list[tuple[Any, ...]]]

_READINGS = """
SELECT epoch_us(at_utc), coalesce(value, 0), good FROM reading
WHERE point = (SELECT id FROM point WHERE collector = ? AND name = ?) AND NOT late
  AND at_utc BETWEEN make_timestamp(?) AND make_timestamp(?)
ORDER BY at_utc DESC, seq DESC LIMIT ?
"""


class Explainer:
    """Any thread may ask. Answers are `answer`, `sentences` and `facts`, ready to be sent as JSON."""

    def __init__(
        self,
        *,
        specs: Mapping[str, CollectorSpec],
        labels: Mapping[tuple[str, str], Label],
        reader: LedgerReader,
        query: Query,
        behind: Callable[[], int],
        now_us: Callable[[], int],
        rows_at_most: int = ROWS_AT_MOST,
    ) -> None:
        self._specs, self._labels, self._reader, self._query = specs, labels, reader, query
        self._behind, self._now_us, self._rows_at_most = behind, now_us, rows_at_most

    def alarm(self, alarm_id: str) -> dict[str, Any]:
        """Why this alarm was raised; KeyError when the record has no such alarm."""
        row = self._reader.alarm(alarm_id)
        if row is None:
            raise KeyError(f"there is no alarm {alarm_id!r} on record; take an id from `alarms --all --json`")
        if row["tier"] == silence.LIMIT:
            zone = next((label.time_zone for key, label in self._labels.items() if key[0] == row["collector"]), "UTC")
            return _plain(explain_silence(_silence(row), when=_when(zone)))
        label = self._labels.get((row["collector"], row["point"]))
        if label is None:  # taken out of the plant file since
            shown: Shown = "{:.6g} (in the unit in which the record keeps it)".format
            return _plain(explain_alarm(_event(row), shown=shown, when=_when("UTC")))
        found = explain_alarm(
            _event(row), shown=_shown(label, row["evidence"]["threshold"]), when=_when(label.time_zone)
        )
        return _plain(found, label)

    def instant(self, collector: str, point: str, limit: str, at_us: int) -> dict[str, Any]:
        """Why the limit's alarm was, or was not, active at `at_us`.

        KeyError when there is no such collector, point or limit in the plant file in force; BadInput for an
        instant that is still to come; RuntimeError while the history is not open.
        """
        spec, judged, tried = self._found(collector, point, limit)
        now_us = self._now_us()
        if at_us > now_us:
            raise BadInput(f"at {iso(at_us)}: expected an instant not after now, {iso(now_us)}; ask for an earlier one")
        label = self._labels[collector, point]
        shown, when = _shown(label, tried.threshold), _when(label.time_zone)
        record = self._reader.alarm_at(collector, point, limit, at_us)
        from_us = _from_us(spec, tried, at_us, record)
        readings, is_cut = self._readings(spec, judged, from_us, at_us)
        found = explain_instant(spec, readings, point=point, tier=tried.tier, at_us=at_us, shown=shown, when=when)
        found = _with_bounds(found, from_us, is_cut, self._rows_at_most, when)
        return _plain(self._with_record(found, record, from_us, when), label)

    def _found(self, collector: str, point: str, limit: str) -> tuple[CollectorSpec, PointSpec, Limit]:
        spec = self._specs.get(collector)
        if spec is None:
            raise KeyError(_missing("collector", collector, "the plant file", self._specs))
        judged = {each.name: each for each in spec.points}.get(point)
        if judged is None:
            raise KeyError(_missing("point", point, collector, [each.name for each in spec.points]))
        tried = {each.tier.value: each for each in judged.limits}.get(limit)
        if tried is None:
            raise KeyError(_missing("limit", limit, f"{point} of {collector}", [each.tier for each in judged.limits]))
        return spec, judged, tried

    def _readings(
        self, spec: CollectorSpec, judged: PointSpec, from_us: int, at_us: int
    ) -> tuple[dict[str, list[Reading]], bool]:
        """The readings by point in event-time order, and whether older ones had to be left out."""
        names = {judged.name} | ({spec.running.point} if spec.running is not None and not judged.always else set())
        found: dict[str, list[Reading]] = {}
        for name in names:
            rows = self._query(_READINGS, [spec.name, name, from_us, at_us, self._rows_at_most])
            found[name] = [Reading(*row) for row in reversed(rows)]
        return found, any(len(rows) == self._rows_at_most for rows in found.values())

    def _with_record(self, found: Explanation, record: dict[str, Any] | None, from_us: int, when: When) -> Explanation:
        """What the ledger says of the same instant, where it can differ from the replay, and why."""
        alarm, raised_us = (None, None) if record is None else (record["id"], record["raised_us"])
        if raised_us != found.facts["raised_us"]:
            says = "no active alarm" if raised_us is None else f"alarm {alarm} as active since {when(raised_us)}"
            found = found.and_also(
                f"The record has {says} at that instant, and people were told by the record. It is made as readings "
                "come, so for an instant just past it may still be behind, and a changed plant file counts from when "
                "it was taken up; this account judges the readings that are kept, by the plant file of today."
            )
        number, since_us = self._reader.revision()
        if number > 1 and since_us > from_us:
            found = found.and_also(
                f"Revision {number} of the plant file was taken up at {when(since_us)}; readings that came before were "
                "judged by the one before it."
            )
        behind = self._behind()
        if behind > 0:
            found = found.and_also(
                f"The history was {behind} journal entries behind: the newest readings may be missing."
            )
        return found.and_also(record_alarm=alarm, history_behind=behind)


def _from_us(spec: CollectorSpec, limit: Limit, at_us: int, record: dict[str, Any] | None) -> int:
    """From where on readings can matter; an alarm on record is followed back to the beginning of its excursion."""
    forget_us = spec.running.forget_after_us if spec.running is not None else 0
    from_us = at_us - max(limit.on_delay_us, limit.off_delay_us, forget_us) - LOOK_BACK_US
    return from_us if record is None else min(from_us, record["began_us"] - LOOK_BACK_US)


def _with_bounds(found: Explanation, from_us: int, is_cut: bool, rows: int, when: When) -> Explanation:
    said = f"Readings before {when(from_us)} were not looked at."
    if is_cut:
        said = f"Only the last {rows:,} readings of a point were looked at; what began before them is not seen."
    return found.and_also(said, from_us=from_us, is_cut=is_cut)


def _missing(what: str, name: str, where: str, known: Sequence[str] | Mapping[str, Any]) -> str:
    there = ", ".join(list(known)[:20]) or "none"
    return f"there is no {what} {name!r} in {where}; it has: {there}"


def _event(row: dict[str, Any]) -> AlarmEvent:
    return AlarmEvent(
        alarm_id=row["id"],
        collector=row["collector"],
        point=row["point"],
        tier=Tier(row["tier"]),
        change=CHANGES[row["state"]],
        at_us=row["raised_us"] if row["cleared_us"] is None else row["cleared_us"],
        priority=row["priority"],
        evidence=Evidence(**row["evidence"]),
        reason=row["reason"],
    )


def _silence(row: dict[str, Any]) -> SilenceEvent:
    return SilenceEvent(
        alarm_id=row["id"],
        gateway=row["evidence"]["gateway"],
        change=SilenceChange(CHANGES[row["state"]].value),
        at_us=row["raised_us"] if row["cleared_us"] is None else row["cleared_us"],
        began_us=row["began_us"],
        raised_us=row["raised_us"],
        points=tuple(row["evidence"]["points"]),
        reason=row["reason"],
    )


def _shown(label: Label, threshold: float) -> Shown:
    """Values with their unit, never rounded onto the limit."""
    beside = label.shown(threshold)
    return lambda value: measured(label.shown(value), label.unit, beside)


def _when(time_zone: str) -> When:
    """Site time with its offset from UTC, which tells the two readings of a repeated hour apart."""

    def said(at_us: int) -> str:
        local = as_datetime(at_us).astimezone(ZoneInfo(time_zone) if time_zone != "UTC" else UTC)
        text = local.isoformat(" ", "microseconds" if local.microsecond else "seconds")
        return f"{text[:-6]} UTC{text[-6:]}"

    return said


def _plain(found: Explanation, label: Label | None = None) -> dict[str, Any]:
    unit = {} if label is None else {"unit": label.unit}
    return {"answer": found.answer, "sentences": list(found.sentences), "facts": found.facts | unit}

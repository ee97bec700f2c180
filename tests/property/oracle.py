"""The alarm semantics as one SQL query over whole histories: a second opinion that shares no code with the rules.

Owns nothing but the query. Time is made of spans here, and everything is a join of spans: where a value
is known, where a collector ran, where both count. It is written to be compared with the semantics, not to be
fast, and it takes any number of histories at once so that a test pays for one query only.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import duckdb
import pyarrow as pa

from rules.types import CollectorSpec, alarm_id
from tests.property.histories import Item

Alarm = tuple[str, int, int | None]  # id, raised_us, cleared_us


class Case(NamedTuple):
    """One collector and its readings in event-time order."""

    spec: CollectorSpec
    items: Sequence[Item]


QUERY = """
WITH
-- 7: of several readings at one instant the first counts, and none counts that is older than one before it.
news AS (
  SELECT history, point, at_us, value, good,
         lead(at_us) OVER (PARTITION BY history, point ORDER BY at_us) AS next_us
  FROM (SELECT *, max(at_us) OVER (PARTITION BY history, point ORDER BY place
                                   ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS before_us FROM reading)
  WHERE before_us IS NULL OR at_us > before_us
),
-- Section 2: a good value is held until the next reading, and no longer than the hold.
held AS (
  SELECT n.history, n.point, n.at_us AS s, least(coalesce(n.next_us, n.at_us + p.hold_us), n.at_us + p.hold_us) AS e
  FROM news n JOIN point p USING (history, point) WHERE n.good
),
-- Section 3: the running comparator at each good reading of its point; good readings that touch make one span.
run_reading AS (
  SELECT n.history, n.at_us AS s, least(coalesce(n.next_us, n.at_us + p.hold_us), n.at_us + p.hold_us) AS e,
         coalesce(last_value(CASE WHEN n.value > r.run_on THEN true
                                  WHEN n.value <= r.run_off THEN false END IGNORE NULLS)
           OVER (PARTITION BY n.history ORDER BY n.at_us), false) AS ran
  FROM news n JOIN rule r USING (history, point) JOIN point p USING (history, point) WHERE n.good
),
run_mark AS (
  SELECT *, CASE WHEN lag(e) OVER w = s AND lag(ran) OVER w = ran THEN 0 ELSE 1 END AS begins
  FROM run_reading WINDOW w AS (PARTITION BY history ORDER BY s)
),
run_span AS (
  SELECT history, ran, min(s) AS s, max(e) AS e
  FROM (SELECT *, sum(begins) OVER (PARTITION BY history ORDER BY s) AS island FROM run_mark)
  GROUP BY history, ran, island
),
armed AS (
  SELECT r.history, s + r.settle_us AS s, e FROM run_span JOIN rule r USING (history)
  WHERE ran AND s + r.settle_us < e
),
-- Evaluated time: the value is known and the collector armed; and how much of it lies before each span.
counted_span AS (
  SELECT h.history, h.point, h.s, h.e FROM held h JOIN point p USING (history, point) WHERE NOT p.by_run
  UNION ALL
  SELECT h.history, h.point, greatest(h.s, a.s), least(h.e, a.e)
  FROM held h JOIN point p USING (history, point) JOIN armed a ON a.history = h.history AND a.s < h.e AND h.s < a.e
  WHERE p.by_run
),
counted AS (
  SELECT history, point, s, e, upto - (e - s) AS before, upto
  FROM (SELECT *, sum(e - s) OVER (PARTITION BY history, point ORDER BY s)::BIGINT AS upto
        FROM counted_span WHERE s < e)
),
-- Section 4: the comparator at each good reading is what the last decisive reading said.
judged AS (
  SELECT n.history, n.point, l.tier, n.at_us,
         coalesce(last_value(CASE WHEN l.side * n.value > l.side * l.threshold THEN true
                                  WHEN l.side * n.value <= l.side * l.back THEN false END IGNORE NULLS)
           OVER (PARTITION BY n.history, n.point, l.tier ORDER BY n.at_us), false) AS beyond
  FROM news n JOIN lim l USING (history, point) WHERE n.good
),
-- Phases: the comparator's islands. Before the first reading it is false, and nothing is active then.
phase AS (
  SELECT history, point, tier, beyond, at_us AS s,
         coalesce(lead(at_us) OVER (PARTITION BY history, point, tier ORDER BY at_us), 9000000000000000000) AS e
  FROM (SELECT *, lag(beyond, 1, false) OVER (PARTITION BY history, point, tier ORDER BY at_us) AS was FROM judged)
  WHERE beyond <> was
),
-- A known stop that outlasts what is remembered lets a pending delay begin again after it.
forgets AS (
  SELECT p.history, p.point, r.e AS at_us
  FROM run_span r JOIN rule USING (history) JOIN point p USING (history)
  WHERE p.by_run AND NOT r.ran AND r.e - r.s > rule.forget_us
),
try_start AS (
  SELECT history, point, tier, beyond, s AS began, e AS ends, s FROM phase
  UNION
  SELECT p.history, p.point, p.tier, p.beyond, p.s, p.e, f.at_us
  FROM phase p JOIN forgets f ON f.history = p.history AND f.point = p.point AND p.s < f.at_us AND f.at_us < p.e
  WHERE p.beyond
),
try AS (
  SELECT t.*, coalesce(lead(t.s) OVER (PARTITION BY t.history, t.point, t.tier, t.began ORDER BY t.s), t.ends) AS e,
         CASE WHEN beyond THEN l.on_us ELSE l.off_us END AS delay_us
  FROM try_start t JOIN lim l USING (history, point, tier)
),
-- Section 5: when the delay is used up, at an instant that evaluated time follows directly.
due AS (
  SELECT t.*, coalesce(c.before + least(t.s, c.e) - c.s, 0) + t.delay_us AS due
  FROM try t ASOF LEFT JOIN counted c ON t.history = c.history AND t.point = c.point AND c.s <= t.s
),
outlasted AS (
  SELECT d.*, c.s + d.due - c.before AS x
  FROM due d ASOF JOIN counted c ON d.history = c.history AND d.point = c.point AND c.upto > d.due
  WHERE c.s + d.due - c.before < d.e
),
-- What was outlasted changes the alarm only if it is not so already.
change AS (
  SELECT history, point, tier, beyond, began, x,
         lag(beyond, 1, false) OVER (PARTITION BY history, point, tier ORDER BY x) AS was
  FROM outlasted
),
alarm AS (
  SELECT history, point, tier, beyond, began, x AS raised_us,
         lead(x) OVER (PARTITION BY history, point, tier ORDER BY x) AS cleared_us
  FROM change WHERE beyond <> was
)
SELECT history, point, tier, began, raised_us, cleared_us FROM alarm WHERE beyond ORDER BY ALL
"""

COLUMNS = {
    "reading": {"history": "i8", "place": "i8", "point": "s", "at_us": "i8", "value": "f8", "good": "b"},
    "point": {"history": "i8", "point": "s", "hold_us": "i8", "by_run": "b"},
    "lim": {
        "history": "i8",
        "point": "s",
        "tier": "s",
        "side": "i8",
        "threshold": "f8",
        "back": "f8",
        "on_us": "i8",
        "off_us": "i8",
    },
    "rule": {"history": "i8", "point": "s", "run_on": "f8", "run_off": "f8", "settle_us": "i8", "forget_us": "i8"},
}
TYPES = {"i8": pa.int64(), "f8": pa.float64(), "b": pa.bool_(), "s": pa.string()}


def alarms(cases: Sequence[Case]) -> list[set[Alarm]]:
    """Per case, the alarms that its history holds when all held values have run out."""
    rows: dict[str, list[tuple[object, ...]]] = {name: [] for name in COLUMNS}
    for history, (spec, items) in enumerate(cases):
        rule = spec.running
        for place, (name, reading) in enumerate(items):
            rows["reading"].append((history, place, name, reading.at_us, reading.value, reading.good))
        for point in spec.points:
            rows["point"].append((history, point.name, point.hold_us, rule is not None and not point.always))
            for limit in point.limits:
                numbers = (limit.threshold, limit.back, limit.on_delay_us, limit.off_delay_us)
                rows["lim"].append((history, point.name, limit.tier.value, 1 if limit.tier.is_high else -1, *numbers))
        if rule is not None:
            rows["rule"].append((history, rule.point, rule.on, rule.off, rule.settle_us, rule.forget_after_us))
    found: list[set[Alarm]] = [set() for _ in cases]
    for history, name, tier, began, raised_us, cleared_us in ask({name: _table(name, rows[name]) for name in rows}):
        found[history].add((alarm_id(cases[history].spec.name, name, tier, began), raised_us, cleared_us))
    return found


def ask(tables: dict[str, pa.Table]) -> list[tuple[int, str, str, int, int, int | None]]:
    """Run the query over tables of COLUMNS: (history, point, tier, began, raised, cleared), in that order."""
    with duckdb.connect(config={"threads": 1}) as connection:
        connection.execute("SET enable_progress_bar = false")  # a slow machine would draw it into the soak's lines
        for name, table in tables.items():
            connection.register(name, table)
        return connection.execute(QUERY).fetchall()


def _table(name: str, rows: list[tuple[object, ...]]) -> pa.Table:
    columns = COLUMNS[name]
    arrays = [pa.array([row[index] for row in rows], TYPES[kind]) for index, kind in enumerate(columns.values())]
    return pa.table(arrays, names=list(columns))

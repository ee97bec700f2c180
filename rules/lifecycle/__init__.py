"""The operator's side of an alarm: its states as tables, a small reader of them, and their printed form.

It decides what an event makes of an alarm and whether people have to be told. It never evaluates a
value, never reads a clock, sends nothing, and reaches no equipment.

How it is represented. One record per limit lives on from one activation to the next:

- `own`, one of six states, is the alarm as if nothing hid it: active or not, an acknowledgement owed
  or not, held by a latch or not. OWN is its table.
- three switches hide it, each for itself: the shelf (SHELF), suppression by design and service
  (SWITCHES). They overlap freely. An alarm is hidden while any of them is set, and is shown as out of
  service before suppressed before shelved before its own state (PRECEDENCE).
- a hidden alarm goes on being evaluated, so `own` keeps moving. Only two columns of OWN differ while
  hidden: a raise asks nobody for an acknowledgement, and a re-alarm is refused. While hidden,
  "acknowledged" therefore reads "active, nothing owed".
- when the last switch is lifted, REVEALED says where `own` goes by the present condition: active is
  unacknowledged and told, however it was before; not active is normal, except that an acknowledgement
  which was owed before the alarm was hidden is still owed. So an unacknowledged alarm that returned to
  normal cannot vanish by being hidden either.

States and arcs follow ISA-18.2 / IEC 62682 as far as they are public (from memory; the diagram was not
at hand) and OPC 10000-9 (4.8, 5.8.2, 5.8.5, 5.8.17), which keeps acknowledgement and shelving apart too.
"""

from rules.lifecycle.printed import describe_table, diagram, document
from rules.lifecycle.reader import annunciated, apply, expire, shown, suppressed_or_shelved
from rules.lifecycle.record import (
    AlarmRecord,
    Audit,
    Event,
    Outcome,
    Policy,
    Shelf,
    Signed,
    from_plain,
    to_plain,
)
from rules.lifecycle.tables import Kind, No, Shelving, State

__all__ = [
    "AlarmRecord",
    "Audit",
    "Event",
    "Kind",
    "No",
    "Outcome",
    "Policy",
    "Shelf",
    "Shelving",
    "Signed",
    "State",
    "annunciated",
    "apply",
    "describe_table",
    "diagram",
    "document",
    "expire",
    "from_plain",
    "shown",
    "suppressed_or_shelved",
    "to_plain",
]

"""The tables of the lifecycle as Markdown and as a Mermaid diagram. It adds no fact that the tables do not hold."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rules.lifecycle.tables import (
    COLUMNS,
    COMMANDS,
    OWN,
    PRECEDENCE,
    REVEALED,
    SHELF,
    SHELF_COLUMNS,
    SWITCHES,
    Kind,
    No,
    State,
)

_INTRODUCTION = """\
# Lifecycle of an alarm

This page is printed from `rules/lifecycle`; a test compares the two. Edit the tables, not the page.

An alarm has six states of its own. Three switches hide it, each for itself: shelved (by a person, for
a time or until it next clears), suppressed by design (by the plant's logic) and out of service (by a
person, for maintenance). A hidden alarm goes on being evaluated and recorded; people are only not told
of it. *Hidden* in a column means that any of the three switches is set, *latching* that the limit's
alarms latch.

The terms follow ISA-18.2 / IEC 62682 as far as they are public (the standard itself was not at hand)
and OPC 10000-9. ISA-18.2, as remembered, lets a hidden alarm come back as normal or unacknowledged only;
here an acknowledgement that was owed before it was hidden is still owed afterwards, so that no alarm
vanishes unacknowledged. This is condition monitoring and never a safety function: acknowledging, shelving or
resetting an alarm changes nothing at the equipment.
"""


def describe_table() -> str:
    """The tables as Markdown: the alarm's own states, the shelf, the other switches, the commands."""
    return "\n\n".join((_own_states(), _shelf(), _switches(), _commands()))


def diagram() -> str:
    """The alarm's own states, and how they are hidden and revealed, as a Mermaid state diagram."""
    lines = ["stateDiagram-v2"]
    lines += [f'    state "{state}" as {_id(state)}' for state in OWN]
    hides = [state.value for state in reversed(PRECEDENCE)]
    lines += [f'    state "{", ".join(hides[:-1])} or {hides[-1]}" as hidden', "    [*] --> normal"]
    for state, row in OWN.items():
        arcs: dict[State, list[str]] = {}
        for column, cell in zip(COLUMNS, row, strict=True):
            if isinstance(cell, State) and not column.endswith(", hidden"):
                arcs.setdefault(cell, []).append(column)
        lines += [f"    {_id(state)} --> {_id(to)}: {' / '.join(names)}" for to, names in arcs.items()]
    sets = " / ".join([Kind.SHELVE, Kind.SHELVE_ONCE, *(kind for kind, row in SWITCHES.items() if row[1])])
    lines += [f"    {_id(state)} --> hidden: {sets}" for state in OWN]
    for to in dict.fromkeys(REVEALED.values()):
        names = [state.value for state, revealed in REVEALED.items() if revealed is to]
        lines.append(f"    hidden --> {_id(to)}: last switch lifted, {' or '.join(names)} beneath")
    return "\n".join(lines)


def document() -> str:
    """The whole page `docs/lifecycle.md`."""
    return f"{_INTRODUCTION}\n{describe_table()}\n\n## Diagram\n\n```mermaid\n{diagram()}\n```\n"


def _own_states() -> str:
    rows = ((state, *row, REVEALED[state]) for state, row in OWN.items())
    return (
        "## The alarm's own states\n\n"
        + _grid(("own state", *COLUMNS, "no longer hidden"), rows)
        + "\n\nA clear is also what a limit that is changed, removed or disabled sends. An event that is refused"
        "\nleaves the state as it was and goes on record. While hidden, *acknowledged* reads *active, nothing owed*."
        "\nAn alarm that is revealed as *unacknowledged* or *latched-unacknowledged* is told anew. Where the site asks"
        "\nfor it, an alarm that is active and not hidden re-alarms a given time after people were told last, as often"
        "\nas the site says."
    )


def _shelf() -> str:
    rows = ((shelving, *row) for shelving, row in SHELF.items())
    return (
        "## The shelf\n\n"
        + _grid(("shelf", *SHELF_COLUMNS), rows)
        + "\n\nEvery shelf ends: the longest shelving time of the limit bounds both kinds, and a longer request is"
        "\nrefused (OPC 10000-9 5.8.2, 5.8.17.4). An alarm may be shelved while it is normal. *Shelf expired* before"
        "\nits time is refused."
    )


def _switches() -> str:
    rows = []
    for kind, (switch, is_to_be_set, refusal) in SWITCHES.items():
        cells = (refusal, "set") if is_to_be_set else ("lifted", refusal)
        rows.append((kind, switch, *cells))
    order = ", ".join(PRECEDENCE)
    return (
        "## The other switches\n\n"
        + _grid(("event", "switch", "when set", "when not set"), rows)
        + f"\n\nThe first that is set is shown: {order}, then the alarm's own state."
    )


def _commands() -> str:
    rows = ((kind, "mandatory", "mandatory" if is_why else "optional") for kind, is_why in COMMANDS.items())
    others = ", ".join(kind for kind in Kind if kind not in COMMANDS)
    return (
        "## Commands\n\n"
        + _grid(("command", "who", "why"), rows)
        + f"\n\nEvery command carries when. The other events ({others})"
        "\ncome from evaluation or the passing of time. Who suppresses is the name of the plant's rule."
    )


def _grid(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(_cell(cell) for cell in line) + " |" for line in lines)


def _cell(cell: str) -> str:
    return f"refused: {cell}" if isinstance(cell, No) else cell


def _id(state: State) -> str:
    return state.value.replace("-", "_")

"""`docs/lifecycle.md` is what the tables print, whole and current."""

from __future__ import annotations

from pathlib import Path

import pytest

from rules.lifecycle import Kind, No, Shelving, describe_table, diagram, document
from tests.rules.lifecycle.acts import OWN_STATES

PAGE = Path(__file__).parents[3] / "docs" / "lifecycle.md"
REWRITE = (
    'python -c "import pathlib, rules.lifecycle as tables; '
    "pathlib.Path('docs/lifecycle.md').write_text(tables.document(), encoding='utf-8')\""
)


def test_the_page_is_current() -> None:
    assert PAGE.read_text(encoding="utf-8") == document(), f"print it anew, and read the difference: {REWRITE}"


def test_the_page_holds_the_table_and_the_diagram() -> None:
    assert describe_table() in document()
    assert f"```mermaid\n{diagram()}\n```" in document()


@pytest.mark.parametrize("word", [*OWN_STATES, *Shelving, *Kind])
def test_every_own_state_every_shelf_and_every_event_is_a_head_of_the_tables(word: str) -> None:
    lines = describe_table().splitlines()
    rows = {line.split(" | ")[0].removeprefix("| ") for line in lines if line.startswith("| ")}
    columns = {cell for line in lines if line.startswith("| ") for cell in line.strip("| ").split(" | ")}
    assert word in rows | columns


def test_the_order_in_which_switches_are_shown_is_printed() -> None:
    order = "out of service, suppressed by design, shelved, then the alarm's own state"
    assert f"The first that is set is shown: {order}." in describe_table()


def test_every_table_is_rectangular() -> None:
    for table in describe_table().split("\n\n"):
        widths = {line.count("|") for line in table.splitlines() if line.startswith("|")}
        assert len(widths) <= 1


def test_refusals_are_printed_with_their_reason() -> None:
    assert f"refused: {No.NOTHING_OWED}" in describe_table()
    assert "| latched-unacknowledged | unacknowledged |" in describe_table()


@pytest.mark.parametrize(
    "arc",
    [
        "normal --> unacknowledged: raise",
        "unacknowledged --> acknowledged: acknowledge",
        "unacknowledged --> returned_unacknowledged: clear",
        "acknowledged --> normal: clear",
        "returned_unacknowledged --> normal: acknowledge",
        "returned_unacknowledged --> unacknowledged: raise",
        "latched_acknowledged --> normal: reset",
    ],
)
def test_the_diagram_draws_the_arcs_of_the_standard(arc: str) -> None:
    """ISA-18.2 / IEC 62682 (from memory; a public summary confirmed the main arcs)."""
    assert f"    {arc}" in diagram().splitlines()


def test_the_diagram_draws_no_arc_that_is_refused() -> None:
    assert "refused" not in diagram()
    assert not any(line.startswith("    normal --> normal") for line in diagram().splitlines())

"""What commands print: JSON for programs, or text that is a table on a terminal and plain on a pipe."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any


def say(line: str = "") -> None:
    sys.stdout.write(line + "\n")


def say_json(value: Any) -> None:
    """One JSON document with a final line feed; what could steer a terminal stands in it as an escape."""
    lines = json.dumps(value, indent=2, ensure_ascii=False).split("\n")
    say("\n".join(line if line.isprintable() else "".join(map(_escaped, line)) for line in lines))


def say_line(value: Any) -> None:
    """One JSON document on one line, in ASCII: a stream of them is JSON lines."""
    say(json.dumps(value, separators=(",", ":")))


def _escaped(each: str) -> str:
    if each.isprintable():
        return each
    return f"\\u{ord(each):04x}" if ord(each) < 0x10000 else json.dumps(each)[1:-1]


def instant(us: Any) -> Any:
    """Microseconds of Unix time as "2026-11-25 08:00:00" in UTC; what is none, as it is."""
    return f"{datetime.fromtimestamp(us / 1e6, UTC):%Y-%m-%d %H:%M:%S}" if isinstance(us, int) else us


def table(headings: Sequence[str], rows: Sequence[Sequence[Any]]) -> None:
    """A table; on a pipe, one line per row with tabs between, so that other programs can cut it."""
    if not sys.stdout.isatty():
        say("\t".join(headings))
        for row in rows:
            say("\t".join(plain(cell) for cell in row))
        return
    from rich.console import Console  # noqa: PLC0415 - on a terminal only
    from rich.table import Table  # noqa: PLC0415
    from rich.text import Text  # noqa: PLC0415

    drawn = Table(*headings, box=None, pad_edge=False, header_style="bold")
    for row in rows:
        drawn.add_row(*(Text(plain(cell)) for cell in row))
    Console(highlight=False).print(drawn)


def plain(value: Any) -> str:
    """A cell on one line without control characters: names come from outside and must not steer a terminal."""
    text = "" if value is None else str(value)
    return "".join(each if each.isprintable() else " " for each in text)

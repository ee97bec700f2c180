"""How far a long verb is, on standard error: a line that is written over on a terminal, one now and then on a pipe."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

from service.cli.output import plain

TERMINAL_S = 0.5  # between two lines
PIPE_S = 10.0


class Progress:
    """Lines that come too soon after the one before are left out; what `end` writes stays."""

    def __init__(self) -> None:
        self._is_terminal = sys.stderr.isatty()
        self._due_s = time.monotonic() + (0.0 if self._is_terminal else PIPE_S)
        self._width = 0

    def say(self, line: Callable[[], str]) -> None:
        """Write the line when it is time; it is asked for only then."""
        now_s = time.monotonic()
        if now_s < self._due_s:
            return
        self._due_s = now_s + (TERMINAL_S if self._is_terminal else PIPE_S)
        text = plain(line())
        if self._is_terminal:
            sys.stderr.write(f"\r{text.ljust(self._width)}")
            self._width = len(text)
        else:
            sys.stderr.write(text + "\n")
        sys.stderr.flush()

    def end(self, line: str) -> None:
        """Write the last line, or one of its own between, whatever the time."""
        sys.stderr.write(("\r" if self._width else "") + plain(line).ljust(self._width) + "\n")
        sys.stderr.flush()
        self._width = 0


def size_text(count: float) -> str:
    """A number of bytes for people: "512 B", "3.4 kB", "18.0 MB"; in thousands (SI)."""
    for unit in ("B", "kB", "MB"):
        if count < 1000:
            return f"{count:.0f} {unit}" if unit == "B" else f"{count:.1f} {unit}"
        count /= 1000
    return f"{count:.1f} GB"

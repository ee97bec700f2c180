"""How a command ends: the exit codes, and the one error that carries one. The table is what `--help` prints."""

from __future__ import annotations

from enum import IntEnum


class Exit(IntEnum):
    """Exit codes of every verb."""

    OK = 0
    BROKEN = 1
    USAGE = 2
    NOT_READY = 3
    UNREACHABLE = 4
    REFUSED = 5


MEANINGS = {
    Exit.OK: "done; for `status`: ready",
    Exit.BROKEN: "a fault of ours, or a part of the demo ended on its own; `verify`: something is damaged",
    Exit.USAGE: "wrong usage or a wrong configuration; the message says which and what to do",
    Exit.NOT_READY: "`status`: the daemon answers, but it is not ready",
    Exit.UNREACHABLE: "no daemon answers at the address",
    Exit.REFUSED: "the daemon refused the request",
}


class Failure(Exception):
    """Ends the command: one sentence with its remedy for people, and the exit code for programs."""

    def __init__(self, code: Exit, text: str) -> None:
        super().__init__(text)
        self.code = code

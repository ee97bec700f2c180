"""One deadline for a whole conversation over a socket, which time-outs of single reads do not give.

Owns the timer that shuts the socket when the time is out; a peer that sends one byte at a time cannot
hold a worker for longer. It must never decide what a failed send means.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable
from types import TracebackType

LEAST_S = 0.001  # a socket time-out of 0 would mean "do not block"


class Deadline:
    """A context manager: after `timeout_s` the socket that `watch` names is shut down, which ends its reads."""

    def __init__(self, timeout_s: float) -> None:
        self._ends = time.monotonic() + timeout_s
        self._socket: Callable[[], socket.socket | None] = lambda: None
        self._timer = threading.Timer(timeout_s, self._shut)
        self._timer.daemon = True

    def watch(self, current: Callable[[], socket.socket | None]) -> None:
        """`current` gives the socket of the conversation, as it is when the time is out."""
        self._socket = current

    def left_s(self) -> float:
        """Seconds left, never less than a millisecond."""
        return max(LEAST_S, self._ends - time.monotonic())

    @property
    def is_over(self) -> bool:
        return time.monotonic() >= self._ends

    def __enter__(self) -> Deadline:
        self._timer.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._timer.cancel()
        self._timer.join()  # it never blocks: either cancelled, or about to shut a socket

    def _shut(self) -> None:
        found = self._socket()
        if found is not None:
            with contextlib.suppress(OSError):  # it is closed already: nothing to end
                socket.socket.shutdown(found, socket.SHUT_RDWR)

"""The demo's child processes: started, watched and stopped here, by their ids and no others. Each writes to its log."""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from threading import Event

from service.cli.failure import Exit, Failure

ROOT = Path(__file__).resolve().parents[3]  # where the packages are: `-m` looks into the working directory first
STOP_S = 10.0
LAST_LINES = 15
PR_SET_PDEATHSIG = 1  # prctl(2)


def _die_with_parent() -> Callable[[], None] | None:
    """What a child runs first so that it ends when the demo is killed; None where the system cannot do it.

    Linux sends the chosen signal to the child when the parent thread that started it ends. The demo starts children
    from its main thread before it has any other, so running Python between fork and exec is safe here.
    """
    if sys.platform != "linux":
        return None
    prctl, parent = ctypes.CDLL(None).prctl, os.getpid()

    def die_with_parent() -> None:
        prctl(PR_SET_PDEATHSIG, signal.SIGTERM)
        if os.getppid() != parent:  # it ended in between
            os._exit(1)

    return die_with_parent


class Children:
    """All children of one demo, in the order of their start."""

    def __init__(self, logs: Path, stop: Event) -> None:
        self._logs = logs
        self._stop = stop
        self._running: dict[str, subprocess.Popen[bytes]] = {}

    def start(self, name: str, arguments: Sequence[str]) -> None:
        """Start `python -m arguments`. It gets no settings from the environment, and no Ctrl-C: `stop_all` ends it."""
        environment = {key: value for key, value in os.environ.items() if not key.startswith("DUSTCAKE_")}
        with self.log(name).open("wb") as log:
            self._running[name] = subprocess.Popen(
                [sys.executable, "-m", *arguments],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                cwd=ROOT,
                env=environment | {"PYTHONUNBUFFERED": "1"},
                start_new_session=True,
                preexec_fn=_die_with_parent(),  # noqa: PLW1509 - see there
            )

    def log(self, name: str) -> Path:
        return self._logs / f"{name}.log"

    def wait_until(self, condition: Callable[[], bool], what: str, timeout_s: float) -> bool:
        """Wait for a condition while watching the children; False when the demo is being stopped instead."""
        deadline = time.monotonic() + timeout_s
        while not condition():
            self.check()
            if time.monotonic() > deadline:
                raise Failure(
                    Exit.BROKEN, f"{what} did not happen within {timeout_s:g} s; the logs are in {self._logs}"
                )
            if self._stop.wait(0.05):
                return False
        return not self._stop.is_set()

    def check(self) -> None:
        """Failure, with the end of its log, when a child has ended on its own."""
        for name, child in self._running.items():
            code = child.poll()
            if code is not None:
                raise Failure(
                    Exit.BROKEN, f"the {name} ended on its own with code {code}; its log ends:\n{self._end(name)}"
                )

    def stop_all(self) -> None:
        """End the children, the last started first: ask, wait, and kill only what does not listen."""
        for child in reversed(self._running.values()):
            if child.poll() is None:
                child.terminate()
                try:
                    child.wait(STOP_S)
                except subprocess.TimeoutExpired:
                    child.kill()
                    child.wait()
        self._running.clear()

    def _end(self, name: str) -> str:
        text = self.log(name).read_text(encoding="utf-8", errors="replace")
        return "\n".join("  " + line for line in text.splitlines()[-LAST_LINES:]) or "  (nothing)"

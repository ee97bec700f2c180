"""Starts daemons by fork from a process that has imported everything: a start costs a fraction of the processor time.

What is started is the whole daemon in a process of its own, killed and waited for by its number like any other; only
the second of importing is shared. For scenarios that start it a thousand times.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

from tests import parts

WARM = ("service.wiring", "service.cli.app", "service.cli.run", "uvicorn.protocols.http.h11_impl")


class Born:
    """The parts of `subprocess.Popen` that the scenarios use, for a process of the nursery's."""

    def __init__(self, nursery: Nursery, pid: int) -> None:
        self._nursery, self.pid = nursery, pid
        self.returncode: int | None = None

    def poll(self) -> int | None:
        if self.returncode is None:
            self.returncode = self._nursery.ask({"poll": self.pid})
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        end_s = time.monotonic() + (timeout if timeout is not None else float("inf"))
        while (code := self.poll()) is None:
            if time.monotonic() > end_s:
                raise subprocess.TimeoutExpired("daemon", timeout or 0.0)
            time.sleep(0.005)
        return code

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


class Nursery:
    """The process that forks. Used from one thread."""

    def __init__(self) -> None:
        command = [sys.executable, "-m", "tests.chaos.nursery"]
        self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=parts.ROOT)

    def start(self, arguments: list[str], log: Path, environment: dict[str, str]) -> Born:
        pid = self.ask({"arguments": arguments, "log": str(log), "environment": environment})
        assert pid is not None
        return Born(self, pid)

    def ask(self, order: dict[str, object]) -> int | None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(order).encode() + b"\n")
        self._process.stdin.flush()
        answer: int | None = json.loads(self._process.stdout.readline())
        return answer

    def close(self) -> None:
        self._process.kill()
        self._process.wait(10)


def main() -> None:
    """Import, then carry out orders from the standard input until it ends."""
    for module in WARM:
        __import__(module)
    for line in sys.stdin.buffer:
        order = json.loads(line)
        if "poll" in order:
            pid, status = os.waitpid(order["poll"], os.WNOHANG)
            answer = os.waitstatus_to_exitcode(status) if pid else None
        elif (answer := os.fork()) == 0:
            _be_the_daemon(order)
        sys.stdout.write(f"{json.dumps(answer)}\n")
        sys.stdout.flush()


def _be_the_daemon(order: dict[str, object]) -> None:
    """Never returns."""
    log = os.open(str(order["log"]), os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    null = os.open(os.devnull, os.O_RDONLY)
    for kept, number in ((null, 0), (log, 1), (log, 2)):
        os.dup2(kept, number)
    environment = order["environment"]
    assert isinstance(environment, dict)
    os.environ.clear()
    os.environ.update(environment)
    sys.argv = ["dustcake", *map(str, order["arguments"])]  # type: ignore[call-overload]
    from service.__main__ import main as service_main  # noqa: PLC0415 - in the child only

    code: int | None = 1
    try:
        service_main()
        code = 0
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) or ended.code is None else 1
    finally:
        sys.stdout.flush()
        os._exit(code or 0)


if __name__ == "__main__":
    main()

"""Real processes for these tests, on loopback only: started, waited for with a deadline, and always stopped."""

from __future__ import annotations

import contextlib
import json
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

DEADLINE_S = 15.0
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def wait_until(condition: Callable[[], object], says: str) -> None:
    """Return once the condition holds; AssertionError at the deadline."""
    end = time.monotonic() + DEADLINE_S
    while not condition():
        assert time.monotonic() < end, f"{says}: not within {DEADLINE_S} s"
        time.sleep(0.02)


def free_port() -> int:
    """A port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _answers(port: int) -> bool:
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=0.5):
        return True
    return False


class Simulator:
    """One `python -m simulators` process; its first line of output is `ready`."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        assert process.stdout is not None
        self.ready: dict[str, Any] = json.loads(process.stdout.readline() or "{}")

    def stop(self, number: int = signal.SIGTERM) -> tuple[int, list[dict[str, Any]], str]:
        """Send the signal: exit code, the remaining JSON lines, standard error."""
        self._process.send_signal(number)
        out, err = self._process.communicate(timeout=DEADLINE_S)
        return self._process.returncode, [json.loads(line) for line in out.splitlines()], err


@contextlib.contextmanager
def _running(command: Sequence[str]) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


@contextlib.contextmanager
def simulator(*arguments: str) -> Iterator[Simulator]:
    """Run one command of the simulators and end it afterwards."""
    with _running([sys.executable, "-m", "simulators", *arguments]) as process:
        yield Simulator(process)


@contextlib.contextmanager
def mosquitto(folder: Path) -> Iterator[int]:
    """Run a broker without persistence; its port."""
    assert MOSQUITTO is not None
    port, config = free_port(), folder / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nlog_type error\n")
    with _running([MOSQUITTO, "-c", str(config)]):
        wait_until(lambda: _answers(port), "the broker answers")
        yield port

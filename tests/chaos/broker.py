"""A mosquitto with persistence on a fixed port, which can be killed, frozen, stopped and started again."""

from __future__ import annotations

import signal
import subprocess
from pathlib import Path

from tests import parts

SETTINGS = """listener {port} {host}
allow_anonymous true
max_queued_messages 0
max_queued_bytes 0
persistence true
persistence_location {folder}/
autosave_interval 1
user root
log_type error
"""


class Broker:
    """`prefix` is put before the command, such as one that enters a network namespace."""

    def __init__(self, folder: Path, *, host: str = "127.0.0.1", prefix: tuple[str, ...] = ()) -> None:
        assert parts.MOSQUITTO is not None
        self._folder, self._host = folder, host
        self.at = parts.BrokerAt(host, parts.free_port(), "mosquitto")
        config = folder / "mosquitto.conf"
        config.write_text(SETTINGS.format(port=self.at.port, host=host, folder=folder))
        self._command = [*prefix, parts.MOSQUITTO, "-c", str(config)]
        self._process: subprocess.Popen[bytes] | None = None
        self.start()

    def start(self) -> None:
        with (self._folder / "mosquitto.log").open("ab") as log:
            self._process = subprocess.Popen(self._command, stdout=log, stderr=log)
        parts.wait_until(lambda: parts.answers(self.at.port, self._host), "mosquitto answers")

    def kill(self) -> None:
        """End it at once; what it has not saved is gone."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """Ask it to end: it saves first."""
        self._end(signal.SIGTERM)

    def freeze(self) -> None:
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        self._signal(signal.SIGCONT)

    def _signal(self, number: signal.Signals) -> None:
        assert self._process is not None
        self._process.send_signal(number)

    def _end(self, number: signal.Signals) -> None:
        if self._process is not None and self._process.poll() is None:
            self._signal(number)
            self._process.wait(10)

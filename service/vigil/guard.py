"""The watch: each half second, is the pipeline turning, and can the record be written?

Owns the three signs that an outside watcher goes by: WATCHDOG=1 to the service manager, the time of change of the
file `alive` in the data folder, and the storage alarm. It reads no database and waits for nobody; when it ends or
hangs, its signs stop, and that is the alarm.

| the pipeline turns | the record can be written | WATCHDOG=1 | `alive` is touched |
| --- | --- | --- | --- |
| yes | yes | yes | yes |
| yes, it tries again | no | yes: a restart frees no disk | no |
| no | - | no: it is restarted | no |
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from service.vigil.ending import ended
from service.vigil.storage import StorageAlarm
from service.vigil.systemd import Notifier

TURN_S = 0.5
TOUCH_S = 1.0


@dataclass(frozen=True, slots=True)
class State:
    """How the pipeline is: seconds since its last turn, and why it cannot write ("" when it can)."""

    turned_s_ago: float
    trouble: str


class Guard:
    """`watchdog_s` is what the service manager asks for, None when it does not."""

    def __init__(
        self,
        *,
        state: Callable[[], State],
        storage: StorageAlarm,
        notifier: Notifier,
        alive_file: Path,
        stalled_after_s: float,
        watchdog_s: float | None,
    ) -> None:
        self._state, self._storage, self._notifier = state, storage, notifier
        self._alive_file, self._stalled_after_s = alive_file, stalled_after_s
        self._ping_every_s = None if watchdog_s is None else watchdog_s / 3
        self._touch_at_s = self._ping_at_s = 0.0
        self._stopping = threading.Event()
        self.thread = threading.Thread(target=self._run, name="vigil", daemon=True)

    def start(self) -> None:
        self.thread.start()

    def stop(self, timeout_s: float) -> bool:
        """End the thread; false when it did not end in time."""
        self._stopping.set()
        return ended(self.thread, timeout_s)

    def turn(self, now_s: float) -> None:
        """Look once, and give the signs that are due. `now_s` is monotonic."""
        state = self._state()
        self._storage.note(state.trouble, now_s)
        if state.turned_s_ago > self._stalled_after_s:
            return
        if self._ping_every_s is not None and now_s >= self._ping_at_s:
            self._ping_at_s = now_s + self._ping_every_s
            self._notifier.send("WATCHDOG=1")
        if not state.trouble and now_s >= self._touch_at_s:
            self._touch_at_s = now_s + TOUCH_S
            with contextlib.suppress(OSError):  # a file that cannot be touched grows old: that is its message
                self._alive_file.touch(mode=0o644)

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.turn(time.monotonic())
            self._stopping.wait(min(TURN_S, self._ping_every_s or TURN_S))

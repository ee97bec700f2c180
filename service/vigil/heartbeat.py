"""The heartbeat: says every so often on a topic of its own how the service is. It is not retained, so that whoever
hears one knows that the service lived then; who hears none for three intervals must look.

Owns a thread, so that neither a slow broker nor a slow disk holds up anything else.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from typing import Any

from service.vigil.ending import ended

PUBLISH_S = 10.0  # the longest wait for the broker's acknowledgement
AGAIN_S = 1.0  # after one that could not be published


class Heartbeat:
    """`body` gives what is said; `publish(topic, payload, timeout_s)` returns once the broker has it, or raises."""

    def __init__(
        self,
        *,
        topic: str,
        every_s: float,
        body: Callable[[], dict[str, Any]],
        publish: Callable[[str, bytes, float], None],
    ) -> None:
        self._topic, self._every_s, self._body, self._publish = topic, every_s, body, publish
        self._hurry, self._stopping = threading.Event(), threading.Event()
        self.published = 0
        self.last_error = ""
        self.thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        self.thread.start()

    def hurry(self) -> None:
        """Say it now: something that it tells has changed."""
        self._hurry.set()

    def stop(self, timeout_s: float) -> bool:
        """End the thread; false when it did not end in time."""
        self._stopping.set()
        self._hurry.set()
        return ended(self.thread, timeout_s)

    def beat(self) -> bool:
        """Say it once; false, with `last_error`, when the broker could not be told."""
        payload = json.dumps(self._body(), allow_nan=False, separators=(",", ":")).encode()
        try:
            self._publish(self._topic, payload, PUBLISH_S)
        except OSError as error:  # not connected, or no acknowledgement in time: both are the broker's checks
            self.last_error = f"{type(error).__name__}: {error}"
            return False
        self.published += 1
        self.last_error = ""
        return True

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._hurry.clear()
            wait_s = self._every_s if self.beat() else min(AGAIN_S, self._every_s)
            self._hurry.wait(wait_s)

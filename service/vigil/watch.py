"""The watch put together: probe, storage alarm, guard and heartbeat over one pipeline.

Owns their threads, and the order in which they start and end.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from service.model import Channel, Liveness, Owed
from service.vigil.checks import storage_trouble
from service.vigil.guard import Guard, State
from service.vigil.heartbeat import Heartbeat
from service.vigil.probe import Probe
from service.vigil.storage import Address, StorageAlarm
from service.vigil.systemd import Notifier, watchdog_s


class Turning(Protocol):
    """What the watch sees of the pipeline. Monotonic seconds; plain attributes, read from any thread."""

    turned_s: float
    committing_since_s: float | None
    storage_error: str


@dataclass(frozen=True, slots=True)
class Ways:
    """By what the watch says it. `owe` and `publish` may wait; `environment` is the process's."""

    channels: Mapping[str, Channel]
    recipients: Sequence[Address]
    owe: Callable[[tuple[Owed, ...]], object]
    publish: Callable[[str, bytes, float], None]
    topic: str
    environment: Mapping[str, str]


class Watch:
    """`figures` are the numbers of the heartbeat; `checks` are those of readiness, and may wait for a disk."""

    def __init__(
        self,
        *,
        service: str,
        ledger: Path,
        pipeline: Turning,
        ways: Ways,
        heartbeat_s: float,
        stalled_after_s: float,
        wall_us: Callable[[], int],
        iso: Callable[[int], str],
        checks: Callable[[], Mapping[str, str]],
        figures: Callable[[], Mapping[str, int]],
    ) -> None:
        self._service, self._pipeline, self._stalled_after_s = service, pipeline, stalled_after_s
        self._wall_us, self._iso, self._checks, self._figures = wall_us, iso, checks, figures
        self.probe = Probe(ledger)
        self.notifier = Notifier(ways.environment.get("NOTIFY_SOCKET", ""))
        self.heartbeat = Heartbeat(topic=ways.topic, every_s=heartbeat_s, body=self._body, publish=ways.publish)
        self.guard = Guard(
            state=lambda: State(self._turned_s_ago(), self.trouble()),
            storage=StorageAlarm(
                service=service,
                recipients=ways.recipients,
                channels=ways.channels,
                wall_us=wall_us,
                owe=ways.owe,
                changed=self.heartbeat.hurry,
            ),
            notifier=self.notifier,
            alive_file=ledger.parent / "alive",
            stalled_after_s=stalled_after_s,
            watchdog_s=watchdog_s(ways.environment),
        )

    def start(self) -> None:
        """Begin to watch a pipeline that runs, and say that the service is ready for work."""
        self.probe.start()
        self.guard.start()
        self.heartbeat.start()
        self.notifier.send("READY=1", "STATUS=started")

    def stop(self, timeout_s: float) -> bool:
        """Say that the service is stopping, and end the threads; false when one did not end in time."""
        self.notifier.send("STOPPING=1", "STATUS=stopping: finishes and acknowledges what has come in")
        parts = (self.guard, self.heartbeat, self.probe)
        ended = [part.stop(timeout_s / len(parts)) for part in parts]
        self.notifier.close()
        return all(ended)

    def trouble(self) -> str:
        """Why the record cannot be written; "" when it can."""
        pipeline = self._pipeline
        return storage_trouble(pipeline.committing_since_s, pipeline.storage_error, self.probe.latest, time.monotonic())

    def liveness(self) -> Liveness:
        """Implements `House.liveness`."""
        ago_s = self._turned_s_ago()
        return Liveness(ago_s <= self._stalled_after_s, ago_s, self._stalled_after_s)

    def threads(self) -> dict[str, bool]:
        """The watch's own threads, and whether each runs."""
        parts = (self.guard.thread, self.heartbeat.thread, self.probe.thread)
        return {thread.name: thread.is_alive() for thread in parts}

    def _turned_s_ago(self) -> float:
        return max(0.0, time.monotonic() - self._pipeline.turned_s)

    def _body(self) -> dict[str, Any]:
        """What a heartbeat says; the service manager is told the same in a line."""
        failed = {name: said for name, said in self._checks().items() if said != "ok"}
        self.notifier.status("ready" if not failed else "NOT READY: " + "; ".join(failed.values()))
        return {
            "service": self._service,
            "at": self._iso(self._wall_us()),
            "ready": not failed,
            "failed": failed,
            "turned_s_ago": round(self._turned_s_ago(), 3),
            **self._figures(),
        }

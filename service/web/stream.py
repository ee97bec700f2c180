"""The live stream: one task waits for changes of the house and hands the newest overview to every listener.

Bounded on purpose: one waiting thread whatever the number of listeners, one pending message per listener (a slow
one skips to the newest), and a share of time that a large plant's overview may cost.
"""

from __future__ import annotations

import secrets
import time
from collections.abc import AsyncIterator, Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import anyio
import anyio.to_thread
import structlog

from service.model import House

LISTENERS_MAX = 100
INTERVAL_S = 0.5  # at most two pushes a second
HEARTBEAT_S = 5.0  # ages grow though nothing arrives, and the page learns that the link is alive
WAIT_S = 0.5  # the longest that the one thread is inside the house, and so the longest that closing takes
REST_PER_WORK = 9.0  # building an overview takes at most a tenth of the time

log = structlog.get_logger(__name__)


class Full(Exception):
    """All places for listeners are taken."""


@dataclass(frozen=True, slots=True)
class Message:
    id: str
    body: str


class Broadcast:
    """Owns the listeners' places and the newest message. Lives on one event loop; only `close` is for it too."""

    def __init__(self, house: House, render: Callable[[], str], listeners_max: int = LISTENERS_MAX) -> None:
        self._house = house
        self._render = render
        self._listeners_max = listeners_max
        self._run_id = secrets.token_hex(4)  # versions start again when the service does; ids must not
        self._limiter: anyio.CapacityLimiter | None = None
        self._listeners = 0
        self._newest: Message | None = None
        self._pushes = 0
        self._changed = anyio.Event()
        self._wanted = anyio.Event()
        self._epoch = 0  # grows when all streams must end
        self._closed = False

    @contextmanager
    def place(self) -> Iterator[None]:
        """Take one of the bounded places for as long as the context lasts; raises Full when there is none."""
        if self._closed or self._listeners >= self._listeners_max:
            raise Full(f"{self._listeners} live pages are open, at most {self._listeners_max} are served")
        self._listeners += 1
        self._wanted.set()
        try:
            yield
        finally:
            self._listeners -= 1
            if not self._listeners:
                self._wanted = anyio.Event()
                self._newest = None  # it would be old when the next listener comes

    @property
    def listeners(self) -> int:
        return self._listeners

    async def messages(self, last_id: str) -> AsyncIterator[Message]:
        """Every newest message, beginning with the present one unless the listener already has it (`last_id`)."""
        epoch, sent = self._epoch, last_id
        while epoch == self._epoch:
            changed, newest = self._changed, self._newest
            if newest is not None and newest.id != sent:
                sent = newest.id
                yield newest
            else:
                await changed.wait()

    async def run(self) -> None:
        """Push until cancelled. A failing house ends all streams: their pages then say that the link is lost."""
        self._limiter = anyio.CapacityLimiter(1)
        while True:
            try:
                await self._push_until_failure()
            except Exception:
                log.exception("overview failed, live pages are cut off")
                self._end_streams()
                await anyio.sleep(WAIT_S)

    def close(self) -> None:
        """End all streams and admit no more. Call it on the event loop."""
        self._closed = True
        self._end_streams()

    def _end_streams(self) -> None:
        self._epoch += 1
        self._newest = None
        self._wake()

    def _wake(self) -> None:
        old, self._changed = self._changed, anyio.Event()
        old.set()

    async def _push_until_failure(self) -> None:
        seen, pushed_at = -1, 0.0
        while True:
            await self._wanted.wait()  # nobody looks: no thread is used
            version = await anyio.to_thread.run_sync(self._house.wait_for_change, seen, WAIT_S, limiter=self._limiter)
            fresh = self._newest is not None and time.monotonic() - pushed_at < HEARTBEAT_S
            if version <= seen and fresh:
                continue
            began = time.monotonic()
            body = await anyio.to_thread.run_sync(self._render, limiter=self._limiter)
            seen, pushed_at = version, time.monotonic()
            self._pushes += 1
            self._newest = Message(id=f"{self._run_id}-{version}-{self._pushes}", body=body)
            self._wake()
            await anyio.sleep(max(INTERVAL_S, (pushed_at - began) * REST_PER_WORK))

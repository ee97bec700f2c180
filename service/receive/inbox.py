"""The inbox: bounded, filled by each broker's thread and by requests, emptied by the pipeline alone.

When it is full a broker's thread waits, so the socket is no longer read and that broker keeps the rest.
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Generic, TypeVar

Item = TypeVar("Item")

FULL_WAIT_S = 0.005  # between two looks at a full inbox, and at one that fills


class Inbox(Generic[Item]):
    """A queue of items with batched removal.

    `most` items and `most_bytes` by `weigh` bound it, give or take one item per filling thread. Any number of
    threads may fill it; one empties it.
    """

    def __init__(self, most: int, *, most_bytes: int, weigh: Callable[[Item], int]) -> None:
        self._items: deque[Item] = deque()  # append and popleft are atomic
        self._most, self._most_bytes, self._weigh = most, most_bytes, weigh
        self._put_bytes = self._taken_bytes = 0  # the first is added to under the lock, the second by the taker alone
        self._adding = threading.Lock()
        self._filled = threading.Event()
        self._closed = False
        self.waited = 0  # how often a put found it full
        self._full_since_s: float | None = None  # monotonic; until it has been less than half full

    def put(self, item: Item, wait_s: float = math.inf) -> bool:
        """Add an item, waiting while the inbox is full; false when it was closed, or was full for `wait_s`."""
        if self._is_full():
            self.waited += 1
            due_s = time.monotonic() + wait_s
            if self._full_since_s is None:
                self._full_since_s = time.monotonic()
            while self._is_full() and not self._closed:
                if time.monotonic() >= due_s:
                    return False
                time.sleep(FULL_WAIT_S)
        if self._closed:
            return False
        weight = self._weigh(item)
        with self._adding:
            self._put_bytes += weight
            self._items.append(item)
        if not self._filled.is_set():
            self._filled.set()
        return True

    def take(self, most: int, *, most_bytes: int, age_s: float, wait_s: float) -> list[Item]:
        """A batch: waits `wait_s` for the first item, then `age_s` at most for it to fill.

        It ends at `most` items, or with the item that brings it to `most_bytes`.
        """
        if not self._items:
            self._filled.clear()
            if not self._items and not self._closed:
                self._filled.wait(wait_s)
            if not self._items:
                return []
        due_s = time.monotonic() + age_s
        while (
            len(self._items) < most
            and self._put_bytes - self._taken_bytes < most_bytes
            and not self._closed
            and (left_s := due_s - time.monotonic()) > 0
        ):
            time.sleep(min(left_s, FULL_WAIT_S))
        batch: list[Item] = []
        room = self._taken_bytes + most_bytes
        while self._items and len(batch) < most and self._taken_bytes < room:
            batch.append(self._items.popleft())
            self._taken_bytes += self._weigh(batch[-1])
        if len(self._items) < self._most / 2 and self.waiting_bytes < self._most_bytes / 2:
            self._full_since_s = None
        return batch

    @property
    def waiting_bytes(self) -> int:
        """What is inside, by `weigh`."""
        return self._put_bytes - self._taken_bytes

    @property
    def full_s(self) -> float:
        """Seconds since a put found it full, for as long as it has not been half empty since; else 0."""
        since_s = self._full_since_s
        return 0.0 if since_s is None else time.monotonic() - since_s

    def _is_full(self) -> bool:
        return len(self._items) >= self._most or self._put_bytes - self._taken_bytes >= self._most_bytes

    def close(self) -> None:
        """Let no more in, and wake everybody who waits; what is inside can still be taken."""
        self._closed = True
        self._filled.set()

    def __len__(self) -> int:
        return len(self._items)

"""The inbox: bounded, filled by the broker's thread and by requests, emptied by the pipeline alone.

When it is full the broker's thread waits, so the socket is no longer read and the broker keeps the rest.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import Generic, TypeVar

Item = TypeVar("Item")


class Inbox(Generic[Item]):
    """A bounded queue of items with batched removal. `most` bounds it; see `put`."""

    def __init__(self, most: int) -> None:
        self._items: deque[Item] = deque()
        self._most = most
        self._changed = threading.Condition()
        self._closed = False
        self.waited = 0  # how often a put found it full

    def put(self, item: Item) -> bool:
        """Add an item, waiting while the inbox is full; false when it has been closed meanwhile."""
        with self._changed:
            if len(self._items) >= self._most:
                self.waited += 1
                while len(self._items) >= self._most and not self._closed:
                    self._changed.wait(1.0)
            if self._closed:
                return False
            self._items.append(item)
            if len(self._items) == 1:
                self._changed.notify_all()
            return True

    def take(self, most: int, *, age_s: float, wait_s: float) -> list[Item]:
        """Up to `most` items: waits `wait_s` for the first, then `age_s` at most for the batch to fill."""
        with self._changed:
            if not self._items:
                self._changed.wait_for(lambda: self._items or self._closed, wait_s)
            if not self._items:
                return []
        due_s = time.monotonic() + age_s
        while len(self._items) < most and not self._closed:
            left_s = due_s - time.monotonic()
            if left_s <= 0:
                break
            time.sleep(min(left_s, 0.005))
        with self._changed:
            count = min(most, len(self._items))
            batch = [self._items.popleft() for _ in range(count)]
            self._changed.notify_all()
        return batch

    def close(self) -> None:
        """Let no more in, and wake everybody who waits; what is inside can still be taken."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def __len__(self) -> int:
        return len(self._items)

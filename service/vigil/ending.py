"""How a thread of the watch is ended."""

from __future__ import annotations

import threading


def ended(thread: threading.Thread, timeout_s: float) -> bool:
    """Wait for a thread that has been asked to end, or was never started; false when it did not end in time."""
    if thread.ident is not None:
        thread.join(timeout_s)
    return not thread.is_alive()

"""Standard output that cannot stop the service: a line that cannot be written is dropped and counted.

The log may go to a file on the very disk that is full, and the alarm about that must still get out by the other ways.
"""

from __future__ import annotations

from typing import TextIO


class Steadfast:
    """Writes to a stream, and goes on when it fails."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.dropped = 0

    def write(self, text: str) -> int:
        try:
            return self._stream.write(text)
        except OSError:  # full, or nobody reads any more
            self.dropped += 1
            return len(text)

    def flush(self) -> None:
        try:
            self._stream.flush()
        except OSError:  # as above
            self.dropped += 1

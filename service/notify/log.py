"""The channel that writes a notification into the service's own log.

Owns nothing but the shape of that line; it must never carry an address or a secret.
"""

from __future__ import annotations

import structlog

from service.model import Accepted, OutboxRow, Refused
from service.notify.message import subject


class LogChannel:
    """Always accepts: the line has been handed to the log."""

    timeout_s = 1.0

    def __init__(self, name: str) -> None:
        self.name = name
        self._log = structlog.get_logger("dustcake.notify")

    def send(self, row: OutboxRow) -> Accepted | Refused:
        told = row.told
        self._log.warning(
            "notification",
            subject=subject(told),
            step=told.step,
            alarm=told.alarm_id,
            collector=told.collector,
            point=told.point,
            limit=told.limit,
            priority=told.priority,
            contact=row.contact,
            key=row.key,
        )
        return Accepted("written to the log")

    def close(self) -> None:
        """Nothing to close."""

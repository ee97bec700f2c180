"""Tells the service manager how the service is, over the datagram socket that NOTIFY_SOCKET names.

The protocol is sd_notify(3) of systemd: one datagram of KEY=VALUE lines. Owns nothing but the socket; without a
manager it says nothing, and it never waits.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

STATUS_CHARACTERS = 200


class Notifier:
    """`address` is a path, "@name" for an abstract socket, or "" when nobody listens."""

    def __init__(self, address: str = "") -> None:
        self._address = "\0" + address[1:] if address.startswith("@") else address
        self._socket: socket.socket | None = None
        if self._address and self._address[0] in "/\0":
            self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
            self._socket.setblocking(False)

    def send(self, *lines: str) -> bool:
        """Hand over one datagram; false when there is no manager, or it cannot take it now."""
        if self._socket is None:
            return False
        try:
            self._socket.sendto("\n".join(lines).encode(), self._address)
        except OSError:  # no listener, or its queue is full: the next one says it again, and silence is an alarm there
            return False
        return True

    def status(self, text: str) -> bool:
        """One line for people, shown by `systemctl status`."""
        plain = "".join(char if char.isprintable() else " " for char in text)
        return self.send("STATUS=" + plain[:STATUS_CHARACTERS])

    def close(self) -> None:
        if self._socket is not None:
            self._socket.close()


def watchdog_s(environment: Mapping[str, str]) -> float | None:
    """Seconds within which the manager wants to hear WATCHDOG=1; None when it does not ask, or asks another process."""
    microseconds, process = environment.get("WATCHDOG_USEC", ""), environment.get("WATCHDOG_PID", "")
    if not microseconds.isdigit() or int(microseconds) == 0:
        return None
    if process and process != str(os.getpid()):
        return None
    return int(microseconds) / 1e6

"""A webhook receiver that counts what comes under each id, and answers as a scenario says."""

from __future__ import annotations

import threading
import time
from collections import Counter
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

Answer = tuple[int, dict[str, str]]  # status and headers
OK: Answer = (204, {})


class Hook:
    """`came` counts accepted posts by webhook-id; `bodies` are the different bodies of one id."""

    def __init__(self) -> None:
        self.came: Counter[str] = Counter()
        self.bodies: dict[str, set[bytes]] = {}
        self.tries: list[tuple[float, str, int]] = []  # monotonic time, id, status answered
        self.answer: Callable[[str], Answer] = lambda _id: OK
        hook = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                hook._post(self)

            def log_message(self, *_: Any) -> None:
                return

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = int(self._server.server_address[1])
        threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.05}, daemon=True).start()

    def _post(self, handler: BaseHTTPRequestHandler) -> None:
        length = int(handler.headers.get("content-length", 0))
        body = handler.rfile.read(length)
        if len(body) < length:
            return  # the daemon was killed while it sent: nothing was received
        id_ = handler.headers.get("webhook-id", "")
        status, headers = self.answer(id_)
        self.tries.append((time.monotonic(), id_, status))
        if status < 300:
            self.came[id_] += 1
            self.bodies.setdefault(id_, set()).add(body)
        try:
            handler.send_response(status)
            for name, value in headers.items():
                handler.send_header(name, value)
            handler.end_headers()
        except OSError:
            return  # the daemon was killed meanwhile

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()

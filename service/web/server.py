"""Runs the application in a thread of its own. Installs no signal handlers; the daemon says when to stop."""

from __future__ import annotations

import asyncio
import socket
import threading
import time

import uvicorn

from service.model import BadConfiguration, House
from service.web.api import create_app

START_S = 10.0
GRACE_S = 1  # for answers under way; live pages are closed first
CONNECTIONS_MAX = 400  # beyond it new ones are told 503


class WebServer:
    """Serves one house on one address. `port` 0 asks for a free one, and `port` then tells which."""

    def __init__(self, house: House, host: str, port: int, token: str, allowed_hosts: list[str]) -> None:
        self.host = host
        self.port = port
        self._app = create_app(house, token, allowed_hosts)
        self._server: uvicorn.Server | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Listen and serve; returns once it does.

        Raises BadConfiguration when the address cannot be had, RuntimeError when serving does not begin in time.
        """
        listener = _listen(self.host, self.port)
        self.port = listener.getsockname()[1]
        config = uvicorn.Config(
            self._app,
            log_config=None,
            access_log=False,  # the link with the key would be in it
            server_header=False,
            timeout_graceful_shutdown=GRACE_S,
            limit_concurrency=CONNECTIONS_MAX,
        )
        server = self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._serve, args=(server, listener), name="web")
        self._thread.start()
        deadline = time.monotonic() + START_S
        while not server.started:
            if time.monotonic() > deadline or not self._thread.is_alive():
                self.stop(GRACE_S)
                raise RuntimeError(f"the web server did not begin to serve within {START_S:g} s")
            time.sleep(0.01)

    @property
    def listeners(self) -> int:
        """How many live pages are open."""
        return int(self._app.state.broadcast.listeners)

    def stop(self, timeout_s: float) -> bool:
        """End the live pages, finish the answers under way, and end the thread; false when that takes longer."""
        if self._server is None or self._thread is None:
            return True
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._app.state.broadcast.close)
        self._server.should_exit = True
        self._thread.join(timeout_s)
        self._server.force_exit = True
        return not self._thread.is_alive()

    def _serve(self, server: uvicorn.Server, listener: socket.socket) -> None:
        async def serve() -> None:
            self._loop = asyncio.get_running_loop()
            await server.serve(sockets=[listener])

        with listener:
            asyncio.run(serve())


def _listen(host: str, port: int) -> socket.socket:
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listener = socket.create_server((host, port), family=family, backlog=128)
    except OSError as error:
        raise BadConfiguration(
            f"[web] host and port: cannot listen on {host}:{port} ({error.strerror or error}); "
            "choose an address of this computer and a free port"
        ) from error
    return listener

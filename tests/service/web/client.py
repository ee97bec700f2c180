"""Clients of the application for tests: one that asks it without a port, and a server on a free port."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import anyio
import httpx

from service.model import House
from service.web.api import create_app
from service.web.server import WebServer
from tests.service.web.house import HOSTS, TOKEN

BASE = "http://127.0.0.1"
BEARER = {"Authorization": f"Bearer {TOKEN}"}


class Asker:
    """Asks the application in this process and keeps cookies, as a browser does. Failures come as answers."""

    def __init__(self, house: House, headers: dict[str, str]) -> None:
        self._transport = httpx.ASGITransport(create_app(house, TOKEN, HOSTS), raise_app_exceptions=False)
        self._headers = headers
        self._cookies = httpx.Cookies()

    def request(self, method: str, path: str, **parts: Any) -> httpx.Response:
        async def ask() -> httpx.Response:
            async with httpx.AsyncClient(
                transport=self._transport, base_url=BASE, headers=self._headers, cookies=self._cookies
            ) as client:
                answer = await client.request(method, path, **parts)
                self._cookies = client.cookies
                return answer

        return anyio.run(ask)

    def get(self, path: str, **parts: Any) -> httpx.Response:
        return self.request("GET", path, **parts)

    def post(self, path: str, **parts: Any) -> httpx.Response:
        return self.request("POST", path, **parts)


def client(house: House, headers: dict[str, str] | None = None) -> Asker:
    return Asker(house, headers or {})


@contextmanager
def serving(house: House) -> Iterator[WebServer]:
    server = WebServer(house, "127.0.0.1", 0, TOKEN, HOSTS)
    server.start()
    try:
        yield server
    finally:
        assert server.stop(10)

"""Who may ask: the token, the page's cookie, the host names, the request's origin, and the headers of every answer.

Refuses by default: a path is open only when it is named here. Never writes the token anywhere.
"""

from __future__ import annotations

import hashlib
import hmac
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.model import BadConfiguration
from service.web.problem import problem

OPEN_PATHS = frozenset({"/healthz", "/livez", "/readyz"})
OPEN_FOLDER = "/static/"  # the page's style and script, the same for everybody
PAGE = "/"  # answers the uninvited itself, with how to open it
TOKEN_LENGTH_MIN = 16  # characters
BODY_BYTES_MAX = 16_384
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
HEADERS = {
    "Content-Security-Policy": "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; "
    "img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


class Access:
    """Knows the token; all comparisons take the same time whatever is sent."""

    def __init__(self, token: str, allowed_hosts: list[str]) -> None:
        if len(token) < TOKEN_LENGTH_MIN:
            raise BadConfiguration(
                f"web token: {len(token)} characters, at least {TOKEN_LENGTH_MIN} expected; "
                "write a longer random text into the file that [web] token_file names"
            )
        self._token = token.encode()
        self._hosts = [host.lower() for host in allowed_hosts]
        # Cookies do not tell ports apart: the name carries a mark of the token, so that two services on one
        # computer do not overwrite each other's. The value is derived, so that a stolen cookie is not the token.
        self.cookie_name = "dustcake_" + hashlib.sha256(b"name" + self._token).hexdigest()[:8]
        self.cookie_value = hmac.new(self._token, b"page cookie", hashlib.sha256).hexdigest()

    def by_key(self, key: str) -> bool:
        return hmac.compare_digest(key.encode(errors="replace"), self._token)

    def by_bearer(self, headers: Headers) -> bool:
        scheme, _, credentials = headers.get("authorization", "").partition(" ")
        return scheme.lower() == "bearer" and self.by_key(credentials.strip())

    def by_cookie(self, headers: Headers) -> bool:
        try:
            morsel = SimpleCookie(headers.get("cookie", "")).get(self.cookie_name)
        except CookieError:
            return False
        return morsel is not None and hmac.compare_digest(morsel.value.encode(), self.cookie_value.encode())

    def host_allowed(self, headers: Headers) -> bool:
        """Whether the Host header names this service; a foreign name means DNS rebinding."""
        try:
            host = (urlsplit("//" + headers.get("host", "")).hostname or "").lower()
        except ValueError:
            return False
        return bool(host) and ("*" in self._hosts or host in self._hosts)


def same_origin(headers: Headers) -> bool:
    """Whether the browser says that the request comes from this service's own page."""
    site = headers.get("sec-fetch-site")
    if site is not None and site != "same-origin":
        return False
    origin = headers.get("origin")
    if origin is not None:
        try:
            return urlsplit(origin).netloc.lower() == headers.get("host", "").lower()
        except ValueError:  # no address at all, such as "http://["
            return False
    return site is not None


class Gate:
    """Stands before the whole application: every request passes here, and every answer leaves with the headers."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app = app
        self._access = access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        refusal = self._refusal(scope, Headers(scope=scope))
        await (refusal or self._app)(scope, receive, send_with_headers)

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        """Why this request must not reach the application; None when it may."""
        if not self._access.host_allowed(headers):
            return problem(
                400,
                "the Host header names another host; to be reached by this name, add it to allowed_hosts in [web]",
            )
        bearer = self._access.by_bearer(headers)
        allowed = bearer or self._access.by_cookie(headers)
        scope.setdefault("state", {})["allowed"] = allowed
        path = scope["path"]
        if not (allowed or path in OPEN_PATHS or path == PAGE or path.startswith(OPEN_FOLDER)):
            return problem(
                401,
                "a bearer token is needed; it is in the file that [web] token_file names",
                {"WWW-Authenticate": "Bearer"},
            )
        if scope["method"] in SAFE_METHODS:
            return None
        if not bearer and not same_origin(headers):
            return problem(403, "a request that changes something must come from this service's own page")
        return _body_refusal(headers)


def _body_refusal(headers: Headers) -> Response | None:
    length = headers.get("content-length", "")
    if not length.isdigit():
        return problem(411, "the request must say its Content-Length")
    if int(length) > BODY_BYTES_MAX:
        return problem(413, f"the body has {length} bytes, at most {BODY_BYTES_MAX} are read")
    return None

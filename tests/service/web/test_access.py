"""Nothing but the health checks, the style and the script answers without the key, and no answer lacks its headers."""

from __future__ import annotations

from collections.abc import AsyncIterator, Sequence

import pytest
from fastapi.routing import APIRoute
from starlette.routing import Mount, Route

from service.model import BadConfiguration
from service.web.access import HEADERS, OPEN_PATHS
from service.web.api import create_app
from tests.service.web.client import BASE, BEARER, client
from tests.service.web.house import HOSTS, TOKEN, house


def every_route() -> list[tuple[str, str]]:
    """Each (method, path) of the application's own table, so that a new route is tested without being named here."""
    found: list[tuple[str, str]] = []
    for route in walk(create_app(house(), TOKEN, HOSTS).routes):
        found += [(method, route.path) for method in sorted(route.methods or ())]
    return found


def walk(routes: Sequence[object]) -> list[APIRoute | Route]:
    found: list[APIRoute | Route] = []
    for route in routes:
        if isinstance(route, APIRoute | Route):
            found.append(route)
        elif not isinstance(route, Mount):
            inner = getattr(route, "routes", None) or route.original_router.routes  # type: ignore[attr-defined]
            found += walk(list(inner))
    return found


def test_the_table_of_routes_is_the_one_that_is_promised() -> None:
    paths = {path for _, path in every_route()}
    assert paths == {
        "/", "/healthz", "/livez", "/readyz",
        "/api/v1/openapi.json", "/api/v1/health", "/api/v1/overview", "/api/v1/alarms",
        "/api/v1/quarantine", "/api/v1/test-notification", "/api/v1/rebuild", "/api/v1/sources/reload",
        "/api/v1/explain", "/api/v1/quarantine/counts", "/api/v1/quarantine/{number}", "/api/v1/quarantine/again",
        "/api/v1/quarantine/purge", "/api/v1/gaps", "/api/v1/history-counts", "/api/v1/events",
    }  # fmt: skip


@pytest.mark.parametrize(("method", "path"), every_route())
@pytest.mark.parametrize("credentials", [{}, {"Authorization": "Bearer wrong"}, {"Cookie": "dustcake_0=wrong"}])
def test_a_route_refuses_without_the_key(method: str, path: str, credentials: dict[str, str]) -> None:
    answer = client(house()).request(method, path, headers=credentials, json={} if method == "POST" else None)
    if path in OPEN_PATHS:
        assert answer.status_code in (200, 405)
    else:
        assert answer.status_code == 401
        assert "Cutting" not in answer.text


@pytest.mark.parametrize(
    "path", ["/", "/nothing", "/healthz", "/static/page.css", "/static/../api.py", "/api/v1/overview"]
)
@pytest.mark.parametrize("credentials", [{}, BEARER])
def test_every_answer_carries_the_security_headers(path: str, credentials: dict[str, str]) -> None:
    answer = client(house()).get(path, headers=credentials)
    for name, value in HEADERS.items():
        assert answer.headers[name] == value


def test_the_content_policy_allows_nothing_from_elsewhere_and_nothing_inline() -> None:
    policy = client(house()).get("/").headers["content-security-policy"]
    parts = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert parts["default-src"] == "'none'"
    assert parts["frame-ancestors"] == "'none'"
    assert set(parts.values()) == {"'none'", "'self'"}


def test_the_link_with_the_key_sets_a_strict_cookie_and_leaves_the_address_bar() -> None:
    browser = client(house())
    answer = browser.get("/", params={"key": TOKEN})
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert TOKEN not in cookie
    assert "Cutting hall 1" in browser.get("/").text


@pytest.mark.parametrize("key", ["", "wrong", TOKEN[:-1], TOKEN + "x", "\ud800"])
def test_a_wrong_key_opens_nothing_and_says_how_to_get_the_right_one(key: str) -> None:
    answer = client(house()).get("/", params={"key": key.encode("utf-8", "replace")})
    assert answer.status_code == 401
    assert "dustcake status" in answer.text
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "[::1", "evil.example:80"])
def test_a_foreign_host_name_is_refused_even_with_the_key(host: str) -> None:
    answer = client(house(), BEARER).get("/api/v1/overview", headers={"Host": host})
    assert answer.status_code == 400
    assert answer.headers["content-type"] == "application/problem+json"


@pytest.mark.parametrize("host", ["127.0.0.1:8080", "LOCALHOST", "[::1]:8080"])
def test_the_service_answers_to_its_own_names(host: str) -> None:
    assert client(house(), BEARER).get("/api/v1/overview", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403),
        ({"Origin": "http://evil.example"}, 403),
        ({"Origin": "null"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
        ({"Sec-Fetch-Site": "same-site", "Origin": BASE}, 403),
        ({"Sec-Fetch-Site": "same-origin", "Origin": "http://127.0.0.1:81"}, 403),
        ({"Origin": BASE}, 202),
        ({"Sec-Fetch-Site": "same-origin"}, 202),
    ],
)
def test_an_act_by_cookie_must_come_from_the_page_itself(headers: dict[str, str], status: int) -> None:
    browser = client(house())
    browser.get("/", params={"key": TOKEN})
    assert browser.post("/api/v1/rebuild", json={}, headers=headers).status_code == status


def test_an_act_by_bearer_needs_no_origin() -> None:
    assert client(house(), BEARER).post("/api/v1/rebuild", json={}).status_code == 202


async def trickle() -> AsyncIterator[bytes]:
    yield b"{}"


def test_a_body_is_bounded_and_must_say_its_length() -> None:
    asking = client(house(), BEARER)
    assert asking.post("/api/v1/test-notification", content=b"x" * 20_000).status_code == 413
    assert asking.post("/api/v1/test-notification", content=trickle()).status_code == 411


def test_a_token_too_short_to_be_one_is_refused_at_the_start() -> None:
    with pytest.raises(BadConfiguration, match="at least 16"):
        create_app(house(), "short", HOSTS)

"""The quarantine over HTTP: which question reaches the house, and what is refused with which words."""

from __future__ import annotations

from typing import Any

import pytest

from service.model import Chosen, SendAgain
from tests.service.web.client import BEARER, client
from tests.service.web.house import house

PATH = "/api/v1/quarantine"


def test_a_list_is_of_what_is_kept_unless_more_is_asked_for() -> None:
    owner = house()
    asking = client(owner, BEARER)
    asking.get(PATH)
    query = {"code": "c", "topic": "a/*", "since": "1970-01-01T00:00:02Z", "before": 9, "limit": 3, "state": "any"}
    asking.get(PATH, params=query)
    assert owner.asked == [
        (Chosen(), "kept", None, 100),
        (Chosen(code="c", topic="a/*", since_us=2_000_000), "", 9, 3),
    ]


def test_one_message_is_readable_though_it_is_not_text() -> None:
    owner = house()
    owner.rows = [{"id": 7, "payload": b"\xff{"}]
    assert client(owner, BEARER).get(f"{PATH}/7").json() == {"id": 7, "payload": "\\xff{"}


def test_orders_reach_the_house_with_who_gave_them() -> None:
    owner = house()
    asking = client(owner, BEARER)
    answer = asking.post(f"{PATH}/again", json={"who": "ann", "ids": [4, 5], "after": 3})
    assert (answer.status_code, answer.json()["still_kept"], answer.json()["left"]) == (200, 1, 0)
    answer = asking.post(f"{PATH}/purge", json={"who": "ann", "why": "done", "older_than": "P1DT12H"})
    assert (answer.status_code, answer.json()["codes"]) == (200, {"unit-refused": 3})
    assert owner.asked == [SendAgain(Chosen(ids=(4, 5)), "ann", 3), (129_600_000_000, "ann", "done")]


@pytest.mark.parametrize(
    ("method", "path", "body", "status", "words"),
    [
        ("GET", "?state=gone", None, 422, ""),
        ("GET", "?since=yesterday", None, 422, "since: time 'yesterday': expected RFC 3339"),
        ("GET", "?before=0", None, 422, ""),
        ("GET", "/8", None, 404, "there is no message 8"),
        ("GET", "/0", None, 422, ""),
        ("GET", "/99999999999999999999", None, 422, ""),
        ("POST", "/again", {}, 422, ""),
        ("POST", "/again", {"who": ""}, 422, ""),
        ("POST", "/again", {"who": "ann", "ids": [0]}, 422, ""),
        ("POST", "/again", {"who": "ann", "ids": list(range(1, 1002))}, 422, ""),
        ("POST", "/again", {"who": "ann", "since": "soon"}, 422, "since: time 'soon'"),
        ("POST", "/again", {"who": "ann", "cod": "x"}, 422, ""),
        ("POST", "/purge", {"who": "ann", "older_than": "P30D"}, 422, ""),
        ("POST", "/purge", {"why": "done", "older_than": "P30D"}, 422, ""),
        ("POST", "/purge", {"who": "ann", "why": "done", "older_than": "P1M"}, 422, "months have no fixed length"),
    ],
)
def test_what_cannot_be_done_is_a_problem_with_its_remedy(
    method: str, path: str, body: Any, status: int, words: str
) -> None:
    answer = client(house(), BEARER).request(method, PATH + path, json=body)
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")
    assert words in answer.json()["detail"]


@pytest.mark.parametrize(
    ("path", "body"),
    [("/again", {"who": "ann"}), ("/purge", {"who": "ann", "why": "done", "older_than": "P30D"})],
)
def test_a_busy_service_can_be_asked_again(path: str, body: Any) -> None:
    owner = house()
    owner.fails = True
    answer = client(owner, BEARER).post(PATH + path, json=body)
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "10")
    assert answer.json()["detail"] == "the service is busy; ask again"


def test_the_page_shows_what_is_kept_by_reason_and_nothing_when_nothing_is() -> None:
    text = client(house(quarantine={"tag-unknown": 2, "<b>": 31}), BEARER).get("/").text
    assert "Messages that could not be used" in text
    assert text.index("<b>31</b> &lt;b&gt;") < text.index("<b>2</b> tag-unknown")
    assert "Messages that could not be used" not in client(house(), BEARER).get("/").text

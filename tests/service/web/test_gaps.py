"""Gaps as programs and people see them: one document, and a phrase beside the collector's gateway."""

from __future__ import annotations

from typing import Any

import pytest

from tests.service.web.client import BEARER, client
from tests.service.web.house import collector, house, pressure

MISSING: dict[str, Any] = {
    "gateway": "gw-cut-1", "boot": "b41f", "run": 2, "first": 11, "last": 20,
    "noticed_us": 1_795_593_600_000_000, "filled_us": None,
}  # fmt: skip
FILLED = MISSING | {"first": 5, "last": 5, "filled_us": 1_795_593_601_500_000}


def test_gaps_are_listed_with_every_gateway() -> None:
    owner = house()
    owner.missing = [MISSING, FILLED]
    asker = client(owner, BEARER)
    found = asker.get("/api/v1/gaps").json()
    assert found["gateways"] == [
        {"gateway": "gw-cut-1", "numbering": "numbered", "missing": 10},
        {"gateway": "gw-cut-2", "numbering": "not numbered", "missing": 0},
    ]
    assert found["gaps"] == [
        {"gateway": "gw-cut-1", "boot": "b41f", "run": 2, "first": 11, "last": 20, "messages": 10,
         "noticed_at": "2026-11-25T08:00:00Z", "filled_at": None}
    ]  # fmt: skip
    both = asker.get("/api/v1/gaps", params={"missing": False}).json()["gaps"]
    assert [gap["filled_at"] for gap in both] == [None, "2026-11-25T08:00:01.500000Z"]
    assert len(asker.get("/api/v1/gaps", params={"missing": False, "limit": 1}).json()["gaps"]) == 1


def test_gaps_are_not_open_to_everybody() -> None:
    assert client(house()).get("/api/v1/gaps").status_code == 401


@pytest.mark.parametrize(
    ("numbering", "says"),
    [
        ({}, "gateway online: gw-cut-1"),
        ({"gateway_missing": 12}, "gateway online: gw-cut-1, 12 messages missing"),
        ({"is_numbered": False}, "gateway online: gw-cut-1, messages not numbered"),
        ({"is_numbered": False, "gateway_missing": 3}, "gateway online: gw-cut-1, 3 messages missing"),
    ],
)
def test_the_page_says_it_beside_the_gateway(numbering: dict[str, Any], says: str) -> None:
    one = collector(1, "quiet", pressure(1.0))
    for name, value in numbering.items():
        object.__setattr__(one, name, value)
    asker = client(house(collectors=[one]), BEARER)
    assert f">{says}<" in asker.get("/").text
    shown = asker.get("/api/v1/overview").json()["collectors"][0]
    assert (shown["link_says"], shown["gateway_missing"]) == (says, numbering.get("gateway_missing", 0))

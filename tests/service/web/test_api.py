"""What every route answers."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from tests.service.web.client import BEARER, client
from tests.service.web.house import MARKUP, NOW, alarm, collector, house, limit, pressure


def get(path: str, **parts: Any) -> Any:
    return client(house(**parts), BEARER).get(path).json()


def test_alive_says_nothing_about_the_work() -> None:
    owner = house()
    owner.checks["broker"] = "connection refused"
    assert client(owner).get("/healthz").json() == {"alive": True}


def test_a_pipeline_that_does_not_turn_is_503_and_how_long_it_has_not() -> None:
    owner = house()
    assert client(owner).get("/livez").json() == {"turning": True, "turned_s_ago": 0.2, "at_most_s": 30.0}
    owner.turned_s_ago = 31.0
    answer = client(owner).get("/livez")
    assert (answer.status_code, answer.json()["turned_s_ago"]) == (503, 31.0)


def test_not_ready_is_503_with_the_names_of_the_failed_checks_and_no_more() -> None:
    owner = house()
    assert client(owner).get("/readyz").json() == {"ready": True, "failed": []}
    owner.checks["broker"] = "connection refused by 10.0.0.7"
    answer = client(owner).get("/readyz")
    assert (answer.status_code, answer.json()) == (503, {"ready": False, "failed": ["broker"]})
    assert client(owner, BEARER).get("/api/v1/health").json()["checks"]["broker"] == "connection refused by 10.0.0.7"


def test_collectors_come_by_need_and_the_nearest_to_its_alarm_first() -> None:
    nearer = collector(9, "pending", pressure(6.5, limit("high", 6.0, "pending", 600.0, 590.0)))
    seen = get("/api/v1/overview", collectors=[*house().overview().collectors, nearer])
    assert [one["id"][-1] for one in seen["collectors"]] == ["2", "9", "3", "4", "6", "1", "5"]
    assert [(one["need"], one["count"]) for one in seen["needs"]] == [
        ("alarm", 1), ("pending", 2), ("no data", 2), ("quiet", 2),
    ]  # fmt: skip


def test_a_pending_limit_says_how_much_of_its_delay_is_counted() -> None:
    pending = get("/api/v1/overview")["collectors"][1]["points"][0]["limits"][0]
    assert pending["says"] == "beyond, counted 2 h 10 min of 4 h"
    assert pending["share"] == pytest.approx(7800 / 14_400, abs=1e-3)


@pytest.mark.parametrize(
    ("health", "value", "age_s", "says", "note"),
    [
        ("good", 3.14159, 8.0, "3.14 inH2O", "8 s ago"),
        ("stale", None, 720.0, "no value", "no value for 12 min; last was 3.02 inH2O"),
        ("bad", None, 30.0, "no valid value", "the gateway says bad quality, 30 s ago"),
        ("never", None, None, "never measured", "nothing has arrived yet"),
        ("stale", 3.14, 720.0, "no value", "no value for 12 min; last was 3.14 inH2O"),
        ("good", None, 8.0, "no value", "no value for 8 s; last was 3.02 inH2O"),
        ("good", math.nan, 8.0, "no value", "no value for 8 s; last was no value"),
        ("a word of the future", 3.0, 8.0, "no value", "no value for 8 s; last was 3.00 inH2O"),
    ],
)
def test_only_a_good_value_is_shown_as_one(
    health: str, value: float | None, age_s: float | None, says: str, note: str
) -> None:
    one = collector(1, "quiet", pressure(value, limit("high", 6.0), health=health, age_s=age_s))
    point = get("/api/v1/overview", collectors=[one])["collectors"][0]["points"][0]
    assert (point["says"], point["note"]) == (says, note)
    assert point["known"] == (says == "3.14 inH2O")
    assert (point["value"] is None) == (point["needle"] is None) == (not point["known"])


def test_a_need_that_the_page_does_not_know_is_shown_as_no_data() -> None:
    assert get("/api/v1/overview", collectors=[collector(1, "splendid")])["collectors"][0]["need"] == "no data"


def test_a_collector_that_cannot_be_judged_is_not_quiet_whatever_it_says() -> None:
    blind = collector(1, "quiet", pressure(None, limit("high", 6.0, "unknown"), health="stale", age_s=60.0))
    assert get("/api/v1/overview", collectors=[blind])["collectors"][0]["need"] == "no data"


def test_an_alarm_says_what_where_since_why_and_who_was_told() -> None:
    one = get("/api/v1/overview")["alarms"][0]
    assert one["what"] == "Differential pressure high-high"
    assert one["where"] == "Cutting hall 2 (quay/cutting/dc-2)"
    assert one["since"] == "raised 07:00:10 GMT, 1 h ago"
    assert one["why"] == "limit 8 inH2O for 10 min; extreme 8.74 inH2O; 30 min stopped not counted"
    assert [told["done"] for told in one["told"]] == [True, False]


def test_an_alarm_of_a_gateway_is_shown_though_it_is_no_collectors() -> None:
    one = get("/api/v1/overview", alarms=[alarm(77, "no-data", state="held")])["alarms"][0]
    assert (one["where"], one["what"]) == ("quay/cutting/dc-77", "No data, held (not judged at present)")


def test_the_time_of_a_notification_may_be_an_instant_or_its_text() -> None:
    for at in (NOW, NOW.isoformat()):
        one = replace(
            alarm(), told=[{"step": "raised", "contact": "lead", "channel": "mail", "state": "given up", "at": at}]
        )
        told = get("/api/v1/overview", alarms=[one], clock="")["alarms"][0]["told"][0]
        assert told["says"] == "raised: lead by mail, NOT DELIVERED, given up 08:00:10 GMT"
        assert (told["contact"], told["done"]) == ("lead", False)


def test_with_a_demo_clock_the_real_time_of_a_notification_is_left_out() -> None:
    told = get("/api/v1/overview")["alarms"][0]["told"][0]
    assert told["says"] == "raised: lead by mail, accepted"


def test_limits_that_ask_for_nothing_share_one_phrase() -> None:
    limits = [limit("low", 1.0), limit("high", 6.0, "unknown"), limit("high-high", 8.0, "a word of the future")]
    one = collector(1, "quiet", pressure(3.0, *limits))
    point = get("/api/v1/overview", collectors=[one])["collectors"][0]["points"][0]
    assert point["within"] == "within low 1 inH2O; not judged: high 6, high-high 8 inH2O"
    assert [each["state"] for each in point["limits"]] == ["normal", "unknown", "unknown"]


def test_times_are_in_the_zone_of_the_site_and_name_it() -> None:
    summer = NOW.replace(month=7)
    seen = get("/api/v1/overview", now=summer)
    assert seen["now_says"] == "25 Jul 2026 09:00:10 IST"
    assert seen["zones"] == ["Europe/Dublin"]


def test_alarms_can_include_those_that_are_over() -> None:
    asking = client(house(alarms=[alarm(), alarm(alarm_id="a2", state="cleared")]), BEARER)
    assert [one["id"] for one in asking.get("/api/v1/alarms").json()] == ["a1"]
    assert len(asking.get("/api/v1/alarms", params={"active": False}).json()) == 2
    assert len(asking.get("/api/v1/alarms", params={"active": False, "limit": 1}).json()) == 1


def test_what_is_in_quarantine_is_readable_though_it_is_not_text() -> None:
    owner = house()
    owner.rows = [{"code": "json-invalid", "payload": b"\xff{", "received_us": 1}]
    assert client(owner, BEARER).get("/api/v1/quarantine").json() == [
        {"code": "json-invalid", "payload": "\\xff{", "received_us": 1}
    ]


def test_a_test_notification_is_queued_for_a_known_contact_only() -> None:
    asking = client(house(), BEARER)
    assert asking.post("/api/v1/test-notification", json={"contact": "lead"}).json() == {"queued": ["test/lead/mail"]}
    answer = asking.post("/api/v1/test-notification", json={"contact": "nobody"})
    assert answer.status_code == 404
    assert "nobody" in answer.json()["detail"]


def test_the_history_can_be_rebuilt() -> None:
    answer = client(house(), BEARER).post("/api/v1/rebuild", json={})
    assert (answer.status_code, answer.json()) == (202, {"said": "rebuilding from 3 journal entries"})


@pytest.mark.parametrize(
    ("method", "path", "body", "status"),
    [
        ("GET", "/api/v1/nothing", None, 404),
        ("DELETE", "/api/v1/overview", {}, 405),
        ("GET", "/api/v1/alarms?limit=0", None, 422),
        ("GET", "/api/v1/alarms?limit=1001", None, 422),
        ("POST", "/api/v1/test-notification", {}, 422),
        ("POST", "/api/v1/test-notification", {"contact": "lead", "shout": True}, 422),
    ],
)
def test_errors_are_problem_documents(method: str, path: str, body: object, status: int) -> None:
    """RFC 9457, section 3: the media type, and the members type, title, status and detail."""
    answer = client(house(), BEARER).request(method, path, json=body)
    assert answer.status_code == status
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["status"] == status
    assert {"type", "title", "detail"} <= answer.json().keys()


def test_a_failing_house_is_a_problem_without_its_secrets() -> None:
    owner = house()
    owner.fails = True
    answer = client(owner, BEARER).get("/api/v1/overview")
    assert answer.status_code == 500
    assert "fire" not in answer.text


def test_the_description_names_every_api_route() -> None:
    paths = get("/api/v1/openapi.json")["paths"]
    assert {"/healthz", "/readyz", "/api/v1/overview", "/api/v1/events", "/api/v1/rebuild"} <= paths.keys()


# ---------------------------------------------------------------- the page as first rendered


def test_the_page_shows_all_of_it_without_any_script() -> None:
    text = client(house(), BEARER).get("/").text
    for words in (
        "Cutting hall 4", "counted 2 h 10 min of 4 h", "Differential pressure high-high", "lead by mail, accepted",
        "demo clock", "Europe/Dublin", "not a safety function", "test for zero energy", "never measured", "12345",
    ):  # fmt: skip
        assert words in text


def test_names_cannot_become_markup() -> None:
    hostile = collector(1, "quiet", pressure(1.0))
    object.__setattr__(hostile, "name", MARKUP)
    text = client(house(collectors=[hostile], enterprise=MARKUP, service=MARKUP), BEARER).get("/").text
    assert "<img" not in text
    assert text.count("&lt;img src=x") >= 3


def test_the_page_says_when_the_service_is_not_ready() -> None:
    owner = house()
    owner.checks["broker"] = "connection refused"
    text = client(owner, BEARER).get("/").text
    assert "The service is not ready." in text
    assert "broker: connection refused" in text


def test_an_empty_plant_has_a_page_too() -> None:
    assert "No alarm is active." in client(house(collectors=[], alarms=[], counts={}), BEARER).get("/").text


EXPLAIN = {"collector": "quay/cutting/dc-1", "point": "dp", "limit": "high", "at": "2026-11-25T04:10:00Z"}


def test_an_alarm_or_a_limit_at_an_instant_is_explained() -> None:
    asker = client(house(), BEARER)
    assert asker.get("/api/v1/explain", params={"alarm": "a1"}).json()["answer"] == "Alarm a1 was raised."
    found = asker.get("/api/v1/explain", params=EXPLAIN).json()
    assert found["sentences"] == ["It was not beyond."]
    assert found["facts"]["at_us"] == 1_795_579_800_000_000


@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ({"alarm": "a9"}, 404, "no alarm 'a9'"),
        (EXPLAIN | {"collector": "x"}, 404, "no collector 'x'"),
        ({}, 422, "give those"),
        ({"alarm": "a1", "at": "2026-11-25T04:10:00Z"}, 422, "give those"),
        ({"collector": "x", "point": "dp"}, 422, "give those"),
        (EXPLAIN | {"at": "yesterday"}, 422, "RFC 3339"),
        (EXPLAIN | {"at": "2036-11-25T04:10:00Z"}, 422, "ask for an earlier one"),
    ],
)
def test_what_cannot_be_explained_is_a_problem_with_its_remedy(query: dict[str, str], status: int, words: str) -> None:
    answer = client(house(), BEARER).get("/api/v1/explain", params=query)
    assert (answer.status_code, answer.headers["content-type"]) == (status, "application/problem+json")
    assert words in answer.json()["detail"]


def test_while_the_history_is_not_open_an_explanation_can_be_asked_for_again() -> None:
    owner = house()
    owner.fails = True
    answer = client(owner, BEARER).get("/api/v1/explain", params=EXPLAIN)
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "10")

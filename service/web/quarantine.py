"""The quarantine over HTTP: list, one message, counts, send again, purge.

Asks only the `House`. Payloads come from anybody: they leave as text with escapes, never as markup or bytes.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from fastapi import APIRouter, HTTPException, Query
from pydantic import BaseModel, Field

from service.model import BadInput, Chosen, House, Purged, SendAgain, SentAgain
from service.units.times import parse_duration_us, parse_rfc3339
from service.web.paging import ROWS_MAX, Rows
from service.web.problem import later

ID_MAX = 2**63 - 1

Id = Annotated[int, Field(ge=1, le=ID_MAX)]
Person = Annotated[str, Field(min_length=1, max_length=200, description="who orders it; goes on record")]
Code = Annotated[str, Query(max_length=100)]
Topic = Annotated[str, Query(max_length=1000, description="a topic; * stands for any characters")]
Since = Annotated[str, Query(max_length=40, description="received at or after it: RFC 3339 with offset")]


class Again(BaseModel, extra="forbid"):
    """Which messages; all that are kept unless something restricts it. `after` continues an order."""

    who: Person
    ids: Annotated[list[Id], Field(max_length=ROWS_MAX)] = []
    code: Annotated[str, Field(max_length=100)] = ""
    topic: Annotated[str, Field(max_length=1000)] = ""
    since: Annotated[str, Field(max_length=40)] = ""
    after: Annotated[int, Field(ge=0, le=ID_MAX)] = 0


class PurgeOrder(BaseModel, extra="forbid"):
    who: Person
    why: Annotated[str, Field(min_length=1, max_length=1000)]
    older_than: Annotated[str, Field(max_length=40, description="ISO 8601 duration, such as P30D")]


def quarantine_routes(house: House) -> APIRouter:
    routes = APIRouter(prefix="/api/v1/quarantine")

    @routes.get("")
    def quarantine(
        *,
        limit: Rows = 100,
        before: Annotated[int | None, Query(ge=1, le=ID_MAX)] = None,
        state: Literal["kept", "redriven", "any"] = "kept",
        code: Code = "",
        topic: Topic = "",
        since: Since = "",
    ) -> list[dict[str, Any]]:
        """What could not be used, the newest first, with the reason and the beginning of the payload.

        `before` continues a list: give it the last id.
        """
        chosen = _chosen((), code, topic, since)
        state_meant = "" if state == "any" else state
        return [_readable(row) for row in house.quarantine(chosen, state=state_meant, before=before, limit=limit)]

    @routes.get("/counts")
    def counts() -> dict[str, Any]:
        """How many messages are kept, and were sent again, by reason; and the room that they take."""
        return house.quarantine_counts()

    @routes.get("/{number}", responses={404: {"description": "no such message"}})
    def one(number: Id) -> dict[str, Any]:
        """One message with all of its payload that was kept."""
        try:
            return _readable(house.quarantine_one(number))
        except KeyError as error:
            raise HTTPException(404, str(error.args[0])) from None

    _add_orders(routes, house)
    return routes


def _add_orders(routes: APIRouter, house: House) -> None:
    @routes.post("/again", responses={503: {"description": "not possible now; ask again"}})
    def again(order: Again) -> SentAgain:
        """Send kept messages through the same stages again, the oldest first; each goes through once.

        One transaction's share is done: while `left` is not 0, ask again with `after` from the answer.
        """
        chosen = _chosen(tuple(order.ids), order.code, order.topic, order.since)
        try:
            return house.send_again(SendAgain(chosen, order.who, order.after))
        except RuntimeError as error:
            raise later(str(error)) from None

    @routes.post("/purge", responses={503: {"description": "not possible now; ask again"}})
    def purge(order: PurgeOrder) -> Purged:
        """Delete what was received longer ago than `older_than`, used or not. Who and why go on record."""
        try:
            return house.purge_quarantine(parse_duration_us(order.older_than), order.who, order.why)
        except BadInput as error:
            raise HTTPException(422, f"older_than: {error}") from None
        except RuntimeError as error:
            raise later(str(error)) from None


def _chosen(ids: tuple[int, ...], code: str, topic: str, since: str) -> Chosen:
    try:
        return Chosen(ids, code, topic, parse_rfc3339(since) if since else 0)
    except BadInput as error:
        raise HTTPException(422, f"since: {error}") from None


def _readable(row: dict[str, Any]) -> dict[str, Any]:
    """Bytes as text with escapes, since what is in quarantine is often not text; anything else as it is."""
    return {
        key: item.decode("utf-8", "backslashreplace") if isinstance(item, bytes) else item for key, item in row.items()
    }

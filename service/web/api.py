"""The HTTP application: the page, the data, two acts and the live stream.

Asks only the `House`; has no path that writes to equipment. What is open without the token is listed in `access`.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Annotated, Any

import anyio
from fastapi import APIRouter, Depends, FastAPI, Header, HTTPException, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent
from fastapi.staticfiles import StaticFiles
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from pydantic import BaseModel, Field

from service.model import AlarmView, BadConfiguration, BadInput, Health, House
from service.units.times import parse_rfc3339
from service.web import words
from service.web.access import Access, Gate
from service.web.gaps import gap_routes
from service.web.paging import Rows
from service.web.problem import answer_with_problems, later
from service.web.quarantine import quarantine_routes
from service.web.shown import OverviewShown, shown
from service.web.stream import Broadcast, Full

FOLDER = Path(__file__).parent
RETRY_MS = 2000  # how long a browser waits before it asks for the stream again


class TestNotification(BaseModel, extra="forbid"):
    contact: str = Field(min_length=1, max_length=200)


class Reload(BaseModel, extra="forbid"):
    who: str = Field(min_length=1, max_length=200, description="who orders it; goes on record")


class Changes(BaseModel):
    changes: list[str]
    doubts: list[str]


class Queued(BaseModel):
    queued: list[str]


class Said(BaseModel):
    said: str


class Explained(BaseModel):
    answer: str
    sentences: list[str]
    facts: dict[str, Any]


class Alive(BaseModel):
    alive: bool


def create_app(house: House, token: str, allowed_hosts: list[str]) -> FastAPI:
    """The application over a running house; `app.state.broadcast` is the live stream, to be closed before stopping.

    Raises BadConfiguration when the token is too short to be one.
    """
    access = Access(token, allowed_hosts)
    broadcast = Broadcast(house, lambda: _overview(house).model_dump_json())
    app = FastAPI(
        title="dustcake",
        summary="Condition monitoring for pulse-jet dust collectors. Advisory only, not a safety function.",
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/v1/openapi.json",
        lifespan=_lifespan,
    )
    app.state.broadcast = broadcast
    app.add_middleware(Gate, access=access)
    answer_with_problems(app)
    for router in (_health_routes(house), _data_routes(house), _act_routes(house), _stream_routes(broadcast)):
        app.include_router(router)
    app.include_router(quarantine_routes(house))
    app.include_router(gap_routes(house))
    app.include_router(_page_routes(house, access))
    app.mount("/static", StaticFiles(directory=FOLDER / "static"))
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    async with anyio.create_task_group() as tasks:
        tasks.start_soon(app.state.broadcast.run)
        yield
        tasks.cancel_scope.cancel()


def _overview(house: House) -> OverviewShown:
    return shown(house.overview(), house.health())


def _health_routes(house: House) -> APIRouter:
    routes = APIRouter()

    @routes.get("/healthz")
    def healthz() -> Alive:
        """The process answers. Says nothing about the work; see /readyz."""
        return Alive(alive=True)

    @routes.get("/livez", responses={503: {"description": "the pipeline is stuck"}})
    def livez() -> JSONResponse:
        """Whether the pipeline gets on: readings would be taken in and judged. Restart the service when not."""
        found = house.liveness()
        body = {"turning": found.turning, "turned_s_ago": round(found.turned_s_ago, 3), "at_most_s": found.at_most_s}
        return JSONResponse(body, 200 if found.turning else 503)

    @routes.get("/readyz", responses={503: {"description": "not ready; the names of the failed checks"}})
    def readyz() -> JSONResponse:
        """Whether readings are received, recorded and told. Names the failed checks, and no more: it is open."""
        health = house.health()
        failed = [name for name, said in health.checks.items() if said != "ok"]
        return JSONResponse({"ready": health.ready, "failed": failed}, 200 if health.ready else 503)

    @routes.get("/api/v1/health")
    def checks() -> Health:
        """Every check with what it found."""
        return house.health()

    return routes


def _data_routes(house: House) -> APIRouter:
    routes = APIRouter(prefix="/api/v1")

    @routes.get("/overview")
    def overview() -> OverviewShown:
        """All collectors with their points and limits, the active alarms, and the counts."""
        return _overview(house)

    @routes.get("/alarms")
    def alarms(active: bool = True, limit: Rows = 100) -> list[AlarmView]:
        """Alarms, the newest first; only active and held ones unless `active` is false."""
        return house.alarms(active_only=active, limit=limit)

    @routes.get("/history-counts", responses={503: {"description": "the history is not open"}})
    def history_counts() -> dict[str, Any]:
        """How far the history is, and how many readings it has of each journal entry: what `verify` asks."""
        try:
            return house.history_counts()
        except RuntimeError as error:
            raise later(str(error)) from None

    @routes.get("/explain", responses={404: {"description": "no such alarm, or no such limit"}})
    def explain(
        alarm: str | None = None,
        collector: str | None = None,
        point: str | None = None,
        limit: str | None = None,
        at: str | None = None,
    ) -> Explained:
        """Why an alarm was raised (`alarm`), or why a limit's was or was not active at an instant (the others)."""
        try:
            return Explained.model_validate(_explained(house, alarm, (collector, point, limit, at)))
        except KeyError as error:
            raise HTTPException(404, str(error.args[0])) from None
        except BadInput as error:
            raise HTTPException(422, str(error)) from None
        except RuntimeError as error:  # the history is being opened or rebuilt
            raise later(str(error)) from None

    return routes


def _explained(house: House, alarm: str | None, place: tuple[str | None, ...]) -> dict[str, Any]:
    given = [part for part in place if part is not None]
    if alarm is not None and not given:
        return house.explain_alarm(alarm)
    if alarm is not None or len(given) != len(place):
        raise BadInput("explain: expected either `alarm`, or all of `collector`, `point`, `limit` and `at`; give those")
    collector, point, limit, at = given
    return house.explain_instant(collector, point, limit, parse_rfc3339(at))


def _act_routes(house: House) -> APIRouter:
    routes = APIRouter(prefix="/api/v1")

    @routes.post("/test-notification", status_code=202)
    def test_notification(order: TestNotification) -> Queued:
        """Queue a test notification to every channel of one contact."""
        try:
            return Queued(queued=house.send_test(order.contact))
        except KeyError:
            raise HTTPException(
                404, f"there is no contact {order.contact!r} in the plant file; use the id of a [[contact]]"
            ) from None
        except RuntimeError as error:  # no room for it, or the service is stopping
            raise later(str(error)) from None

    @routes.post("/sources/reload")
    def reload_sources(order: Reload) -> Changes:
        """Take up the sources file as it is now: all of it, or, with 422 and the reasons, nothing."""
        try:
            said = house.reload_sources(order.who)
            return Changes(changes=said.changes, doubts=said.doubts)
        except BadConfiguration as error:
            raise HTTPException(422, str(error)) from None
        except RuntimeError as error:  # no room for the order, or the service is stopping
            raise later(str(error)) from None

    @routes.post("/rebuild", status_code=202)
    def rebuild() -> Said:
        """Set the history aside and build it anew from the journal and the archive."""
        return Said(said=house.rebuild_history())

    return routes


def _stream_routes(broadcast: Broadcast) -> APIRouter:
    routes = APIRouter(prefix="/api/v1")

    async def place() -> AsyncIterator[None]:
        try:
            with broadcast.place():
                yield
        except Full as full:
            raise later(f"{full}; close one") from None

    @routes.get("/events", response_class=EventSourceResponse, dependencies=[Depends(place)])
    async def events(last_event_id: Annotated[str, Header()] = "") -> AsyncIterator[ServerSentEvent]:
        """The overview whenever it changes, at most twice a second, and every five seconds in any case."""
        async for message in broadcast.messages(last_event_id):
            yield ServerSentEvent(event="overview", id=message.id, raw_data=message.body, retry=RETRY_MS)

    return routes


def _page_routes(house: House, access: Access) -> APIRouter:
    routes = APIRouter(include_in_schema=False)
    templates = Environment(
        loader=FileSystemLoader(FOLDER / "templates"),
        autoescape=True,  # names come from files and from the broker
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )

    @routes.get("/")
    def page(request: Request, key: str | None = None) -> Response:
        """The page; with `key` it sets the cookie and leaves the key out of the address bar."""
        if key is not None and access.by_key(key):
            return _let_in(request, access)
        if not request.state.allowed:
            text = templates.get_template("locked.html").render(wrong=key is not None)
            return HTMLResponse(text, 401)
        text = templates.get_template("page.html").render(seen=_overview(house), safety=words.SAFETY)
        return HTMLResponse(text)

    return routes


def _let_in(request: Request, access: Access) -> Response:
    answer = RedirectResponse("/", 303)
    answer.set_cookie(
        access.cookie_name,
        access.cookie_value,
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
        path="/",
    )
    return answer

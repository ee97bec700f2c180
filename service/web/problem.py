"""Errors as RFC 9457 problem documents. Never carries a traceback, a path of the server or a secret."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException


def problem(status: int, detail: str, headers: dict[str, str] | None = None, **members: Any) -> JSONResponse:
    """A problem of the default type: its title is the status phrase, `detail` is what a person needs to know."""
    body = {"type": "about:blank", "title": HTTPStatus(status).phrase, "status": status, "detail": detail}
    return JSONResponse(body | members, status_code=status, headers=headers, media_type="application/problem+json")


def later(detail: str) -> HTTPException:
    """What cannot be done now, and may be asked for again soon."""
    return HTTPException(503, detail, {"Retry-After": "10"})


def answer_with_problems(app: FastAPI) -> None:
    """Make every error of the application a problem document."""

    @app.exception_handler(HTTPException)
    def _refused(_: Request, error: HTTPException) -> JSONResponse:
        return problem(error.status_code, str(error.detail), dict(error.headers or {}))

    @app.exception_handler(RequestValidationError)
    def _invalid(_: Request, error: RequestValidationError) -> JSONResponse:
        faults = [{"at": ".".join(map(str, one["loc"])), "fault": one["msg"]} for one in error.errors()]
        return problem(422, "the request does not have the form that openapi.json describes", faults=faults)

    @app.exception_handler(Exception)
    def _broken(_: Request, __: Exception) -> JSONResponse:
        return problem(500, "the service failed to answer; its log says why")

"""`dustcake quarantine`: what could not be used, and why."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any

from cyclopts import Parameter
from cyclopts.validators import Number

from service.cli.daemon import Daemon, Reach
from service.cli.output import say_json, table


def quarantine(
    *,
    reach: Reach | None = None,
    limit: Annotated[int, Parameter(validator=Number(gte=1, lte=1000))] = 100,
    json: bool = False,
) -> None:
    """List the messages that could not be used, the newest first, each with its reason.

    Parameters
    ----------
    limit
        At most so many.
    json
        Print JSON for programs, with the payloads.
    """
    rows = Daemon.at(reach or Reach()).get("/api/v1/quarantine", limit=limit)
    if json:
        say_json(rows)
    else:
        table(("received (UTC)", "topic", "code", "reason"), [_row(row) for row in rows])


def _row(row: dict[str, Any]) -> list[Any]:
    received = row.get("received_us")
    at = f"{datetime.fromtimestamp(received / 1e6, UTC):%Y-%m-%d %H:%M:%S}" if isinstance(received, int) else received
    return [at, row.get("topic"), row.get("code"), row.get("reason")]

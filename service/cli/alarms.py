"""`dustcake alarms`: what is in alarm."""

from __future__ import annotations

from typing import Annotated, Any

from cyclopts import Parameter
from cyclopts.validators import Number

from service.cli.daemon import Daemon, Reach
from service.cli.output import say_json, table

HEADINGS = ("state", "priority", "collector", "point", "limit", "raised (UTC)", "threshold", "extreme", "told")


def alarms(
    *,
    reach: Reach | None = None,
    every: Annotated[bool, Parameter(name="--all")] = False,
    limit: Annotated[int, Parameter(validator=Number(gte=1, lte=1000))] = 100,
    json: bool = False,
) -> None:
    """List the active alarms.

    Parameters
    ----------
    every
        Also those that are over.
    limit
        At most so many, the newest first.
    json
        Print JSON for programs.
    """
    found = Daemon.at(reach or Reach()).get("/api/v1/alarms", active=not every, limit=limit)
    if json:
        say_json(found)
    else:
        table(HEADINGS, [_row(one) for one in found])


def _row(one: dict[str, Any]) -> list[str]:
    told = ", ".join(f"{entry.get('contact')} by {entry.get('channel')}: {entry.get('state')}" for entry in one["told"])
    return [
        one["state"],
        one["priority"],
        one["collector"],
        one["point"],
        one["limit"],
        one["raised_at"][:19].replace("T", " "),
        _value(one["threshold"], one["unit"]),
        _value(one["extreme"], one["unit"]),
        told or "nobody yet",
    ]


def _value(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:.4g} {unit}".rstrip()

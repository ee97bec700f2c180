"""`dustcake explain`: why there was an alarm, or why there was none."""

from __future__ import annotations

from service.cli.daemon import Daemon, Reach
from service.cli.failure import Exit, Failure
from service.cli.output import plain, say, say_json


def explain(
    alarm: str | None = None,
    *,
    collector: str | None = None,
    point: str | None = None,
    limit: str | None = None,
    at: str | None = None,
    reach: Reach | None = None,
    json: bool = False,
) -> None:
    """Say why an alarm was raised, or why a limit's alarm was or was not active at an instant.

    Parameters
    ----------
    alarm
        Id of an alarm, as `alarms --json` prints it.
    collector
        Without an alarm: id of the collector.
    point
        Name of the point.
    limit
        low-low, low, high or high-high.
    at
        The instant, RFC 3339 with offset, such as 2026-11-25T04:10:00Z.
    json
        Print JSON for programs, with the facts behind the sentences.
    """
    place = {"collector": collector, "point": point, "limit": limit, "at": at}
    given = {name: text for name, text in place.items() if text is not None}
    if bool(given) is (alarm is not None) or (given and len(given) < len(place)):
        raise Failure(Exit.USAGE, "give either the id of an alarm, or all of --collector, --point, --limit and --at")
    query = {"alarm": alarm} if alarm is not None else given
    found = Daemon.at(reach or Reach()).get("/api/v1/explain", **query)
    if json:
        say_json(found)
        return
    say(plain(found["answer"]))
    for sentence in found["sentences"]:
        say(f"- {plain(sentence)}")

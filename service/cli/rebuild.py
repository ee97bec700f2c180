"""`dustcake rebuild`: build the history anew."""

from __future__ import annotations

from service.cli.daemon import Daemon, Reach
from service.cli.output import say, say_json


def rebuild(*, reach: Reach | None = None, json: bool = False) -> None:
    """Set the history aside and build it anew from the journal. The record itself is not touched.

    Parameters
    ----------
    json
        Print JSON for programs.
    """
    answer = Daemon.at(reach or Reach()).post("/api/v1/rebuild", {})
    if json:
        say_json(answer)
    else:
        say(answer["said"])

"""`dustcake reload`: take up the sources file anew."""

from __future__ import annotations

from service.cli.account import account
from service.cli.daemon import Daemon, Reach
from service.cli.output import plain, say, say_json


def reload(*, who: str = "", reach: Reach | None = None, json: bool = False) -> None:
    """Take up the sources file as it is now: all of it, or, when something in it is wrong, nothing.

    Parameters
    ----------
    who
        Who orders it, for the record; the name of the account unless given.
    json
        Print JSON for programs.
    """
    answer = Daemon.at(reach or Reach()).post("/api/v1/sources/reload", {"who": who or account()})
    if json:
        say_json(answer)
        return
    say(f"in force, {len(answer['changes'])} changed" if answer["changes"] else "nothing has changed")
    for line in answer["changes"]:
        say(f"- {plain(line)}")
    if answer["doubts"]:
        say("and yet this will bring nothing:")
    for line in answer["doubts"]:
        say(f"- {plain(line)}")

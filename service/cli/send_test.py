"""`dustcake test-notification`: see that a contact can be reached before an alarm has to."""

from __future__ import annotations

from service.cli.daemon import Daemon, Reach
from service.cli.output import plain, say, say_json


def send_test(contact: str, *, reach: Reach | None = None, json: bool = False) -> None:
    """Send a test notification to every channel of one contact.

    Parameters
    ----------
    contact
        Id of a [[contact]] in the plant file.
    json
        Print JSON for programs.
    """
    answer = Daemon.at(reach or Reach()).post("/api/v1/test-notification", {"contact": contact})
    if json:
        say_json(answer)
    else:
        say(f"{len(answer['queued'])} queued: {', '.join(plain(key) for key in answer['queued'])}")
        say("The page of the service and its log say whether the channels accept them.")

"""`dustcake status`: is the daemon ready, and where is its page?"""

from __future__ import annotations

from service.cli.daemon import Daemon, Reach
from service.cli.failure import Exit
from service.cli.output import plain, say, say_json


def status(*, reach: Reach | None = None, json: bool = False) -> int:
    """Say whether the daemon is ready, and print the link of its page.

    Ends with 0 when it is ready, 3 when it is not, 4 when no daemon answers.

    Parameters
    ----------
    json
        Print JSON for programs.
    """
    daemon = Daemon.at(reach or Reach())
    health, seen = daemon.get("/api/v1/health"), daemon.get("/api/v1/overview")
    needs = {one["need"]: one["count"] for one in seen["needs"]}
    if json:
        say_json({**health, "collectors": needs, "alarms": len(seen["alarms"]), "page": daemon.page})
    else:
        say("ready" if health["ready"] else "NOT READY")
        for name, said in health["checks"].items():
            say(f"  {name}: {plain(said)}")
        clock = f" ({plain(seen['clock'])})" if seen["clock"] else ""
        say(f"{plain(seen['enterprise'])}, {seen['now_says']}{clock}")
        say("collectors: " + ", ".join(f"{count} {need}" for need, count in needs.items()))
        say(f"active alarms: {len(seen['alarms'])}")
        say(f"page: {daemon.page}")
    return Exit.OK if health["ready"] else Exit.NOT_READY

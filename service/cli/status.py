"""`dustcake status`: is the daemon ready, and where is its page?"""

from __future__ import annotations

from typing import Any

from service.cli.alive import alive
from service.cli.daemon import Daemon, Reach
from service.cli.failure import Exit
from service.cli.output import instant, plain, say, say_json

RANGES_SAID = 5  # of one gateway


def status(*, reach: Reach | None = None, max_age: float | None = None, json: bool = False) -> int:
    """Say whether the daemon is ready, and print the link of its page.

    Ends with 0 when it is ready, 3 when it is not, 4 when no daemon answers.

    Parameters
    ----------
    max_age
        For cron: only look, without asking the daemon, whether it gave a sign of getting on in the last so many
        seconds. Ends with 0 when it did, 3 when it did not, 4 when there is no sign at all.
    json
        Print JSON for programs.
    """
    if max_age is not None:
        return alive(reach or Reach(), max_age, json=json)
    daemon = Daemon.at(reach or Reach())
    health, seen = daemon.get("/api/v1/health"), daemon.get("/api/v1/overview")
    gaps, kept = daemon.get("/api/v1/gaps", limit=1000), daemon.get("/api/v1/quarantine/counts")["codes"]
    needs = {one["need"]: one["count"] for one in seen["needs"]}
    if json:
        found = {"collectors": needs, "alarms": len(seen["alarms"]), "gateways": gaps["gateways"], "quarantine": kept}
        say_json({**health, **found, "page": daemon.page})
    else:
        say("ready" if health["ready"] else "NOT READY")
        for name, said in health["checks"].items():
            say(f"  {name}: {plain(said)}")
        clock = f" ({plain(seen['clock'])})" if seen["clock"] else ""
        say(f"{plain(seen['enterprise'])}, {seen['now_says']}{clock}")
        say("collectors: " + ", ".join(f"{count} {need}" for need, count in needs.items()))
        say(f"active alarms: {len(seen['alarms'])}")
        for one in gaps["gateways"]:
            if one["missing"] or one["numbering"] == "not numbered":
                say(f"messages of {plain(one['gateway'])}: {plain(_said(one, gaps['gaps']))}")
        if waiting := [one for one in kept if one["kept"]]:
            say(f"in quarantine: {_counted(waiting)}; see dustcake quarantine")
        say(f"page: {daemon.page}")
    return Exit.OK if health["ready"] else Exit.NOT_READY


def _counted(codes: list[dict[str, Any]]) -> str:
    """Such as "97 unit-refused, last 2026-11-25 08:00:00 UTC"."""
    last = instant(max(one["last_received_us"] for one in codes))
    return ", ".join(f"{one['kept']} {plain(one['code'])}" for one in codes) + f", the last {last} UTC"


def _said(one: dict[str, Any], gaps: list[dict[str, Any]]) -> str:
    """Such as "3 missing (b41f 11-12, b41f 30)"."""
    if one["numbering"] == "not numbered":
        return "not numbered, so that a lost one is not seen"
    own = [gap for gap in gaps if gap["gateway"] == one["gateway"]]
    ranges = [f"{gap['boot']} {_numbers(gap)}".strip() for gap in own[:RANGES_SAID]]
    return f"{one['missing']} missing ({', '.join(ranges)}{', and more' if len(own) > RANGES_SAID else ''})"


def _numbers(gap: dict[str, Any]) -> str:
    return f"{gap['first']}-{gap['last']}" if gap["last"] > gap["first"] else str(gap["first"])

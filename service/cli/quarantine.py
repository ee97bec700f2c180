"""`dustcake quarantine`: what could not be used, and why; sending it again; deleting what is old.

Payloads and reasons quote what anybody has sent: nothing of them reaches a terminal unescaped.
"""

from __future__ import annotations

from typing import Annotated, Any

from cyclopts import App, Parameter
from cyclopts.validators import Number

from service.cli.account import account
from service.cli.daemon import Daemon, Reach
from service.cli.failure import Exit, Failure
from service.cli.output import instant, plain, say, say_json, table

PATH = "/api/v1/quarantine"
STATES = {"redriven": "gone through"}  # as people read it
HEADINGS = ("id", "state", "received (UTC)", "topic", "code", "reason")
TOLD = {
    "through": "gone through: all of their readings are in the record",
    "still_kept": "refused again, whole or in part, and kept with the new reason",
    "cut": "left alone: only the beginning was kept, the gateway has to send them again",
    "status": "left alone: births and wills of gateways, whose moment has passed",
}
READINGS = ("new", "duplicate", "late", "refused")

verbs = App(name="quarantine")
Rows = Annotated[int, Parameter(validator=Number(gte=1, lte=1000))]


@verbs.default
def listed(
    *,
    reach: Reach | None = None,
    code: str = "",
    topic: str = "",
    since: str = "",
    every: Annotated[bool, Parameter(name="--all")] = False,
    before: Annotated[int | None, Parameter(validator=Number(gte=1))] = None,
    limit: Rows = 100,
    json: bool = False,
) -> None:
    """List the messages that could not be used, the newest first, each with its reason.

    Parameters
    ----------
    code
        Only those with this code, as `quarantine counts` lists them.
    topic
        Only those of this topic; * stands for any characters.
    since
        Only those received at or after it, RFC 3339 with offset, such as 2026-11-25T04:10:00Z.
    every
        Also those that have gone through since.
    before
        Continue a list: only ids below this one.
    limit
        At most so many.
    json
        Print JSON for programs, with the beginning of each payload.
    """
    query = _given(code=code, topic=topic, since=since, before=before)
    rows = Daemon.at(reach or Reach()).get(PATH, limit=limit, state="any" if every else "kept", **query)
    if json:
        say_json(rows)
    else:
        table(HEADINGS, [_row(row) for row in rows])


@verbs.command
def show(number: int, *, reach: Reach | None = None, json: bool = False) -> None:
    """Show one message: where it came from, the whole reason, and the payload with escapes.

    Parameters
    ----------
    number
        Its id.
    json
        Print JSON for programs.
    """
    row = Daemon.at(reach or Reach()).get(f"{PATH}/{number}")
    if json:
        say_json(row)
        return
    settled = f" at {instant(row['settled_us'])}" if row["settled_us"] else ""
    say(f"message {row['id']}, {plain(row['code'])}, {STATES.get(row['state'], row['state'])}{settled}")
    say(f"received {instant(row['received_us'])} on {escaped(row['topic'])}")
    if row["publisher"]:
        say(f"published by {plain(row['publisher'])}, as the broker says")
    say(f"{row['size']} bytes, {row['kept_bytes']} of them kept")
    say(escaped(row["reason"]))
    if row["payload"]:
        say()
        say(escaped(row["payload"]))


@verbs.command
def counts(*, reach: Reach | None = None, json: bool = False) -> None:
    """Count the messages by the reason why they could not be used.

    Parameters
    ----------
    json
        Print JSON for programs.
    """
    found = Daemon.at(reach or Reach()).get(f"{PATH}/counts")
    if json:
        say_json(found)
        return
    rows = [
        [row["code"], row["kept"], row["redriven"], row["bytes"], instant(row["first_received_us"]),
         instant(row["last_received_us"])]
        for row in found["codes"]
    ]  # fmt: skip
    table(("code", "kept", "gone through", "bytes", "first (UTC)", "last (UTC)"), rows)
    say(f"{found['bytes']} of {found['bytes_at_most']} bytes")


@verbs.command
def again(
    *ids: int,
    reach: Reach | None = None,
    code: str = "",
    topic: str = "",
    since: str = "",
    every: Annotated[bool, Parameter(name="--all")] = False,
    who: str = "",
    json: bool = False,
) -> None:
    """Send kept messages through the service again, once what refused them is mended.

    Each goes through once, however often it is asked for. What is refused again stays, with the new reason. Readings
    older than the last one of their point are late: stored, and not evaluated.

    Parameters
    ----------
    ids
        Ids of messages; without, the options choose.
    code
        Those with this code.
    topic
        Those of this topic; * stands for any characters.
    since
        Those received at or after it, RFC 3339 with offset.
    every
        All that are kept.
    who
        Who orders it, for the record; the name of the account unless given.
    json
        Print JSON for programs.
    """
    chosen = _given(ids=list(ids), code=code, topic=topic, since=since)
    if bool(chosen) is every:
        raise Failure(Exit.USAGE, "say which: ids, --code, --topic, --since; or --all, alone, for all that are kept")
    daemon = Daemon.at(reach or Reach())
    order = chosen | {"who": who or account()}
    answer = daemon.post(f"{PATH}/again", order)
    total = dict(answer)
    while answer["left"]:
        answer = daemon.post(f"{PATH}/again", order | {"after": answer["after"]})
        total = {key: answer[key] if key in ("after", "left") else total[key] + answer[key] for key in answer}
    if json:
        say_json(total)
    else:
        _say_sent(total, len(set(ids)))


@verbs.command
def purge(*, older_than: str, why: str, who: str = "", reach: Reach | None = None, json: bool = False) -> None:
    """Delete the messages that were received longer ago than that, used or not. It goes on record.

    Parameters
    ----------
    older_than
        ISO 8601 duration, such as P30D.
    why
        The reason, for the record.
    who
        Who orders it, for the record; the name of the account unless given.
    json
        Print JSON for programs.
    """
    order = {"older_than": older_than, "why": why, "who": who or account()}
    found = Daemon.at(reach or Reach()).post(f"{PATH}/purge", order)
    if json:
        say_json(found)
        return
    say(f"{found['messages']} deleted, {found['never_used']} of them never used; {found['bytes']} bytes of room")
    for name, count in sorted(found["codes"].items()):
        say(f"- {count} {plain(name)}")


def escaped(text: str) -> str:
    """Text on as many lines as it has, with everything that could steer a terminal as an escape."""
    return "".join(
        each if each.isprintable() or each == "\n" else each.encode("unicode_escape").decode() for each in text
    )


def _say_sent(total: dict[str, Any], asked_for: int) -> None:
    say(f"{total['messages']} messages")
    for key, words in TOLD.items():
        if total[key]:
            say(f"- {total[key]} {words}")
    if total["messages"] < asked_for:
        say(f"- {asked_for - total['messages']} of the ids are not kept: gone through before, purged, or never there")
    say("readings: " + ", ".join(f"{total[key]} {key}" for key in READINGS))


def _given(**options: Any) -> dict[str, Any]:
    return {name: value for name, value in options.items() if value}


def _row(row: dict[str, Any]) -> list[Any]:
    received = row.get("received_us")
    return [row.get("id"), row.get("state"), instant(received), row.get("topic"), row.get("code"), row.get("reason")]

"""The demo on a terminal: what a newcomer has to see, in the order of reading. Draws only what it is handed."""

from __future__ import annotations

from typing import Any

from rich.console import Group, RenderableType
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from service.cli.demo.story import Story
from service.cli.output import plain

NEEDS = {
    "alarm": ("▲ ALARM", "bold red"),
    "pending": ("◐ pending", "bold"),
    "no data": ("? no data", "italic"),
    "quiet": ("· quiet", "dim"),
}
STATES = ("active", "held", "pending", "unknown", "normal")
LOG_LINES = 8
MAIL_LINES = 6


def draw(seen: dict[str, Any] | None, story: Story, page: str) -> RenderableType:
    """The whole screen."""
    parts: list[RenderableType] = [_head(seen, page)]
    if seen is not None:
        parts += [_collectors(seen), _alarms(seen)]
    parts.append(_mailbox(story))
    parts.append(
        Panel(
            Text("\n".join(plain(line) for line in story.lines[-LOG_LINES:])), title="what happened", title_align="left"
        )
    )
    parts.append(Text("Ctrl-C stops the demo and everything it started.", style="dim"))
    return Group(*parts)


def _head(seen: dict[str, Any] | None, page: str) -> RenderableType:
    text = Text()
    text.append("Open the page: ", "bold")
    text.append(page, f"underline link {page}")
    if seen is None:
        text.append("\nstarting: broker, mailbox, service, plant")
    else:
        text.append(f"\n{plain(seen['enterprise'])}   {seen['now_says']}   {plain(seen['clock'])}")
    return text


def _collectors(seen: dict[str, Any]) -> RenderableType:
    drawn = Table(box=None, pad_edge=False, header_style="dim", expand=True)
    for heading in ("", "collector", "runs", "most pressing point", "its limit"):
        drawn.add_column(heading, overflow="fold")
    for collector in seen["collectors"]:
        word, style = NEEDS[collector["need"]]
        point, limit = pressing(collector)
        drawn.add_row(
            Text(word, style),
            Text(plain(collector["name"])),
            Text(plain(collector["running_says"])),
            Text(plain(f"{point['name']} {point['says']}, {point['note']}") if point else ""),
            Text(plain(f"{limit['head']}: {limit['says']}") if limit else ""),
        )
    return drawn


def pressing(collector: dict[str, Any]) -> tuple[dict[str, Any] | None, dict[str, Any] | None]:
    """The point and the limit that deserve the one line: the worst state first, then the most of its delay counted."""
    pairs = [(point, limit) for point in collector["points"] for limit in point["limits"]]
    if not pairs:
        return (collector["points"][0] if collector["points"] else None), None
    return min(pairs, key=lambda pair: (STATES.index(pair[1]["state"]), -pair[1]["share"]))


def _alarms(seen: dict[str, Any]) -> RenderableType:
    if not seen["alarms"]:
        return Text("No alarm is active.", style="dim")
    lines = Text()
    for one in seen["alarms"]:
        lines.append(f"▲ {plain(one['what'])}", "bold red")
        lines.append(f"  {plain(one['where'])}, {one['since']}\n  {plain(one['why'])}\n")
        lines.append("".join(f"  told: {plain(told['says'])}\n" for told in one["told"]))
    lines.rstrip()
    return Panel(lines, title="active alarms", title_align="left")


def _mailbox(story: Story) -> RenderableType:
    if not story.mails:
        return Text("The local mailbox is empty.", style="dim")
    mail = story.mails[-1]
    text = Text()
    text.append(plain(mail.subject) + "\n", "bold")
    text.append("\n".join(plain(line) for line in mail.lines[:MAIL_LINES]))
    title = f"newest of {len(story.mails)} emails in the local mailbox, to {plain(mail.to)}; {story.hooks} webhooks"
    return Panel(text, title=title, title_align="left")

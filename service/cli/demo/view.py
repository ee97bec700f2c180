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
ROOMY_LINES = 36  # a terminal with fewer lines gets the short form


def draw(seen: dict[str, Any] | None, story: Story, page: str, height_lines: int = ROOMY_LINES) -> RenderableType:
    """The whole screen; a low terminal gets fewer alarms and fewer lines of each part."""
    alarms, mail_lines, log_lines = (3, 6, 8) if height_lines >= ROOMY_LINES else (1, 2, 3)
    parts: list[RenderableType] = [_head(seen, page)]
    if seen is not None:
        parts += [_collectors(seen), _alarms(seen["alarms"], alarms)]
    parts.append(_mailbox(story, mail_lines))
    parts.append(_panel("what happened", Text("\n".join(plain(line) for line in story.lines[-log_lines:]))))
    parts.append(Text("Ctrl-C stops the demo and everything it started.", style="dim"))
    return Group(*parts)


def _panel(title: str, text: Text) -> Panel:
    """One line of the screen per line of the text, so that the height is known."""
    text.no_wrap, text.overflow = True, "ellipsis"
    return Panel(text, title=title, title_align="left")


def _head(seen: dict[str, Any] | None, page: str) -> RenderableType:
    text = Text()
    text.append("Open the page: ", "bold")
    text.append(page, f"underline link {page}")
    if seen is None:
        text.append("\nstarting: broker, mailbox, service, plant")
    else:
        text.append(f"\n{plain(seen['enterprise'])}   {seen['now_says']}   {plain(seen['clock'])}")
    return text


NAME_CHARACTERS = 24  # of a collector's name are kept however narrow the terminal is


def _collectors(seen: dict[str, Any]) -> RenderableType:
    drawn = Table(box=None, pad_edge=False, header_style="dim", expand=True)
    names = max((len(collector["name"]) for collector in seen["collectors"]), default=0)
    for heading, least in (("", 9), ("collector", min(names, NAME_CHARACTERS)), ("runs", 8)):
        drawn.add_column(heading, overflow="ellipsis", no_wrap=True, min_width=least)
    for heading in ("most pressing point", "its limit"):
        drawn.add_column(heading, overflow="ellipsis", no_wrap=True)
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


def _alarms(alarms: list[dict[str, Any]], shown: int) -> RenderableType:
    """The newest alarms: what, where, why, and who has been told."""
    if not alarms:
        return Text("No alarm is active.", style="dim")
    text = Text()
    for one in sorted(alarms, key=lambda each: str(each["raised_at"]), reverse=True)[:shown]:
        text.append(f"▲ {plain(one['what'])}", "bold red")
        text.append(f"  {plain(one['where'])}, {one['since']}\n  {plain(one['why'])}\n")
        told = [f"{each['contact']} by {each['channel']}" for each in one["told"] if each["done"]]
        text.append(f"  told: {plain(', '.join(told)) or 'nobody yet'}\n")
    text.rstrip()
    return _panel(f"{len(alarms)} active alarms, the newest first", text)


def _mailbox(story: Story, lines: int) -> RenderableType:
    if not story.mails:
        return Text("The local mailbox is empty.", style="dim")
    mail = story.mails[-1]
    text = Text(plain(mail.subject) + "\n", "bold")
    text.append("\n".join(plain(line) for line in mail.lines[:lines]), "not bold")
    return _panel(
        f"newest of {len(story.mails)} emails in the local mailbox, to {plain(mail.to)}; {story.hooks} webhooks", text
    )

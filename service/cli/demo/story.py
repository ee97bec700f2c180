"""What happens in the demo, told once each. Pure: is handed what the daemon and the mailbox show, and the time."""

from __future__ import annotations

from dataclasses import dataclass, field
from email import message_from_bytes, policy
from typing import Any

LINES_SHOWN = 8
TELL_SHARE = 0.1  # of a delay: less comes and goes on any noisy value, and would bury the rest


@dataclass(frozen=True, slots=True)
class Mail:
    """One delivered email: to whom, its subject and its first lines."""

    to: str
    subject: str
    lines: tuple[str, ...]


def read_mail(content: bytes) -> Mail:
    """An email as the mailbox has stored it."""
    message = message_from_bytes(content, policy=policy.default)
    body = message.get_body(("plain",))
    text = body.get_content() if body is not None else ""
    lines = [line.rstrip() for line in text.splitlines() if line.strip()]
    to = message["Delivered-To"] or message["To"] or ""
    return Mail(str(to), str(message["Subject"] or ""), tuple(lines[:LINES_SHOWN]))


@dataclass(slots=True)
class Story:
    """All that was told so far. Times are wall seconds since the demo's start."""

    lines: list[str] = field(default_factory=list)
    mails: list[Mail] = field(default_factory=list)
    hooks: int = 0
    alarms: int = 0
    first_value_s: float | None = None
    first_alarm_s: float | None = None
    first_delivered_s: float | None = None
    _links: dict[str, str] = field(default_factory=dict)
    _pending: set[tuple[str, str, str]] = field(default_factory=set)
    _active: dict[str, dict[str, Any]] = field(default_factory=dict)

    def hear(self, seen: dict[str, Any], elapsed_s: float) -> list[str]:
        """What is new in an overview; the new lines."""
        new: list[str] = []
        if self.first_value_s is None and any(p["known"] for c in seen["collectors"] for p in c["points"]):
            self.first_value_s = elapsed_s
            new.append("first value received, converted and recorded")
        for collector in seen["collectors"]:
            new += self._link(collector)
            new += self._limits(collector)
        new += self._alarms(seen["alarms"], elapsed_s)
        return self._tell(new, elapsed_s)

    def deliver(self, mails: list[Mail], hooks: int, elapsed_s: float) -> list[str]:
        """Take over newly delivered emails, and how many webhooks there are by now; the new lines."""
        new = [f'email delivered to {mail.to}: "{mail.subject}"' for mail in mails]
        if hooks > self.hooks:
            new.append(f"webhook delivered, signature verified ({hooks} so far)")
        if new and self.first_delivered_s is None:
            self.first_delivered_s = elapsed_s
        self.mails += mails
        self.hooks = max(hooks, self.hooks)
        return self._tell(new, elapsed_s)

    def summary(self) -> dict[str, Any]:
        """The figures of the run; None where a thing did not happen."""
        return {
            "first_value_s": self.first_value_s,
            "first_alarm_s": self.first_alarm_s,
            "first_delivered_s": self.first_delivered_s,
            "alarms": self.alarms,
            "emails": len(self.mails),
            "hooks": self.hooks,
        }

    def _tell(self, new: list[str], elapsed_s: float) -> list[str]:
        told = [f"{elapsed_s:6.1f} s  {line}" for line in new]
        self.lines += told
        return told

    def _link(self, collector: dict[str, Any]) -> list[str]:
        before = self._links.get(collector["gateway"], collector["gateway_link"])
        self._links[collector["gateway"]] = collector["gateway_link"]
        return [f"{collector['name']}: {collector['link_says']}"] if before != collector["gateway_link"] else []

    def _limits(self, collector: dict[str, Any]) -> list[str]:
        new = []
        for point in collector["points"]:
            for limit in point["limits"]:
                key = (collector["id"], point["name"], limit["limit"])
                pending = limit["state"] == "pending" and limit["share"] >= TELL_SHARE
                if pending and key not in self._pending:
                    new.append(
                        f"{collector['name']}: {point['name']} {limit['head']}: {limit['says']} (now {point['says']})"
                    )
                elif key in self._pending and limit["state"] == "normal":
                    new.append(f"{collector['name']}: {point['name']} back within {limit['head']}, no alarm")
                if pending or limit["state"] != "pending":
                    (self._pending.add if pending else self._pending.discard)(key)
        return new

    def _alarms(self, alarms: list[dict[str, Any]], elapsed_s: float) -> list[str]:
        now = {one["id"]: one for one in alarms}
        new = [
            f"ALARM {one['where']}: {one['what']} ({one['why']})" for key, one in now.items() if key not in self._active
        ]
        self.alarms += len(new)
        if new and self.first_alarm_s is None:
            self.first_alarm_s = elapsed_s
        gone = [f"over: {one['where']}: {one['what']}" for key, one in self._active.items() if key not in now]
        self._active = now
        return new + gone

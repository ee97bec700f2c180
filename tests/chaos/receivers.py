"""Receivers that refuse, hang, redirect and ask for patience, a webhook and a mail server, and one that is gone.

Each must be told once, in the end.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from email import message_from_bytes
from pathlib import Path

from tests import parts
from tests.chaos.hook import OK, Answer, Hook
from tests.chaos.outcome import Outcome
from tests.chaos.rig import Rig, rig
from tests.service.notify.servers import Mailbox, smtp_server

PATIENCE_S = 3  # Retry-After: longer than the first waits of the daemon's own
GONE = """[channels.gone]
kind = "webhook"
url = "http://127.0.0.1:{port}/"
timeout_s = 5
"""
MAIL = """[channels.mail]
kind = "email"
host = "127.0.0.1"
port = {port}
security = "none"
sender = "dustcake@alder-pike.example"
timeout_s = 5
"""
OTHERS = """
[[contact]]
id = "past"
name = "Past"
via = [{ channel = "gone" }]
[[contact]]
id = "shift"
name = "Shift"
via = [{ channel = "mail", to = "shift@alder-pike.example" }]
"""
# What the mail server does meanwhile, by the fields of `Mailbox`.
MAIL_WAYS: tuple[dict[str, str], ...] = (
    {"mail_reply": "421 closing, come again"},
    {"rcpt_reply": "451 busy"},
    {"data_reply": "452 no room"},
    {"hang_at": "DATA"},  # it has the message, and does not say so
    {"hang_at": "RCPT"},
)
MAIL_WELL = {"mail_reply": "", "rcpt_reply": "", "data_reply": "250 OK", "hang_at": ""}


def receivers(folder: Path, *, count: int, seed: int, say: Callable[[str], None]) -> Outcome:
    """`count` rounds through the table of bad answers, each under load; the daemon killed in every other one."""
    outcome, mailbox = Outcome("receivers", count), Mailbox()
    elsewhere, gone = Hook(), Hook()
    gone.answer = lambda _id: (410, {})
    ways: dict[str, Callable[[str], Answer]] = {
        "redirects": lambda _id: (302, {"location": f"http://127.0.0.1:{elsewhere.port}/"}),
        "answers 500": lambda _id: (500, {}),
        "hangs": _hang,
        "asks for patience": lambda _id: (429, {"retry-after": str(PATIENCE_S)}),
        "answers 503": lambda _id: (503, {}),
    }
    with smtp_server(mailbox) as port, _rig(folder, outcome, seed, gone.port, port) as plant:
        plant.begin()
        parts.wait_until(lambda: plant.hook.came, "the first notification is there")
        for number in range(count):
            name, answer = list(ways.items())[number % len(ways)]
            before = len(plant.hook.tries)
            plant.hook.answer = answer
            _behave(mailbox, MAIL_WAYS[number % len(MAIL_WAYS)])
            parts.wait_until(lambda before=before: len(plant.hook.tries) > before + 2, f"it is tried while it {name}")  # type: ignore[misc]
            if number % 2:
                plant.daemon.kill()
                plant.daemon.start(ready=False)
            time.sleep(1)
            plant.hook.answer = lambda _id: OK
            _behave(mailbox, MAIL_WELL)
            outcome.note_recovery(plant.wait_for_commit(plant.record.newest()))
            say(f"round {number + 1}: it {name}; mail {MAIL_WAYS[number % len(MAIL_WAYS)]}")
        plant.settle()
        _account_for_mail(plant, mailbox)
        outcome.breaches += _impatient(plant.hook)
        given_up = dict(plant.record.ask("SELECT state, count(*) FROM outbox WHERE channel = 'gone' GROUP BY state"))
        again = [
            id_ for id_ in {id_ for _, id_, _ in gone.tries} if sum(id_ == other for _, other, _ in gone.tries) > 2
        ]
        if set(given_up) != {"given up"} or again:
            outcome.breaches.append(
                f"410: expected all given up after one try, found {given_up}, tried again {len(again)}"
            )
    if elsewhere.tries:
        outcome.breaches.append(f"a redirect was followed {len(elsewhere.tries)} times")
    outcome.notes.append(f"answered 410: {sum(given_up.values())} given up")
    elsewhere.close()
    gone.close()
    return outcome


def _rig(folder: Path, outcome: Outcome, seed: int, gone: int, mail: int) -> AbstractContextManager[Rig]:
    settings = GONE.format(port=gone) + MAIL.format(port=mail)
    return rig(folder, outcome, seed=seed, settings=settings, contacts=OTHERS)


def _behave(mailbox: Mailbox, way: dict[str, str]) -> None:
    for name, value in way.items():
        setattr(mailbox, name, value)


def _account_for_mail(plant: Rig, mailbox: Mailbox) -> None:
    """Every mail owed has come, repeats under the same Message-ID dropped, and none that was not owed."""
    states = dict(plant.record.ask("SELECT state, count(*) FROM outbox WHERE channel = 'mail' GROUP BY state"))
    with_others = plant.record.ask(
        "SELECT count(*) FROM held JOIN outbox USING (id) WHERE channel = 'mail' AND summary IS NOT NULL"
    )[0][0]
    ids = {message_from_bytes(one.content)["Message-ID"] for one in mailbox.messages}
    if set(states) != {"accepted"} or len(ids) != states["accepted"] - with_others:
        plant.outcome.notifications_wrong += 1
        plant.outcome.notes.append(f"mail: {states}, {with_others} told with others, {len(ids)} different came")
    plant.outcome.notes.append(f"mails {len(ids)}, repeats {len(mailbox.messages) - len(ids)}")


def _hang(_id: str) -> Answer:
    time.sleep(7)  # longer than the channel's time-out
    return 504, {}


def _impatient(hook: Hook) -> list[str]:
    """Tries that came sooner than the receiver had asked for."""
    asked: dict[str, float] = {}
    found = []
    for at_s, id_, status in hook.tries:
        if id_ in asked and at_s < asked[id_] - 0.1:
            found.append(f"{id_} was tried {asked[id_] - at_s:.1f} s before the Retry-After was over")
        asked.pop(id_, None)
        if status == 429:
            asked[id_] = at_s + PATIENCE_S
    return found

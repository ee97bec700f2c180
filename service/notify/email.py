"""The channel that sends mail over SMTP.

Owns one short connection per message. It must never build a header or an envelope from text that it has
not checked, speak TLS without verifying the server, or send a password without TLS.
"""

from __future__ import annotations

import contextlib
import hashlib
import re
import smtplib
from collections.abc import Iterator
from datetime import timedelta
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr
from pathlib import Path

from service.model import Accepted, BadConfiguration, OutboxRow, Refused
from service.notify.deadline import Deadline
from service.notify.message import subject, text
from service.notify.tls import verifying
from service.notify.wording import EPOCH, one_line

SECURITY = ("starttls", "tls", "none")
# One address, in the plain form of RFC 5321: no comments, quotes, spaces or lists.
ADDRESS = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9.-]{1,253}")
CONNECT_SHARES = 3  # two addresses of the host and the greeting get one share of the time-out each
QUIT_S = 1.0  # the message is accepted already; a slow good-bye must not hold the worker


class EmailChannel:
    """Sends each row as one message, with the same Message-ID on every try.

    A 5xx reply to the sender, the recipient or the message is permanent. Everything else is temporary, also
    a refused log-in or missing STARTTLS: those are mended at the server, and then the alarm must still go out.
    `timeout_s` bounds the whole conversation; while connecting, each address of the host gets a third of it.
    """

    def __init__(
        self,
        name: str,
        *,
        host: str,
        sender: str,
        port: int = 587,
        security: str = "starttls",
        username: str | None = None,
        password: str | None = None,
        ca_file: Path | None = None,
        timeout_s: float = 30.0,
    ) -> None:
        self.name, self.timeout_s = name, timeout_s
        self._host, self._port, self._security = host, port, security
        self._username, self._password = username, password
        self._from, self._envelope = one_line(sender), parseaddr(sender)[1]
        where = f"channels.{name}"
        if security not in SECURITY:
            raise BadConfiguration(f"{where}.security {security!r}: expected one of {', '.join(SECURITY)}; choose one")
        if not ADDRESS.fullmatch(self._envelope):
            raise BadConfiguration(f"{where}.sender {sender!r}: expected one address, name@host; correct it")
        if (username is None) != (password is None):
            raise BadConfiguration(f"{where}: username and password_file belong together; give both or neither")
        if username is not None and security == "none":
            raise BadConfiguration(
                f"{where}.security 'none' with a username: the password would travel unencrypted;"
                ' use "starttls" or "tls"'
            )
        self._domain = self._envelope.rpartition("@")[2]
        self._context = None if security == "none" else verifying(where, ca_file)

    def send(self, row: OutboxRow) -> Accepted | Refused:
        if not ADDRESS.fullmatch(row.address):
            return Refused(
                f"address {row.address!r} of contact {row.contact!r}: expected one address, name@host;"
                " correct it in the plant file",
                permanent=True,
            )
        message, deadline = self._message(row), Deadline(self.timeout_s)
        try:
            with deadline, self._connected(deadline) as server:
                server.send_message(message, from_addr=self._envelope, to_addrs=[row.address])
        except (smtplib.SMTPException, OSError) as error:
            if deadline.is_over:  # perhaps after the message went over: the stable Message-ID is for that case
                return Refused(f"{self._host}:{self._port}: no answer within {self.timeout_s:g} s")
            return _refusal(error, f"{self._host}:{self._port}")
        return Accepted(f"accepted by {self._host}:{self._port}")

    def close(self) -> None:
        """Nothing is kept open between messages."""

    @contextlib.contextmanager
    def _connected(self, deadline: Deadline) -> Iterator[smtplib.SMTP]:
        """A greeted, encrypted and logged-in session; the good-bye cannot turn a success into a failure."""
        server = self._open(deadline)
        try:
            if self._security == "starttls":
                server.starttls(context=self._context)
            if self._username is not None and self._password is not None:
                server.login(self._username, self._password)
            yield server
            with contextlib.suppress(smtplib.SMTPException, OSError):
                if server.sock is not None:
                    server.sock.settimeout(min(QUIT_S, deadline.left_s()))
                server.quit()
        finally:
            server.close()

    def _open(self, deadline: Deadline) -> smtplib.SMTP:
        share_s = self.timeout_s / CONNECT_SHARES
        server: smtplib.SMTP
        if self._security == "tls":
            server = smtplib.SMTP_SSL(
                self._host, self._port, local_hostname=self._domain, timeout=share_s, context=self._context
            )
        else:
            server = smtplib.SMTP(self._host, self._port, local_hostname=self._domain, timeout=share_s)
        deadline.watch(lambda: server.sock)
        if server.sock is not None:
            server.sock.settimeout(deadline.left_s())
        return server

    def _message(self, row: OutboxRow) -> EmailMessage:
        message = EmailMessage()
        message["From"] = self._from
        message["To"] = row.address
        message["Subject"] = subject(row.told)
        message["Date"] = format_datetime(EPOCH + timedelta(microseconds=row.queued_us))
        message["Message-ID"] = f"<{_digest(row.key)}@{self._domain}>"
        # What is told of one alarm is one thread in the mail program.
        message["References"] = f"<{_digest(row.told.alarm_id)}@{self._domain}>"
        message["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office replies to it
        message.set_content(text(row.told))
        return message


def _refusal(error: Exception, where: str) -> Refused:
    """What a failed try means: only a 5xx to sender, recipient or message says that trying again is useless."""
    if isinstance(error, smtplib.SMTPRecipientsRefused):
        code, reply = next(iter(error.recipients.values()))
        return Refused(f"{where} refused the recipient: {_reply(code, reply)}", permanent=code >= 500)
    if isinstance(error, smtplib.SMTPSenderRefused):
        said = _reply(error.smtp_code, error.smtp_error)
        return Refused(f"{where} refused the sender: {said}", permanent=error.smtp_code >= 500)
    if isinstance(error, smtplib.SMTPDataError):
        said = _reply(error.smtp_code, error.smtp_error)
        return Refused(f"{where} refused the message: {said}", permanent=error.smtp_code >= 500)
    if isinstance(error, smtplib.SMTPResponseException):
        return Refused(f"{where}: {type(error).__name__}: {_reply(error.smtp_code, error.smtp_error)}")
    return Refused(f"{where}: {type(error).__name__}: {error}")


def _reply(code: int, reply: bytes | str) -> str:
    words = reply.decode("utf-8", "replace") if isinstance(reply, bytes) else reply
    return f"{code} {one_line(words)}"


def _digest(text_: str) -> str:
    """A Message-ID's left part: stable, and of harmless characters whatever the key contains."""
    return hashlib.blake2b(text_.encode(), digest_size=16).hexdigest()

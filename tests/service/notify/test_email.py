"""Mail over a real SMTP server: what is accepted, what is tried again, what is given up, and what cannot be forged."""

from __future__ import annotations

import time
from email import message_from_bytes, policy
from email.message import EmailMessage
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

import pytest
from aiosmtpd.smtp import AuthResult, LoginPassword

from service.model import Accepted, BadConfiguration, Refused
from service.notify.email import EmailChannel
from service.notify.message import subject, text
from tests.service.notify.made import TOLD, row, told
from tests.service.notify.servers import HOST, Certificate, Mailbox, raw_server, smtp_server, unused_port

SENDER = "Dust collectors <dust@alder-pike.example>"


def channel(port: int, **changes: Any) -> EmailChannel:
    given: dict[str, Any] = {"host": HOST, "port": port, "sender": SENDER, "security": "none", "timeout_s": 5.0}
    return EmailChannel("mail", **(given | changes))


def received(mailbox: Mailbox, index: int = 0) -> EmailMessage:
    found = message_from_bytes(mailbox.messages[index].content, policy=policy.default)
    assert isinstance(found, EmailMessage)
    return found


def test_an_accepted_message_has_all_its_headers_and_the_whole_text() -> None:
    mailbox, one = Mailbox(), row()
    with smtp_server(mailbox) as port:
        assert channel(port).send(one) == Accepted(f"accepted by {HOST}:{port}")
    envelope = mailbox.messages[0]
    assert (envelope.mail_from, envelope.rcpt_tos) == ("dust@alder-pike.example", ["lead@alder-pike.example"])
    message = received(mailbox)
    assert message["From"] == SENDER
    assert message["To"] == "lead@alder-pike.example"
    assert message["Subject"] == subject(TOLD)
    assert message["Auto-Submitted"] == "auto-generated"  # RFC 3834 5
    assert parsedate_to_datetime(message["Date"]).timestamp() * 1e6 == one.queued_us
    assert message.get_content().replace("\r\n", "\n") == text(TOLD)


def test_every_try_of_a_row_has_the_same_message_id_and_other_rows_have_others() -> None:
    mailbox = Mailbox()
    with smtp_server(mailbox) as port:
        for one in (row(1), row(1, attempts=3), row(2, step="cleared")):
            assert isinstance(channel(port).send(one), Accepted)
    first, again, other = (received(mailbox, index) for index in range(3))
    assert first["Message-ID"] == again["Message-ID"] != other["Message-ID"]
    assert first["References"] == other["References"]  # one alarm, one thread
    assert first["Message-ID"].endswith("@alder-pike.example>")


@pytest.mark.parametrize(
    ("handler", "permanent", "words"),
    [
        (Mailbox(rcpt_reply="451 greylisted, come back"), False, "refused the recipient: 451 greylisted"),
        (Mailbox(rcpt_reply="550 no such user"), True, "refused the recipient: 550 no such user"),
        (Mailbox(mail_reply="452 too many"), False, "refused the sender: 452"),
        (Mailbox(mail_reply="553 sender not allowed"), True, "refused the sender: 553"),
        (Mailbox(data_reply="451 disk full"), False, "refused the message: 451"),
        (Mailbox(data_reply="554 looks like spam"), True, "refused the message: 554"),
    ],
)
def test_4xx_is_tried_again_and_5xx_is_permanent(handler: Mailbox, permanent: bool, words: str) -> None:
    """RFC 5321 4.2.1: 4yz is a transient negative reply, 5yz a permanent one."""
    with smtp_server(handler) as port:
        answer = channel(port).send(row())
    assert isinstance(answer, Refused)
    assert answer.permanent is permanent
    assert words in answer.error
    assert handler.messages == []


def is_temporary(answer: Accepted | Refused, words: str) -> None:
    assert isinstance(answer, Refused)
    assert not answer.permanent
    assert words in answer.error


def test_a_server_that_is_not_there_or_hangs_up_or_does_not_want_to_talk_is_tried_again() -> None:
    is_temporary(channel(unused_port()).send(row()), "refused")
    with raw_server() as port:
        is_temporary(channel(port).send(row()), "SMTPServerDisconnected")
    with raw_server(b"220 mail.example ready\r\n") as port:
        is_temporary(channel(port).send(row()), "Disconnected")
    with raw_server(b"554 no SMTP service here\r\n") as port:
        is_temporary(channel(port).send(row()), "554 no SMTP service here")


@pytest.mark.parametrize("hang_at", ["RCPT", "DATA"])
def test_a_server_that_hangs_is_left_after_the_time_out(hang_at: str) -> None:
    with smtp_server(Mailbox(hang_at=hang_at)) as port:
        began = time.monotonic()
        is_temporary(channel(port, timeout_s=0.3).send(row()), "no answer within 0.3 s")
        assert time.monotonic() - began < 3.0


@pytest.mark.parametrize("drip", [b"220-", b"220-more\r\n"])
def test_a_server_that_drips_bytes_cannot_hold_the_worker(drip: bytes) -> None:
    """Each byte would restart a time-out of single reads; the deadline is over the whole conversation."""
    with raw_server(b"220 mail.example ready\r\n", drip=drip) as port:
        began = time.monotonic()
        answer = channel(port, timeout_s=0.5).send(row())
        assert time.monotonic() - began < 4.0
    assert isinstance(answer, Refused)
    assert not answer.permanent


def test_a_server_without_a_good_bye_has_still_accepted() -> None:
    class Abrupt(Mailbox):
        async def handle_QUIT(self, server: Any, _session: Any, _envelope: Any) -> str:
            server.transport.abort()
            return "221 never seen"

    mailbox = Abrupt()
    with smtp_server(mailbox) as port:
        assert isinstance(channel(port).send(row()), Accepted)
    assert len(mailbox.messages) == 1


# ---------------------------------------------------------------- TLS and log-in


def test_starttls_with_a_verified_certificate(certificate: Certificate) -> None:
    mailbox = Mailbox()
    with smtp_server(mailbox, tls_context=certificate.server_context(), require_starttls=True) as port:
        trusting = channel(port, security="starttls", ca_file=certificate.pem)
        assert isinstance(trusting.send(row()), Accepted)
    assert len(mailbox.messages) == 1


def test_implicit_tls_with_a_verified_certificate(certificate: Certificate) -> None:
    mailbox = Mailbox()
    with smtp_server(mailbox, implicit_tls=certificate.server_context()) as port:
        assert isinstance(channel(port, security="tls", ca_file=certificate.pem).send(row()), Accepted)
    assert len(mailbox.messages) == 1


def test_an_unknown_authority_is_refused_before_anything_is_said(certificate: Certificate) -> None:
    mailbox = Mailbox()
    with smtp_server(mailbox, tls_context=certificate.server_context()) as port:
        is_temporary(channel(port, security="starttls").send(row()), "CERTIFICATE_VERIFY_FAILED")
    assert mailbox.messages == []


def test_without_starttls_at_the_server_nothing_is_sent_in_the_clear() -> None:
    mailbox = Mailbox()
    with smtp_server(mailbox) as port:
        is_temporary(channel(port, security="starttls").send(row()), "STARTTLS")
    assert mailbox.messages == []


@pytest.mark.parametrize(("password", "accepted"), [("correct horse", True), ("wrong", False)])
def test_log_in_over_starttls(certificate: Certificate, password: str, accepted: bool) -> None:
    """A refused log-in is mended at the site, so the alarm stays owed."""

    def check(_server: Any, _session: Any, _envelope: Any, _mechanism: str, data: Any) -> AuthResult:
        assert isinstance(data, LoginPassword)
        return AuthResult(success=(data.login, data.password) == (b"dust", b"correct horse"), handled=False)

    mailbox = Mailbox()
    with smtp_server(
        mailbox, tls_context=certificate.server_context(), authenticator=check, auth_required=True
    ) as port:
        given = {"username": "dust", "password": password, "ca_file": certificate.pem, "security": "starttls"}
        answer = channel(port, **given).send(row())
    if accepted:
        assert isinstance(answer, Accepted)
    else:
        is_temporary(answer, "535")
        assert isinstance(answer, Refused)
        assert "wrong" not in answer.error
    assert len(mailbox.messages) == accepted


# ---------------------------------------------------------------- injection and settings


def test_names_cannot_add_headers_or_recipients() -> None:
    mailbox = Mailbox()
    evil = "dp\r\nBcc: everyone@elsewhere.example\r\n\r\nbody"
    with smtp_server(mailbox) as port:
        one = row(told=told(collector_name=evil, site_name=evil, point=evil))
        assert isinstance(channel(port).send(one), Accepted)
    message = received(mailbox)
    assert message["Bcc"] is None
    assert mailbox.messages[0].rcpt_tos == ["lead@alder-pike.example"]


@pytest.mark.parametrize(
    "address",
    [
        "",
        "lead",
        "lead@x.example\r\nRCPT TO:<b@x.example>",
        "a@x.example, b@x.example",
        "<a@x.example>",
        "a b@x.example",
    ],
)
def test_an_address_that_is_not_one_plain_address_is_given_up_without_connecting(address: str) -> None:
    answer = channel(unused_port()).send(row(address=address))
    assert isinstance(answer, Refused)
    assert answer.permanent
    assert "plant file" in answer.error


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"security": "ssl"}, "security 'ssl'"),
        ({"sender": "nobody"}, "sender 'nobody'"),
        ({"username": "dust"}, "belong together"),
        ({"username": "dust", "password": "hush"}, "unencrypted"),
        ({"security": "tls", "ca_file": Path("/nowhere.pem")}, "ca_file '/nowhere.pem'"),
    ],
)
def test_settings_that_cannot_work_are_refused_at_the_start(wrong: dict[str, Any], said: str) -> None:
    with pytest.raises(BadConfiguration, match=said) as error:
        channel(25, **wrong)
    assert "hush" not in str(error.value)

"""The mailbox: a real SMTP server and webhook receiver, asked by real clients over loopback."""

from __future__ import annotations

import json
import smtplib
from collections.abc import Iterator
from datetime import UTC, datetime
from email import message_from_bytes
from email.message import EmailMessage
from pathlib import Path

import httpx
import pytest
from standardwebhooks import Webhook

from simulators.__main__ import main
from simulators.mailbox import SignatureError, secret_key, verify
from tests.simulators.processes import Simulator, simulator

# The example of the Standard Webhooks specification; the signature recomputed with hmac and its reference library.
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
IDENTITY, STAMP = "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330
BODY = b'{"test": 2432232314}'
SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
HEADERS = {"webhook-id": IDENTITY, "webhook-timestamp": str(STAMP), "webhook-signature": SIGNATURE}


class TestSignature:
    def test_the_published_example_is_genuine(self) -> None:
        assert verify(secret_key(SECRET), HEADERS, BODY, now_s=STAMP) == IDENTITY

    def test_one_of_several_signatures_is_enough(self) -> None:
        several = HEADERS | {"webhook-signature": f"v1a,xx v1,bm90IHRoaXM= {SIGNATURE}"}
        assert verify(secret_key(SECRET), several, BODY, now_s=STAMP + 299) == IDENTITY

    @pytest.mark.parametrize(
        ("headers", "body", "late_s"),
        [
            (HEADERS, BODY + b" ", 0),
            (HEADERS, BODY, 301),
            (HEADERS, BODY, -301),
            (HEADERS | {"webhook-id": "msg_other"}, BODY, 0),
            (HEADERS | {"webhook-id": "a.b"}, BODY, 0),
            (HEADERS | {"webhook-id": ""}, BODY, 0),
            (HEADERS | {"webhook-id": "m" * 81}, BODY, 0),
            (HEADERS | {"webhook-timestamp": "soon"}, BODY, 0),
            (HEADERS | {"webhook-signature": SIGNATURE.replace("v1", "v2")}, BODY, 0),
            (HEADERS | {"webhook-signature": ""}, BODY, 0),
            ({}, BODY, 0),
        ],
    )
    def test_anything_else_is_refused(self, headers: dict[str, str], body: bytes, late_s: int) -> None:
        with pytest.raises(SignatureError):
            verify(secret_key(SECRET), headers, body, now_s=STAMP + late_s)

    @pytest.mark.parametrize("text", ["", "whsec_", "MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw", "whsec_not base64!"])
    def test_an_unusable_secret_is_refused(self, text: str) -> None:
        with pytest.raises(ValueError, match="whsec_"):
            secret_key(text)


@pytest.fixture
def box(tmp_path: Path) -> Iterator[Simulator]:
    pytest.importorskip("aiosmtpd", reason="the mailbox is an optional extra")
    secret = tmp_path / "secret"
    secret.write_text(SECRET + "\n")
    with simulator("mailbox", "--folder", str(tmp_path / "box"), "--secret-file", str(secret)) as running:
        yield running


def post(box: Simulator, identity: str, body: bytes, *, secret: str = SECRET) -> httpx.Response:
    now = datetime.now(UTC)
    headers = {
        "webhook-id": identity,
        "webhook-timestamp": str(int(now.timestamp())),
        "webhook-signature": Webhook(secret).sign(identity, now, body.decode()),
    }
    return httpx.post(f"http://127.0.0.1:{box.ready['hook_port']}/hook", content=body, headers=headers, trust_env=False)


def test_an_email_becomes_a_file_with_its_envelope(box: Simulator, tmp_path: Path) -> None:
    message = EmailMessage()
    message["From"], message["To"], message["Subject"] = "dustcake@x.example", "lead@x.example", "header low-low – bv-3"
    message.set_content("Look at the compressor.\n")
    with smtplib.SMTP("127.0.0.1", box.ready["smtp_port"], timeout=10) as client:
        client.send_message(message)
        client.send_message(message)
    assert box.stop()[0] == 0
    files = sorted((tmp_path / "box" / "mail").iterdir())
    assert [each.name for each in files] == ["0001.eml", "0002.eml"]
    kept = message_from_bytes(files[0].read_bytes())
    assert kept["Delivered-To"] == "lead@x.example"
    assert kept["Return-Path"] == "<dustcake@x.example>"
    assert "Look at the compressor." in str(kept.get_payload())


def test_a_webhook_is_stored_once_and_its_repeats_are_counted(box: Simulator, tmp_path: Path) -> None:
    body = json.dumps({"alarm": "0123", "step": "raised"}).encode()
    answers = [post(box, "alarm:0123/raised", body) for _ in range(3)]
    assert [each.status_code for each in answers] == [200, 200, 200]
    assert box.stop()[0] == 0
    folder = tmp_path / "box" / "hook"
    (stored,) = folder.glob("*.json")
    assert stored.read_bytes() == body
    assert stored.with_suffix(".count").read_text() == "3"


def test_a_webhook_without_a_good_signature_is_not_stored(box: Simulator, tmp_path: Path) -> None:
    forged = post(box, "msg_1", b"{}", secret="whsec_" + "A" * 32)
    unsigned = httpx.post(f"http://127.0.0.1:{box.ready['hook_port']}/", content=b"{}", trust_env=False)
    not_json = post(box, "msg_2", b"hello")
    assert (forged.status_code, unsigned.status_code, not_json.status_code) == (401, 401, 400)
    assert list((tmp_path / "box" / "hook").iterdir()) == []


def test_an_unusable_secret_file_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "secret").write_text("letmein")
    arguments = ["mailbox", "--folder", str(tmp_path / "box"), "--secret-file", str(tmp_path / "secret")]
    assert main(arguments) == 2
    assert "whsec_" in capsys.readouterr().err

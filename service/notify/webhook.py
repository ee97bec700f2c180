"""The channel that posts a notification to one HTTP endpoint, after Standard Webhooks.

Owns the signature and the reading of the answer. It must never follow a redirect, connect to an address
that was not checked, use a proxy of the environment, or put the path of the URL (it may be a secret) into
an error.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import hmac
import json
from collections.abc import Callable
from datetime import UTC, timedelta
from email.utils import parsedate_to_datetime
from pathlib import Path

import httpx

from service.model import Accepted, BadConfiguration, OutboxRow, Refused
from service.notify.addresses import Resolve, refusal, resolve
from service.notify.deadline import Deadline
from service.notify.message import body_json
from service.notify.tls import verifying
from service.notify.wording import EPOCH, clip, one_line

SECOND_US = 1_000_000
ANSWER_BYTES = 2048  # of the answer's body that are looked at, for the record of a failure
ANSWER_CHARACTERS = 200
SECRET_PREFIX = "whsec_"  # noqa: S105  a public prefix, not a secret
SECRET_BYTES = range(24, 65)  # Standard Webhooks: "between 24 bytes and 64 bytes"


def message_id(key: str) -> str:
    """The webhook-id of an outbox key: the same on every try, without full stops, which separate the signed parts."""
    return "msg_" + hashlib.blake2b(key.encode(), digest_size=16).hexdigest()


def signature(secret: bytes, id_: str, timestamp_s: int, body: bytes) -> str:
    """ "v1," and the base64 of HMAC-SHA256 over id.timestamp.body (Standard Webhooks, "Signature scheme")."""
    signed = f"{id_}.{timestamp_s}.".encode() + body
    return "v1," + base64.b64encode(hmac.digest(secret, signed, hashlib.sha256)).decode()


class WebhookChannel:
    """Posts the CloudEvents JSON; accepted is a 2xx status and nothing else.

    410 is permanent (the endpoint says that it is gone); every other failure is tried again, with the wait
    of a Retry-After header when there is one. The address of a contact never chooses where a request goes.

    `allow_private` is true by default because the receiver of a plant is mostly on the plant's own network,
    and the URL comes from the site's settings file, not from a user of the service. Set it to false where
    all receivers are on the internet. `timeout_s` bounds everything but the look-up of the name, whose limit is
    the system resolver's. `now_us` is wall time. `secret` None sends without a signature.
    """

    def __init__(
        self,
        name: str,
        *,
        url: str,
        secret: str | None,
        now_us: Callable[[], int],
        timeout_s: float = 20.0,
        allow_private: bool = True,
        ca_file: Path | None = None,
        resolve: Resolve = resolve,
    ) -> None:
        where = f"channels.{name}"
        self.name, self.timeout_s = name, timeout_s
        self._url, self._secret = _url(where, url), None if secret is None else _secret(where, secret)
        self._now_us, self._allow_private, self._resolve = now_us, allow_private, resolve
        self._port = self._url.port or (443 if self._url.scheme == "https" else 80)
        self._host = self._url.raw_host.decode("ascii")
        self._at = f"{self._host}:{self._port}"
        self._client = httpx.Client(
            verify=verifying(where, ca_file),
            trust_env=False,  # a proxy would connect to an address that was not checked
            follow_redirects=False,
            limits=httpx.Limits(max_keepalive_connections=0),  # each try connects to what it has checked
        )

    def send(self, row: OutboxRow) -> Accepted | Refused:
        body = json.dumps(body_json(row.told), allow_nan=False, separators=(",", ":")).encode()
        headers = self._headers(row.key, body)
        deadline = Deadline(self.timeout_s)
        try:
            with deadline:
                addresses = list(self._resolve(self._host, self._port))
                reasons = {text: refusal(text, allow_private=self._allow_private) for text in addresses}
                allowed = [text for text in addresses if reasons[text] is None]
                if not allowed:
                    found = ", ".join(f"{text} {reason}" for text, reason in reasons.items())
                    return Refused(f"{self._at} is not connected to: {found or 'no address'}; correct the url")
                return self._post(deadline, allowed, headers, body)
        except (httpx.HTTPError, OSError) as error:
            if deadline.is_over:
                return Refused(f"{self._at}: no answer within {self.timeout_s:g} s")
            return Refused(f"{self._at}: {type(error).__name__}: {one_line(str(error))}")

    def close(self) -> None:
        self._client.close()

    def _headers(self, key: str, body: bytes) -> dict[str, str]:
        id_, timestamp_s = message_id(key), self._now_us() // SECOND_US
        headers = {
            "host": self._url.netloc.decode("ascii"),
            "content-type": "application/cloudevents+json; charset=utf-8",
            "user-agent": "dustcake",
            "webhook-id": id_,
            "webhook-timestamp": str(timestamp_s),
        }
        if self._secret is not None:
            headers["webhook-signature"] = signature(self._secret, id_, timestamp_s, body)
        return headers

    def _post(
        self, deadline: Deadline, addresses: list[str], headers: dict[str, str], body: bytes
    ) -> Accepted | Refused:
        """Try the checked addresses in turn until one connects."""
        for left in range(len(addresses), 1, -1):
            with contextlib.suppress(httpx.ConnectError, httpx.ConnectTimeout):
                return self._exchange(deadline, addresses[-left], deadline.left_s() / left, headers, body)
        return self._exchange(deadline, addresses[-1], deadline.left_s(), headers, body)

    def _exchange(
        self, deadline: Deadline, address: str, connect_s: float, headers: dict[str, str], body: bytes
    ) -> Accepted | Refused:
        """One request to one checked address, with the host's own name for TLS and for the Host header."""

        def trace(event: str, info: dict[str, object]) -> None:
            if event in ("connection.connect_tcp.complete", "connection.start_tls.complete"):
                stream = info["return_value"]
                deadline.watch(lambda: stream.get_extra_info("socket"))  # type: ignore[attr-defined]

        request = self._client.build_request(
            "POST",
            self._url.copy_with(host=address),
            content=body,
            headers=headers,
            timeout=httpx.Timeout(deadline.left_s(), connect=connect_s),
            extensions={"sni_hostname": self._host, "trace": trace},
        )
        response = self._client.send(request, stream=True)
        try:
            return self._judge(response, b"" if response.is_success else _first_bytes(response))
        finally:
            response.close()

    def _judge(self, response: httpx.Response, answer: bytes) -> Accepted | Refused:
        status = response.status_code
        if response.is_success:
            return Accepted(f"{self._at} answered {status}")
        if response.is_redirect:
            return Refused(f"{self._at} answered {status}, a redirect: not followed; configure the final url")
        words = clip(one_line(answer.decode("utf-8", "replace")), ANSWER_CHARACTERS)
        return Refused(
            f"{self._at} answered {status}" + (f": {words}" if words else ""),
            permanent=status == httpx.codes.GONE,
            retry_after_s=retry_after_s(response.headers.get("retry-after"), self._now_us()),
        )


def retry_after_s(header: str | None, now_us: int) -> float | None:
    """Seconds to wait by a Retry-After header (RFC 9110 10.2.3: seconds or an HTTP-date); None when unreadable."""
    if header is None:
        return None
    text = header.strip()
    if text.isascii() and text.isdigit():
        return float(text[:12])
    try:
        at = parsedate_to_datetime(text)
    except ValueError:
        return None
    at = at if at.tzinfo else at.replace(tzinfo=UTC)  # "-0000" comes without a zone and means UTC
    return max(0.0, (at - (EPOCH + timedelta(microseconds=now_us))).total_seconds())


def _first_bytes(response: httpx.Response) -> bytes:
    """The beginning of the body as it came (not unpacked, so that a small answer cannot grow)."""
    found = b""
    with contextlib.suppress(httpx.HTTPError):  # the status is known; a cut body only shortens the record
        for piece in response.iter_raw(ANSWER_BYTES):
            found += piece
            if len(found) >= ANSWER_BYTES:
                break
    return found[:ANSWER_BYTES]


def _url(where: str, text: str) -> httpx.URL:
    remedy = "expected http:// or https:// with a host and without a user name; correct it"
    try:
        url = httpx.URL(text)
    except httpx.InvalidURL:  # its text quotes parts of the URL, which may be secret
        raise BadConfiguration(f"{where}.url is not a URL: {remedy}") from None
    if url.scheme not in ("http", "https") or not url.host or url.userinfo:
        raise BadConfiguration(f"{where}.url with scheme {url.scheme!r} and host {url.host!r}: {remedy}")
    if url.port is not None and not 0 < url.port <= 65_535:
        raise BadConfiguration(f"{where}.url with port {url.port}: expected 1 to 65535; correct it")
    return url


def _secret(where: str, text: str) -> bytes:
    try:
        secret = base64.b64decode(text.strip().removeprefix(SECRET_PREFIX), validate=True)
    except ValueError:
        secret = b""
    if len(secret) not in SECRET_BYTES:  # the text itself must not be shown
        raise BadConfiguration(
            f"{where}.secret_file: expected {SECRET_PREFIX} and the base64 of 24 to 64 bytes, found"
            f" {len(secret)} bytes; make one with: echo whsec_$(openssl rand -base64 32)"
        )
    return secret

"""What a connection is proven with: whom we trust, which certificate is expected, who we are.

Files, and the password in a file or in the environment, are read anew for each connection, so that what was renewed at
its place is taken up by the next one. Must never keep or show a secret, nor let anything be sent before the broker's
certificate was checked.
"""

from __future__ import annotations

import hashlib
import os
import socket
import ssl
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from service.model import BadConfiguration


class WrongCertificate(ssl.SSLError):
    """The broker's certificate is valid, and it is not the one that was expected."""


@dataclass(frozen=True, slots=True)
class Secret:
    """Where a password stands; `key` is the setting that says so."""

    key: str
    file: Path | None = None
    variable: str = field(default="", repr=False)  # by mistake the password itself may stand there

    def read(self) -> str:
        """The password, without white space around it. BadConfiguration when it is not there."""
        if self.file is None:
            found = os.environ.get(self.variable)
            if not found:
                raise BadConfiguration(
                    f"{self.key}: the environment variable that it names is not set; expected the name of one with "
                    "the password; set the variable, or correct the name"
                )
            return found.strip()
        try:
            return self.file.read_text("utf-8").strip()
        except OSError as error:
            raise BadConfiguration(
                f"{self.key} {self.file}: {error.strerror}; expected a file with the secret"
            ) from error
        except UnicodeDecodeError:  # its text would show what is in the file
            raise BadConfiguration(f"{self.key} {self.file}: not UTF-8; expected a file with the secret") from None


@dataclass(frozen=True, slots=True)
class Encryption:
    """What TLS asks for: 1.2 or newer, a chain to `ca_file` (else to the system's authorities), the broker's name.

    `certificate_sha256`: the SHA-256 of the broker's certificate in DER form must be one of these, in small hexadecimal
    digits; empty: any. `alpn`: names of protocols that are offered (RFC 7301). `key` is the table of the settings.
    """

    key: str = "broker"
    ca_file: Path | None = None
    certificate_file: Path | None = None
    key_file: Path | None = None
    certificate_sha256: tuple[str, ...] = ()
    alpn: tuple[str, ...] = ()

    def context(self) -> ssl.SSLContext:
        """A context from the files as they are now. BadConfiguration when they are no use."""
        context = _Context(ssl.PROTOCOL_TLS_CLIENT)  # asks for a certificate and compares the name
        context.sslsocket_class, context.expected = _Socket, self.certificate_sha256
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        self._check_files()
        try:
            if self.ca_file is not None:
                context.load_verify_locations(self.ca_file)
            else:
                context.load_default_certs()
            if self.certificate_file is not None:
                # An empty password: a key that is encrypted must be refused, and not be asked for at a terminal.
                context.load_cert_chain(self.certificate_file, self.key_file, password="")
        except OSError as error:
            raise BadConfiguration(
                f"{self.key}.ca_file {self.ca_file}, certificate_file {self.certificate_file}: {error}; "
                "expected PEM files that the service may read; correct the paths"
            ) from error
        if self.alpn:
            context.set_alpn_protocols(list(self.alpn))
        return context

    def _check_files(self) -> None:
        """BadConfiguration for the first that cannot be read: OpenSSL does not say which it was."""
        names = ("ca_file", "certificate_file", "key_file")
        for name, path in zip(names, (self.ca_file, self.certificate_file, self.key_file), strict=True):
            try:
                if path is not None:
                    path.open("rb").close()
            except OSError as error:
                raise BadConfiguration(
                    f"{self.key}.{name} {path}: {error.strerror}; expected a PEM file that the service may read; "
                    "correct the path, or who may read it"
                ) from error

    def anew(self) -> ssl.SSLContext:
        """For a client that keeps one context: one that encrypts each connection with a new `context()`."""
        found = _Anew(ssl.PROTOCOL_TLS_CLIENT)
        found.encryption = self
        return found


class _Anew(ssl.SSLContext):
    encryption: Encryption

    def wrap_socket(self, sock: socket.socket, *args: Any, **options: Any) -> ssl.SSLSocket:
        try:
            return self.encryption.context().wrap_socket(sock, *args, **options)
        except BaseException:
            sock.close()
            raise


class _Context(ssl.SSLContext):
    expected: tuple[str, ...] = ()


class _Socket(ssl.SSLSocket):
    """Compares the certificate when the handshake is done: until then only the handshake was sent."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
            expected = getattr(self.context, "expected", ())
            if expected:
                _compare(self.getpeercert(binary_form=True) or b"", expected)
        except BaseException:
            self.close()
            raise


def _compare(certificate: bytes, expected: tuple[str, ...]) -> None:
    found = hashlib.sha256(certificate).hexdigest()
    if found not in expected:
        raise WrongCertificate(
            ssl.SSL_ERROR_SSL,
            f"the broker's certificate has the SHA-256 {found}; expected {' or '.join(expected)} (certificate_sha256); "
            "ask who runs the broker whether it was renewed, and only then correct the setting",
        )


# By the number of the verification's result (OpenSSL, x509_vfy.h), and by the reason of any other failure.
_UNKNOWN_AUTHORITY = "expected one signed by an authority in ca_file; put the right authority there"
_NOT_VERIFIED = {
    9: "check this computer's clock, and the certificate",
    10: "renew the broker's certificate, or set this computer's clock",
    **dict.fromkeys((18, 19, 20, 21), _UNKNOWN_AUTHORITY),
    26: "expected a certificate for a server; give the broker its own",
    62: "expected one for the name in host; correct host, or give the broker a certificate for it",
    64: "expected one for the address in host; correct host, or give the broker a certificate for it",
}
_FAILED = (
    ("protocol version", "expected TLS 1.2 or newer; let the broker offer it"),
    ("unsupported protocol", "expected TLS 1.2 or newer; let the broker offer it"),
    ("wrong version number", "expected TLS at this port; correct port, or set tls = false on loopback"),
    ("no application protocol", "expected the broker to know a name of alpn; correct alpn"),
    ("unknown ca", "the broker does not know who signed our certificate; correct certificate_file"),
    ("certificate", "the broker refuses our certificate, or asks for one; correct certificate_file and key_file"),
    ("eof", "the broker broke the handshake off; expected TLS 1.2 or newer there; correct port, or see its log"),
    ("handshake failure", "the broker may ask for a certificate; set certificate_file and key_file"),
)


def why(error: ssl.SSLError) -> str:
    """A failure of TLS in words: what, and what helps."""
    if isinstance(error, WrongCertificate):
        return str(error)
    if isinstance(error, ssl.SSLCertVerificationError):
        remedy = _NOT_VERIFIED.get(error.verify_code, "expected a valid one; correct ca_file, or the certificate")
        return f"the broker's certificate is refused: {error.verify_message}; {remedy}"
    reason = (error.reason or str(error).partition(" (_ssl")[0]).replace("_", " ").lower().removeprefix("[ssl] ")
    remedy = next((text for part, text in _FAILED if part in reason), "expected TLS; correct host, port or tls")
    return f"TLS failed: {reason}; {remedy}"

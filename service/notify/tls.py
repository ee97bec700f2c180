"""The TLS settings of the channels.

Owns that a server's certificate and name are always verified; there is no switch for it.
"""

from __future__ import annotations

import ssl
from pathlib import Path

from service.model import BadConfiguration


def verifying(where: str, ca_file: Path | None) -> ssl.SSLContext:
    """A context that trusts the system's authorities, or those of `ca_file` (PEM) in their place."""
    try:
        return ssl.create_default_context(cafile=ca_file)
    except OSError as error:
        raise BadConfiguration(
            f"{where}.ca_file {str(ca_file)!r}: expected readable PEM certificates, found: {error}; correct the path"
        ) from error

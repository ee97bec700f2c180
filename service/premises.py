"""What the service must have of its own before it begins: a data folder that nobody else uses, and its token."""

from __future__ import annotations

import fcntl
import secrets
from pathlib import Path
from typing import Any

from service.model import BadConfiguration


def hold_alone(data_dir: Path) -> Any:
    """Make the data folder and hold it, so that two services can never write to one ledger."""
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
        held = (data_dir / "in-use").open("a")
    except OSError as error:
        raise BadConfiguration(
            f"data_dir {data_dir}: {error.strerror}; expected a folder that the service may write to; correct it"
        ) from error
    try:
        fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        held.close()
        raise BadConfiguration(
            f"data_dir {data_dir}: another dustcake service is using it; stop that one, or set another data_dir"
        ) from error
    return held


def token(path: Path) -> str:
    """The token that opens the API and the page; made at the first start, readable by the owner alone."""
    try:
        if not path.exists():
            path.touch(mode=0o600)
            path.write_text(secrets.token_urlsafe(32) + "\n")
        return path.read_text().strip()
    except OSError as error:
        raise BadConfiguration(
            f"web.token_file {path}: {error.strerror}; expected a file that the service may make and read; correct it"
        ) from error

"""Numbered SQL migrations, each in one transaction, for the ledger and the history.

A file of a newer release is refused with the remedy; nothing is ever migrated backwards.
"""

from __future__ import annotations

from collections.abc import Callable
from importlib.resources import files
from typing import Any, Protocol

from service.model import BadConfiguration


class Connection(Protocol):
    def execute(self, query: str, /) -> Any: ...


def steps(store: str) -> list[tuple[int, str]]:
    """(number, SQL text) of every migration of `store` ("ledger" or "history"), ascending."""
    folder = files("service.store").joinpath("schema", store)
    found = [(int(item.name[:4]), item.read_text("utf-8")) for item in folder.iterdir() if item.name.endswith(".sql")]
    return sorted(found)


def migrate(connection: Connection, *, store: str, version: int, set_version: Callable[[int], str], path: str) -> None:
    """Bring a file from `version` to the newest; `set_version` gives the statement that records a number.

    BadConfiguration when the file is newer than this release.
    """
    known = steps(store)
    newest = known[-1][0]
    if version > newest:
        raise BadConfiguration(
            f"{path}: schema version {version}, this release knows up to {newest}; "
            "start the release that wrote it, or restore a backup made before the upgrade"
        )
    for number, text in known:
        if number > version:
            _apply(connection, text, set_version(number))


def _apply(connection: Connection, text: str, record: str) -> None:
    connection.execute("BEGIN")
    try:
        for statement in split(text):
            connection.execute(statement)
        connection.execute(record)
    except Exception:
        connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


def split(text: str) -> list[str]:
    """The statements of a migration: comments go, and no statement of ours has a semicolon inside."""
    plain = "\n".join(line.split("--")[0] for line in text.splitlines())
    return [statement.strip() for statement in plain.split(";") if statement.strip()]

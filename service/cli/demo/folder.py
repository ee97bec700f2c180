"""The demo's folder: settings, plant, token and secret, freshly made for each run. Touches nothing outside it."""

from __future__ import annotations

import base64
import json
import secrets
import shutil
import socket
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from service.cli.failure import Exit, Failure

MARK = "made-by-dustcake-demo"
# Beside the packages: in a checkout and in an unpacked source distribution.
SOURCES = Path(__file__).resolve().parents[3] / "deploy" / "demo"


@dataclass(frozen=True, slots=True)
class DemoFolder:
    """Where everything of one run is. All paths are absolute, since the children run elsewhere."""

    path: Path

    @property
    def settings(self) -> Path:
        return self.path / "dustcake.toml"

    @property
    def plant(self) -> Path:
        return self.path / "plant.toml"

    @property
    def token(self) -> Path:
        return self.path / "token"

    @property
    def hook_secret(self) -> Path:
        return self.path / "hook-secret"

    @property
    def mailbox(self) -> Path:
        return self.path / "mailbox"

    @property
    def logs(self) -> Path:
        return self.path / "logs"


def make(path: Path) -> DemoFolder:
    """An empty demo folder with a new token and secret. An earlier run's content goes: its plant time lies ahead.

    Failure when the folder holds anything that no demo has made.
    """
    folder = DemoFolder(path.resolve())
    if path.exists() and not (path / MARK).exists() and (not path.is_dir() or any(path.iterdir())):
        raise Failure(Exit.USAGE, f"{path}: exists and was not made by the demo; give another place with --folder")
    try:
        if path.exists():
            shutil.rmtree(path)
        for each in (folder.path, folder.mailbox, folder.logs):
            each.mkdir(parents=True)
        (folder.path / MARK).write_text("The demo deletes and makes this folder anew at each run.\n", encoding="utf-8")
        _private(folder.token, secrets.token_urlsafe(24))
        _private(folder.hook_secret, "whsec_" + base64.b64encode(secrets.token_bytes(32)).decode())
    except OSError as error:
        raise Failure(Exit.USAGE, f"{path}: cannot be made ({error.strerror}); give another with --folder") from None
    return folder


def write_settings(folder: DemoFolder, changes: dict[str, Any]) -> None:
    """Copy the plant, and the settings with `changes` merged into their tables."""
    for name in ("plant.toml", "dustcake.toml"):
        if not (SOURCES / name).is_file():
            raise Failure(
                Exit.USAGE, f"{SOURCES / name} is missing; the demo's plant comes with a checkout: run the demo there"
            )
    shutil.copyfile(SOURCES / "plant.toml", folder.plant)
    settings = tomllib.loads((SOURCES / "dustcake.toml").read_text(encoding="utf-8"))
    folder.settings.write_text(toml(merged(settings, changes)), encoding="utf-8")


def merged(table: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """The table with the changes, table by table."""
    result = dict(table)
    for key, value in changes.items():
        old = result.get(key)
        result[key] = merged(old, value) if isinstance(old, dict) and isinstance(value, dict) else value
    return result


def toml(table: dict[str, Any], path: str = "") -> str:
    """TOML of nested tables of texts, numbers, booleans and lists of them; JSON's forms of these are TOML's too."""
    lines = [f"[{path}]"] if path else []
    lines += [f"{key} = {json.dumps(value)}" for key, value in table.items() if not isinstance(value, dict)]
    parts = ["\n".join(lines)] if lines else []
    for key, value in table.items():
        if isinstance(value, dict):
            parts.append(toml(value, f"{path}.{key}" if path else key))
    return "\n\n".join(part.strip("\n") for part in parts) + "\n"


def free_port() -> int:
    """A port of this computer that is free at this moment."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _private(path: Path, text: str) -> None:
    path.touch(mode=0o600)
    path.write_text(text + "\n", encoding="utf-8")

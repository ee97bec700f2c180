"""The commented settings file says what the model says, and holds."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from service.config import load
from service.settings import Settings
from tests.service.deploy.page import page, switched_on

FILE = Path(__file__).parents[3] / "deploy" / "dustcake.toml"


@pytest.fixture(autouse=True)
def _no_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.upper().startswith("DUSTCAKE_") and "GOLDEN" not in name]:
        monkeypatch.delenv(name)


def test_the_file_is_what_the_model_prints() -> None:
    """Set DUSTCAKE_REWRITE_GOLDEN=1 to write it again, and read the difference."""
    if os.environ.get("DUSTCAKE_REWRITE_GOLDEN") == "1":
        FILE.write_text(page(), "utf-8")
    assert FILE.read_text("utf-8") == page()


def test_as_it_stands_it_gives_the_defaults() -> None:
    assert load(FILE) == Settings()


def test_with_every_example_switched_on_it_still_loads(tmp_path: Path) -> None:
    path = tmp_path / "dustcake.toml"
    path.write_text(switched_on(FILE.read_text("utf-8")).replace("tls = false", "tls = true"))
    found = load(path)
    assert {name: channel.kind for name, channel in found.channels.items()} == {
        "mail": "email",
        "hook": "webhook",
        "news": "mqtt",
        "journal": "log",
    }
    assert found.broker.password_file == Path("/etc/dustcake/broker-password")


def test_it_has_no_line_longer_than_the_project_allows() -> None:
    assert max(len(line) for line in FILE.read_text("utf-8").splitlines()) <= 120

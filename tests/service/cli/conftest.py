"""What the tests of several verbs begin with."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests import parts


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[parts.BrokerAt]:
    (tmp_path / "broker").mkdir()
    with parts.mosquitto(tmp_path / "broker") as at:
        yield at

"""What the tests of this room share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.store.ledger import Ledger


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    made = Ledger(tmp_path / "ledger.sqlite")
    yield made
    made.close()

"""Fixtures of this room's tests."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.service.notify.servers import Certificate, make_certificate


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Certificate:
    """A self-made certificate for localhost, made once."""
    folder: Path = tmp_path_factory.mktemp("certificate")
    return make_certificate(folder)

"""Skips only where nobody asked for the whole suite: with DUSTCAKE_NO_SKIP=1 a missing part is a failure."""

from __future__ import annotations

import os
from collections.abc import Generator

import pytest
from hypothesis import settings

# How long an example takes says how busy the machine is, and nothing about the code.
settings.register_profile("dustcake", deadline=None)
settings.load_profile("dustcake")

NO_SKIP = os.environ.get("DUSTCAKE_NO_SKIP") == "1"


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.CallInfo[None], None]:  # noqa: ARG001 - hook
    outcome = yield
    report = outcome.get_result()  # type: ignore[attr-defined]
    if NO_SKIP and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped although DUSTCAKE_NO_SKIP=1: {report.longrepr}"

"""The rules do no I/O and read no clock: checked in the source, beyond what import contracts can see."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FORBIDDEN_CALLS = {"open", "print", "input", "exec", "eval", "__import__", "breakpoint"}
FORBIDDEN_ATTRIBUTES = {"now", "utcnow", "today", "time_ns", "monotonic", "perf_counter", "sleep", "fromfile", "tofile"}


@pytest.mark.parametrize("file", sorted((ROOT / "rules").rglob("*.py")), ids=lambda file: str(file.relative_to(ROOT)))
def test_rules_call_nothing_that_does_io_or_reads_a_clock(file: Path) -> None:
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            assert node.func.id not in FORBIDDEN_CALLS, f"{file}:{node.lineno}"
        if isinstance(node, ast.Attribute):
            assert node.attr not in FORBIDDEN_ATTRIBUTES, f"{file}:{node.lineno}"


@pytest.mark.parametrize("room", ["rules", "service"])
def test_only_the_clock_reads_time(room: str) -> None:
    """Monotonic waits are allowed; dates are not taken anywhere but in service/clock.py."""
    for file in sorted((ROOT / room).rglob("*.py")):
        if file.name == "clock.py":
            continue
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                reads = (node.value.id, node.attr)
                assert reads not in {("time", "time"), ("time", "time_ns"), ("datetime", "now")}, (
                    f"{file}:{node.lineno}"
                )

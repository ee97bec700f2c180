"""Small C libraries that are put before the daemon's own; compiled where they are needed."""

from __future__ import annotations

import subprocess
from pathlib import Path


def build(name: str, folder: Path) -> Path:
    """The shared library of `name`.c, made in `folder`; AssertionError with the compiler's words."""
    made = folder / f"{name}.so"
    source = Path(__file__).with_name(f"{name}.c")
    command = ["cc", "-shared", "-fPIC", "-O1", "-Wall", "-o", str(made), str(source), "-ldl", "-pthread"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return made

"""Every scenario with a small count. What the machine does not permit (mounts, tracing) is said, not passed.

Only `make chaos` runs them: they need the machine for themselves. `python -m tests.chaos list` shows what can be run
here, and the full counts.
"""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from tests import parts
from tests.chaos import scenarios
from tests.conftest import NO_SKIP


@pytest.mark.chaos
@pytest.mark.broker
@pytest.mark.timeout(300)
@pytest.mark.parametrize("name", list(scenarios.TABLE))
def test_nothing_is_lost_told_twice_or_judged_differently(name: str, tmp_path: Path) -> None:
    """The command's own verdict: exit code 0, and a row without a breach; shown with the seed when it fails."""
    entry = scenarios.TABLE[name]
    if parts.MOSQUITTO is None:
        pytest.skip("no mosquitto binary")
    if reason := entry.missing():
        # Where skips are forbidden this one is still allowed: no container grants every machine's permissions.
        (pytest.xfail if NO_SKIP else pytest.skip)(reason)
    seed = random.SystemRandom().randrange(10**6)
    command = [sys.executable, "-m", "tests.chaos", name, "--seed", str(seed), "--json", "--keep", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=parts.ROOT, env=_environment())
    assert done.returncode == 0, f"seed {seed}\n{done.stdout}\n{done.stderr[-4000:]}"
    found = json.loads(done.stdout)
    assert found["sound"]
    assert found["readings"] > 0
    assert found["alarms"] > 0


def _environment() -> dict[str, str]:
    """Without what a test run may have set for the coverage of child processes."""
    return {name: value for name, value in os.environ.items() if not name.startswith("COV_")}

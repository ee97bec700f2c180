"""The demo as a person runs it: a real broker, mailbox, service and plant, from the fault to the delivered email."""

from __future__ import annotations

import importlib.util
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from service.cli.failure import Exit

DEADLINE_S = 90.0
MISSING = [name for name in ("iotcore", "aiosmtpd") if importlib.util.find_spec(name) is None]

pytestmark = pytest.mark.skipif(
    bool(MISSING) and os.environ.get("DUSTCAKE_NO_SKIP") != "1", reason=f"the demo's extra is not installed: {MISSING}"
)


@contextmanager
def demo(folder: Path, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """The running demo; whatever happens, it is told to end and waited for."""
    command = [sys.executable, "-m", "service", "demo", "--folder", str(folder), *arguments]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.terminate()


def children(pid: int) -> dict[int, str]:
    """The living children of a process with their command lines."""
    found = {}
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = status.read_text().rpartition(")")[2].split()
            command = (status.parent / "cmdline").read_bytes().replace(b"\0", b" ").decode()
        except (FileNotFoundError, ProcessLookupError):
            continue
        if int(fields[1]) == pid and fields[0] != "Z":
            found[int(status.parent.name)] = command
    return found


def is_alive(pid: int) -> bool:
    return Path(f"/proc/{pid}").exists()


def until_line(process: subprocess.Popen[str], words: str) -> str:
    """Read lines until one has the words; the pytest timeout bounds it."""
    assert process.stdout is not None
    for line in process.stdout:
        if words in line:
            return line
    raise AssertionError(f"the demo ended before it said {words!r}: {process.communicate()[1]}")


def test_a_fault_becomes_an_alarm_and_a_delivered_email_and_nothing_but_the_folder_stays(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    before = set(tmp_path.iterdir())
    began = time.monotonic()
    with demo(folder, "--speed", "480", "--plain") as process:
        until_line(process, "ALARM")
        until_line(process, "email delivered")
        until_line(process, "webhook delivered, signature verified")
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == Exit.OK, err
    after_s = [float(found) for found in re.findall(r"^first \w+ after ([0-9.]+) s$", out, re.MULTILINE)]
    assert len(after_s) == 3, out
    assert after_s == sorted(after_s)
    assert 0 < after_s[0] <= after_s[-1] < time.monotonic() - began
    [mails] = re.findall(r"^\d+ alarms?, (\d+) emails?, [1-9]\d* webhooks?", out, re.MULTILINE)
    assert 1 <= int(mails) <= len(list((folder / "mailbox" / "mail").glob("*.eml")))
    assert set(tmp_path.iterdir()) - before == {folder}


def test_sigterm_ends_the_demo_and_all_its_children_in_order(tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    with demo(folder) as process:
        link = until_line(process, "open the page")
        assert (folder / "token").read_text().strip() in link
        status = [sys.executable, "-m", "service", "status", "--config", str(folder / "dustcake.toml")]
        assert subprocess.run(status, capture_output=True, check=False, timeout=DEADLINE_S).returncode == Exit.OK
        family = children(process.pid)
        assert len(family) == 4
        process.send_signal(signal.SIGTERM)
        out, err = process.communicate(timeout=DEADLINE_S)
    assert (process.returncode, err) == (Exit.OK, "")
    assert str(folder) in out.splitlines()[-1]
    assert not [pid for pid in family if is_alive(pid)]


def test_a_part_that_dies_is_named_and_the_rest_is_stopped(tmp_path: Path) -> None:
    with demo(tmp_path / "demo") as process:
        until_line(process, "open the page")
        family = children(process.pid)
        [plant] = [pid for pid, command in family.items() if "simulators plant" in command]
        os.kill(plant, signal.SIGKILL)
        _, err = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == Exit.BROKEN
    assert "the plant ended on its own with code -9" in err
    assert "Traceback" not in err
    assert not [pid for pid in family if is_alive(pid)]

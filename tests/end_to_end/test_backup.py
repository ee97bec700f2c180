"""Backed up and verified while it runs, restored elsewhere, started there: the daemon itself, over a real broker."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests import parts
from tests.end_to_end.story import tell

COLLECTORS, SECONDS = 3, 300


def verb(daemon: parts.Daemon, *arguments: str) -> subprocess.CompletedProcess[str]:
    config = str(daemon.folder / "dustcake.toml")
    command = [sys.executable, "-m", "service", *arguments, "--config", config]
    return subprocess.run(command, capture_output=True, text=True, timeout=60, cwd=parts.ROOT, check=False)


@pytest.mark.broker
@pytest.mark.timeout(240)
def test_a_backup_of_a_running_service_starts_elsewhere_with_the_same_record(tmp_path: Path) -> None:
    story = tell(COLLECTORS, SECONDS, start_s=int(time.time()) - 3600, seed=8)
    counted = "SELECT coalesce(sum(rows), 0) FROM journal"
    with parts.any_broker(tmp_path) as broker:
        daemon = parts.Daemon(tmp_path / "d", broker, parts.plant_text(COLLECTORS))
        other = parts.Daemon(tmp_path / "other", broker, parts.plant_text(COLLECTORS))
        try:
            daemon.start()
            with parts.publisher(broker) as client:
                for topic, payload in story.payloads():
                    info = client.publish(topic, payload, qos=1)
                info.wait_for_publish(60)
                parts.wait_until(lambda: daemon.ask_ledger(counted)[0][0] >= story.readings, "all are in the ledger")
            verified = verb(daemon, "verify")
            assert verified.returncode == 0, verified.stdout + verified.stderr
            assert "compared with the journal by the running service" in verified.stdout
            made = verb(daemon, "backup", "--to", str(tmp_path / "b"))
            assert made.returncode == 0, made.stdout + made.stderr
            alarms = daemon.ask_ledger("SELECT id, state FROM alarm ORDER BY id")
            assert daemon.stop() == 0
            put_back = [sys.executable, "-m", "service", "restore", "--from", str(tmp_path / "b")]
            subprocess.run([*put_back, "--to", str(tmp_path / "other/data")], check=True, timeout=60, cwd=parts.ROOT)
            other.start()
            assert verb(other, "verify").returncode == 0
            assert other.ask_ledger("SELECT id, state FROM alarm ORDER BY id") == alarms
            assert other.stop() == 0
            assert other.ask_history("SELECT count(*) FROM reading") == [(story.readings,)]
            offline = verb(other, "verify")
            assert offline.returncode == 0, offline.stdout
            assert "every block read" in offline.stdout
        finally:
            daemon.end()
            other.end()

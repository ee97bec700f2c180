"""The systemd unit and the container files say what the daemon needs and what it may not do."""

from __future__ import annotations

import configparser
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from service.settings import Settings

DEPLOY = Path(__file__).parents[3] / "deploy"
UNIT = DEPLOY / "dustcake.service"


@pytest.fixture(scope="module")
def unit() -> configparser.ConfigParser:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(UNIT.read_text("utf-8"))
    return parser


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("Type", "notify"),
        ("WatchdogSec", "60"),
        ("NotifyAccess", "main"),
        ("NoNewPrivileges", "yes"),
        ("ProtectSystem", "strict"),
        ("StateDirectory", "dustcake"),
        ("TimeoutStopSec", "15"),
        ("User", "dustcake"),
        ("Restart", "on-failure"),
        ("CapabilityBoundingSet", ""),
        ("MemoryDenyWriteExecute", "yes"),
    ],
)
def test_the_unit_is_hardened_and_gives_time_to_stop(unit: configparser.ConfigParser, key: str, value: str) -> None:
    assert unit["Service"][key] == value


def test_the_unit_keeps_its_data_where_the_settings_say(unit: configparser.ConfigParser) -> None:
    defaults = Settings()
    assert f"/var/lib/{unit['Service']['StateDirectory']}" == str(defaults.data_dir)
    assert unit["Unit"]["StartLimitIntervalSec"] == "0"  # it never gives up
    assert "run --config /etc/dustcake/dustcake.toml" in unit["Service"]["ExecStart"]


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")
def test_systemd_understands_the_unit_and_calls_its_exposure_ok(tmp_path: Path) -> None:
    local = tmp_path / "dustcake.service"  # the command is not installed on this computer
    local.write_text(UNIT.read_text("utf-8").replace("/opt/dustcake/bin/dustcake", "/bin/true"))
    checked = subprocess.run(["systemd-analyze", "verify", str(local)], capture_output=True, text=True, check=False)
    assert [line for line in checked.stderr.splitlines() if "dustcake.service" in line] == []
    judged = subprocess.run(
        ["systemd-analyze", "security", "--offline=yes", "--threshold=20", str(local)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert judged.returncode == 0, judged.stdout[-400:]


def test_the_image_takes_every_folder_that_the_package_is_built_from() -> None:
    text = (DEPLOY / "Containerfile").read_text("utf-8")
    for folder in ("rules", "service", "simulators", "pyproject.toml", "uv.lock"):
        assert re.search(rf"^COPY .*\b{re.escape(folder)}\b", text, re.MULTILINE), folder
    assert "UNTESTED" in text


def test_the_containers_port_and_folder_are_those_of_the_settings() -> None:
    defaults = Settings()
    image, compose = ((DEPLOY / name).read_text("utf-8") for name in ("Containerfile", "compose.yaml"))
    assert f"EXPOSE {defaults.web.port}\n" in image
    assert f"127.0.0.1:{defaults.web.port}:{defaults.web.port}" in compose
    assert f"VOLUME {defaults.data_dir}\n" in image
    assert f"dustcake-data:{defaults.data_dir}\n" in compose
    assert "UNTESTED" in compose


def test_the_broker_passes_on_what_the_service_must_see_and_keeps_sessions_for_longer() -> None:
    defaults = Settings()
    text = (DEPLOY / "mosquitto.conf").read_text("utf-8")
    size = re.search(r"^max_packet_size (\d+)$", text, re.MULTILINE)
    assert size is not None
    assert int(size[1]) > 2 * defaults.intake.payload_bytes
    days = re.search(r"^persistent_client_expiration (\d+)d$", text, re.MULTILINE)
    assert days is not None
    assert int(days[1]) * 86_400 >= defaults.broker.session_expiry_s
    for line in ("persistence true", "autosave_on_changes true", "max_queued_messages 0", "allow_anonymous false"):
        assert f"{line}\n" in text


def test_the_access_list_names_the_topics_of_the_settings() -> None:
    topics = Settings().topics
    text = (DEPLOY / "mosquitto.acl").read_text("utf-8")
    assert f"topic read {topics.readings}\n" in text
    assert f"topic read {topics.status}\n" in text
    assert f"topic write {topics.service}\n" in text
    assert f"topic write {topics.heartbeat}\n" in text
    assert f"pattern write {topics.readings.replace('+', '%u')}\n" in text
    assert f"pattern write {topics.status.replace('+', '%u')}\n" in text

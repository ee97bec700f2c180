"""Every verb against a real server: what it prints, for people and for programs, and how it ends."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.cli.app import VERBS, run
from service.cli.daemon import Daemon, Reach
from service.cli.demo.folder import free_port
from service.cli.failure import Exit, Failure
from tests.service.web.client import serving
from tests.service.web.house import TOKEN, FakeHouse, alarm, house

Said = pytest.CaptureFixture[str]
PLANT = Path(__file__).parents[3] / "deploy" / "demo" / "plant.toml"


@pytest.fixture
def owner() -> FakeHouse:
    return house()


@pytest.fixture
def settings(owner: FakeHouse, tmp_path: Path) -> Iterator[Path]:
    """The settings file of a daemon that serves the owner."""
    with serving(owner) as server:
        yield write_settings(tmp_path, server.port)


def write_settings(folder: Path, port: int, host: str = "127.0.0.1") -> Path:
    (folder / "token").write_text(TOKEN + "\n")
    path = folder / "dustcake.toml"
    path.write_text(f'[web]\nhost = "{host}"\nport = {port}\ntoken_file = "{folder / "token"}"\n')
    return path


# ---------------------------------------------------------------- reaching the daemon


def test_status_prints_the_link_that_opens_the_page(settings: Path, capsys: Said) -> None:
    assert run(["status", "--config", str(settings)]) == Exit.OK
    said = capsys.readouterr().out
    assert said.startswith("ready\n")
    assert f"/?key={TOKEN}" in said
    assert "1 alarm, 1 pending, 2 no data, 2 quiet" in said


def test_status_of_a_daemon_that_is_not_ready_ends_with_3(owner: FakeHouse, settings: Path, capsys: Said) -> None:
    owner.checks["broker"] = "connection refused"
    assert run(["status", "--config", str(settings)]) == Exit.NOT_READY
    assert "broker: connection refused" in capsys.readouterr().out


def test_status_for_programs(settings: Path, capsys: Said) -> None:
    assert run(["status", "--config", str(settings), "--json"]) == Exit.OK
    found = json.loads(capsys.readouterr().out)
    assert (found["ready"], found["collectors"]["no data"], found["alarms"]) == (True, 2, 1)


def test_no_daemon_is_one_sentence_with_a_remedy(tmp_path: Path, capsys: Said) -> None:
    path = write_settings(tmp_path, free_port())
    assert run(["status", "--config", str(path)]) == Exit.UNREACHABLE
    said = capsys.readouterr()
    assert said.out == ""
    assert "no daemon answers at http://127.0.0.1" in said.err
    assert "dustcake run" in said.err
    assert "Traceback" not in said.err


def test_a_wrong_token_is_refused_and_not_repeated(settings: Path, tmp_path: Path, capsys: Said) -> None:
    (tmp_path / "other").write_text("another-token-entirely")
    assert run(["status", "--config", str(settings), "--token-file", str(tmp_path / "other")]) == Exit.REFUSED
    said = capsys.readouterr().err
    assert "--token-file" in said
    assert "another-token" not in said


def test_address_and_token_may_come_from_options_alone(settings: Path, tmp_path: Path, capsys: Said) -> None:
    url = Daemon.at(Reach(config=settings)).url
    assert run(["alarms", "--url", url + "/", "--token-file", str(tmp_path / "token")]) == Exit.OK
    assert "high-high" in capsys.readouterr().out


def test_the_settings_are_found_by_the_environment_and_overridden_by_it(
    settings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("DUSTCAKE_CONFIG", str(settings))
    assert run(["alarms"]) == Exit.OK
    monkeypatch.setenv("DUSTCAKE_WEB__PORT", str(free_port()))
    assert run(["alarms"]) == Exit.UNREACHABLE
    monkeypatch.delenv("DUSTCAKE_CONFIG")
    monkeypatch.delenv("DUSTCAKE_WEB__PORT")
    monkeypatch.chdir(tmp_path)
    assert run(["alarms"]) == Exit.OK, "./dustcake.toml is found without being named"


@pytest.mark.parametrize(
    ("host", "url"),
    [
        ("0.0.0.0", "http://127.0.0.1:80"),
        ("::", "http://[::1]:80"),
        ("fe80::1", "http://[fe80::1]:80"),
        ("plant.example", "http://plant.example:80"),
    ],
)
def test_a_daemon_that_listens_everywhere_is_asked_on_this_computer(tmp_path: Path, host: str, url: str) -> None:
    assert Daemon.at(Reach(config=write_settings(tmp_path, 80, host))).url == url


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[web\n", "TOML"),
        ('data_dir = "/nowhere"\n', "/nowhere/token"),
        ('[web]\ntoken_file = "/nowhere"\n', "/nowhere"),
    ],
)
def test_faulty_settings_are_named_with_a_remedy(tmp_path: Path, capsys: Said, text: str, words: str) -> None:
    path = tmp_path / "dustcake.toml"
    path.write_text(text)
    assert run(["status", "--config", str(path)]) == Exit.USAGE
    assert words in capsys.readouterr().err


def test_missing_and_empty_files_are_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: Said) -> None:
    monkeypatch.chdir(tmp_path)
    for arguments in ([], ["--config", "none.toml"], ["--config", str(write_settings(tmp_path, 1))]):
        (tmp_path / "token").write_text("\n")
        assert run(["status", *arguments]) == Exit.USAGE
        assert capsys.readouterr().err.count("\n") == 1


def test_something_else_that_answers_is_not_taken_for_a_daemon(settings: Path) -> None:
    url = Daemon.at(Reach(config=settings)).url + "/static"
    with pytest.raises(Failure, match="404"):
        Daemon(url, TOKEN).get("/api/v1/overview")


# ---------------------------------------------------------------- the other verbs


def test_alarms_lists_active_ones_and_all_when_asked(owner: FakeHouse, settings: Path, capsys: Said) -> None:
    owner.change(alarms=[alarm(), alarm(3, "high", "a2", "cleared")])
    assert run(["alarms", "--config", str(settings)]) == Exit.OK
    heading, row = capsys.readouterr().out.splitlines()
    assert heading.split("\t")[0] == "state"
    assert row.split("\t")[:5] == ["active", "high", "quay/cutting/dc-2", "dp", "high-high"]
    run(["alarms", "--all", "--json", "--config", str(settings)])
    assert [one["id"] for one in json.loads(capsys.readouterr().out)] == ["a1", "a2"]
    run(["alarms", "--all", "--limit", "1", "--json", "--config", str(settings)])
    assert len(json.loads(capsys.readouterr().out)) == 1


def test_explain_says_why_in_sentences_or_as_data(settings: Path, capsys: Said) -> None:
    assert run(["explain", "a1", "--config", str(settings)]) == Exit.OK
    assert capsys.readouterr().out == "Alarm a1 was raised.\n- Because.\n"
    place = ["--collector", "quay/cutting/dc-1", "--point", "dp", "--limit", "high", "--at", "2026-11-25T04:10:00Z"]
    assert run(["explain", *place, "--config", str(settings)]) == Exit.OK
    assert capsys.readouterr().out == "There was no alarm.\n- It was not beyond.\n"
    assert run(["explain", *place, "--json", "--config", str(settings)]) == Exit.OK
    assert json.loads(capsys.readouterr().out)["facts"]["at_us"] == 1_795_579_800_000_000


def test_explain_is_refused_with_a_remedy(settings: Path, capsys: Said) -> None:
    assert run(["explain", "a9", "--config", str(settings)]) == Exit.REFUSED
    assert "no alarm 'a9' on record" in capsys.readouterr().err
    for arguments in ([], ["--collector", "quay/cutting/dc-1"], ["a1", "--point", "dp"]):
        assert run(["explain", *arguments, "--config", str(settings)]) == Exit.USAGE
        assert "all of --collector, --point, --limit and --at" in capsys.readouterr().err


def test_quarantine_cannot_steer_a_terminal(owner: FakeHouse, settings: Path, capsys: Said) -> None:
    owner.rows = [{"received_us": 0, "topic": "a\x1b[31m\nb", "code": "json-invalid", "reason": "not JSON"}]
    assert run(["quarantine", "--config", str(settings)]) == Exit.OK
    said = capsys.readouterr().out
    assert "1970-01-01 00:00:00\ta [31m b\tjson-invalid\tnot JSON" in said
    run(["quarantine", "--json", "--config", str(settings)])
    assert json.loads(capsys.readouterr().out)[0]["topic"] == "a\x1b[31m\nb"


def test_one_message_is_shown_whole_and_cannot_steer_a_terminal(owner: FakeHouse, settings: Path, capsys: Said) -> None:
    owner.rows = [
        {
            "id": 7, "received_us": 0, "topic": "t\x1b[2J", "code": "message-invalid", "reason": "why\u202e not",
            "size": 400_000, "kept_bytes": 262_144, "state": "kept", "settled_us": None, "publisher": "gw\x1b",
            "payload": b"one\ntwo\x9b\xff",
        }
    ]  # fmt: skip
    assert run(["quarantine", "show", "7", "--config", str(settings)]) == Exit.OK
    assert capsys.readouterr().out.splitlines() == [
        "message 7, message-invalid, kept",
        "received 1970-01-01 00:00:00 on t\\x1b[2J",
        "published by gw , as the broker says",
        "400000 bytes, 262144 of them kept",
        "why\\u202e not",
        "",
        "one",
        "two\\x9b\\xff",
    ]
    assert run(["quarantine", "show", "8", "--config", str(settings)]) == Exit.REFUSED
    assert "no message 8" in capsys.readouterr().err


def test_sending_again_goes_on_until_nothing_of_the_order_is_left(
    owner: FakeHouse, settings: Path, capsys: Said
) -> None:
    arguments = ["quarantine", "again", "--code", "unit-refused", "--who", "ann", "--config", str(settings)]
    assert run(arguments) == Exit.OK
    assert [(order.chosen.code, order.who, order.after) for order in owner.asked] == [
        ("unit-refused", "ann", 0),
        ("unit-refused", "ann", 7),
    ]
    said = capsys.readouterr().out
    assert said.startswith("2 messages\n- 1 gone through")
    assert "- 1 refused again" in said
    assert said.endswith("readings: 6 new, 0 duplicate, 2 late, 1 refused\n")
    assert run([*arguments, "--json"]) == Exit.OK
    found = json.loads(capsys.readouterr().out)
    assert (found["messages"], found["new"], found["left"], found["after"]) == (2, 6, 0, 9)


def test_ids_that_are_not_kept_are_told_apart(settings: Path, capsys: Said) -> None:
    assert run(["quarantine", "again", "7", "9", "12", "--config", str(settings)]) == Exit.OK
    assert "- 1 of the ids are not kept" in capsys.readouterr().out


@pytest.mark.parametrize("choice", [[], ["--all", "--code", "x"]])
def test_sending_again_asks_which_messages_are_meant(settings: Path, capsys: Said, choice: list[str]) -> None:
    assert run(["quarantine", "again", *choice, "--config", str(settings)]) == Exit.USAGE
    assert "say which: ids, --code" in capsys.readouterr().err


def test_a_purge_needs_its_reason_and_says_what_it_deleted(owner: FakeHouse, settings: Path, capsys: Said) -> None:
    assert run(["quarantine", "purge", "--older-than", "P30D", "--config", str(settings)]) == Exit.USAGE
    capsys.readouterr()
    why = ["--why", "the trial is over", "--who", "ann"]
    assert run(["quarantine", "purge", "--older-than", "P30D", *why, "--config", str(settings)]) == Exit.OK
    assert owner.asked == [(30 * 86_400_000_000, "ann", "the trial is over")]
    assert capsys.readouterr().out == "3 deleted, 2 of them never used; 900 bytes of room\n- 3 unit-refused\n"


def test_counts_are_by_reason_with_the_room_that_is_taken(settings: Path, capsys: Said) -> None:
    assert run(["quarantine", "counts", "--config", str(settings)]) == Exit.OK
    heading, row, room = capsys.readouterr().out.splitlines()
    assert heading.split("\t") == ["code", "kept", "gone through", "bytes", "first (UTC)", "last (UTC)"]
    assert row.split("\t") == ["unit-refused", "2", "1", "900", "1970-01-01 00:00:00", "1970-01-01 00:00:01"]
    assert room == "900 of 1000 bytes"


def test_a_test_notification_is_queued_or_refused_by_name(settings: Path, capsys: Said) -> None:
    assert run(["test-notification", "lead", "--config", str(settings)]) == Exit.OK
    assert "1 queued: test/lead/mail" in capsys.readouterr().out
    assert run(["test-notification", "nobody", "--config", str(settings)]) == Exit.REFUSED
    assert "no contact 'nobody'" in capsys.readouterr().err


def test_rebuild_says_what_the_daemon_does(settings: Path, capsys: Said) -> None:
    assert run(["rebuild", "--config", str(settings)]) == Exit.OK
    assert capsys.readouterr().out == "rebuilding from 3 journal entries\n"
    run(["rebuild", "--json", "--config", str(settings)])
    assert "said" in json.loads(capsys.readouterr().out)


def test_check_counts_a_plant_that_is_in_order(capsys: Said) -> None:
    assert run(["check", str(PLANT), "--json"]) == Exit.OK
    found = json.loads(capsys.readouterr().out)
    assert (found["ok"], found["collectors"]) == (True, 4)
    assert run(["check", str(PLANT)]) == Exit.OK
    assert "4 collectors" in capsys.readouterr().out


def test_check_names_what_is_wrong_with_a_plant(tmp_path: Path, capsys: Said) -> None:
    path = tmp_path / "plant.toml"
    path.write_text(PLANT.read_text().replace('gateway = "gw-cut-1"', 'gatway = "gw-cut-1"'))
    assert run(["check", str(path)]) == Exit.USAGE
    assert "gatway" in capsys.readouterr().err


def test_the_schema_is_a_json_schema(capsys: Said) -> None:
    assert run(["schema"]) == Exit.OK
    assert "$schema" in json.loads(capsys.readouterr().out)


# ---------------------------------------------------------------- the door


@pytest.mark.parametrize("verb", VERBS)
def test_every_verb_explains_itself(verb: str, capsys: Said) -> None:
    assert run([verb, "--help"]) == Exit.OK
    assert f"dustcake {verb}" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [["splendid"], ["alarms", "--limit", "0"], ["alarms", "--limit", "x"], ["check"]])
def test_wrong_usage_ends_with_2_and_no_traceback(arguments: list[str], capsys: Said) -> None:
    assert run(arguments) == Exit.USAGE
    said = capsys.readouterr().err
    assert said.startswith("dustcake: ")
    assert "--help" in said
    assert "Traceback" not in said


def test_help_lists_the_exit_codes_and_imports_nothing_heavy() -> None:
    """Importing the service takes seconds on a small computer; the list of verbs must not."""
    script = (
        "import sys; from service.cli.app import run; code = run(['--help']);"
        "heavy = {'numpy', 'fastapi', 'pydantic', 'duckdb', 'httpx', 'paho', 'pyarrow', 'service.model'};"
        "print(sorted(heavy & sys.modules.keys())); sys.exit(code)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=60, check=True)
    *text, heavy = done.stdout.splitlines()
    assert heavy == "[]"
    assert all(any(line.strip().startswith(f"{code.value}  ") for line in text) for code in Exit)
    assert all(any(verb in line for line in text) for verb in VERBS)


def test_the_door_ends_with_the_exit_code() -> None:
    done = subprocess.run([sys.executable, "-m", "service", "splendid"], capture_output=True, timeout=60, check=False)
    assert done.returncode == Exit.USAGE

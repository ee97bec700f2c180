"""A backup is one committed state, whole and checked, made while batches are written; it goes back where it may."""

from __future__ import annotations

import fcntl
import json
import shutil
import threading
import time
from contextlib import closing
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from service.cli.app import run as run_verb
from service.model import BadConfiguration, Entry
from service.store import backup
from service.store.ledger import Ledger, connect
from service.store.verify import check_ledger
from tests.integrity.record import HISTORY, LEDGER, make, run
from tests.service.store.test_ledger_and_history import entry

Texts = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("record")
    make(folder)
    return folder / "clean"


@pytest.fixture
def site(record: Path, tmp_path: Path) -> Path:
    """A settings file with its plant file and a data folder of a stopped service."""
    shutil.copytree(record, tmp_path / "data")
    plant = Path(__file__).parents[3] / "deploy" / "demo" / "plant.toml"
    shutil.copy(plant, tmp_path / "plant.toml")
    (tmp_path / "dustcake.toml").write_text(
        f'data_dir = "{tmp_path}/data"\nplant = "{tmp_path}/plant.toml"\n[broker]\nhost = "127.0.0.1"\n'
    )
    return tmp_path


def backed_up(site: Path, *more: str) -> Path:
    assert run_verb(["backup", "--to", f"{site}/b", "--config", f"{site}/dustcake.toml", *more]) == 0
    return site / "b"


def test_a_backup_has_ledger_plant_and_settings_with_their_digests_and_no_secrets(site: Path, capsys: Texts) -> None:
    (site / "data" / "token").write_text("secret-token-text")
    made = backed_up(site)
    assert sorted(file.name for file in made.iterdir()) == [
        "dustcake.toml", "ledger.sqlite", "manifest.json", "plant.toml"
    ]  # fmt: skip
    manifest = json.loads((made / "manifest.json").read_text())
    assert set(manifest["files"]) == {"dustcake.toml", "ledger.sqlite", "plant.toml"}
    assert manifest["schema"] == {"ledger": 3}
    assert manifest["journal"]["seq"] > 5
    assert "the history is made anew" in capsys.readouterr().out
    assert check_ledger(made / LEDGER).faults == []
    assert all(file.stat().st_mode & 0o077 == 0 for file in made.iterdir())


def test_a_backup_made_while_batches_are_written_is_one_state_and_holds_no_commit_up(tmp_path: Path) -> None:
    data = tmp_path / "data"
    data.mkdir()
    ledger = Ledger(data / LEDGER)
    ledger.number_units([("Pa", 0.0, 1.0, 1.0)])
    ledger.number_points([("q/c/d", "dp", "differential pressure")], 5)
    ledger._connection.execute("PRAGMA synchronous = OFF")  # only to fill it
    rows = [(1, n * 1_000_000, n * 0.7919) for n in range(2_000)]
    for _ in range(400):
        ledger.commit(entry(*rows))
    ledger._connection.execute("PRAGMA synchronous = FULL")
    ended, longest_s = threading.Event(), [0.0]

    def write() -> None:
        while not ended.is_set():
            began_s = time.monotonic()
            ledger.commit(entry(*rows[:200]))
            longest_s[0] = max(longest_s[0], time.monotonic() - began_s)

    steps: list[tuple[int, int]] = []
    writer = threading.Thread(target=write)
    writer.start()
    try:
        manifest = backup.make(
            data, tmp_path / "b", {}, history=False, made_at="now", progress=lambda *step: steps.append(step)
        )
    finally:
        ended.set()
        writer.join(30)
    assert ledger.seq > manifest["journal"]["seq"] >= 400
    assert len(steps) >= 2
    assert steps[-1][0] == steps[-1][1]
    assert longest_s[0] < 5.0  # of a writer that would have waited for the whole of it; the usual is below 0.1
    assert check_ledger(tmp_path / "b" / LEDGER).faults == []
    ledger.close()


def test_a_restored_record_starts_and_has_all_that_was_in_it(site: Path) -> None:
    before = run(Path(shutil.copytree(site / "data", site / "same")))
    made = backed_up(site)
    assert run_verb(["restore", "--from", str(made), "--to", f"{site}/new"]) == 0
    after = run(site / "new")
    assert (after.error, after.start, after.verify, after.rebuilt) == ("", [], [], [])
    assert after.readings == before.readings
    assert after.tables["alarm"] == before.tables["alarm"]
    assert [row[2:4] for row in after.tables["audit"]][-1][1] == "restore"


def test_a_history_is_taken_along_only_while_no_service_holds_it(site: Path, capsys: Texts) -> None:
    with (site / "data" / "in-use").open("a") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        arguments = ["backup", "--to", f"{site}/b", "--config", f"{site}/dustcake.toml"]
        assert run_verb([*arguments, "--history"]) == 5
        assert "leave out --history" in capsys.readouterr().err
        assert run_verb(arguments) == 0
        shutil.rmtree(site / "b")
    made = backed_up(site, "--history")
    assert run_verb(["restore", "--from", str(made), "--to", f"{site}/new"]) == 0
    assert (site / "new" / HISTORY).exists()
    seen = run(site / "new")
    assert (seen.rebuilt, seen.verify) == ([], [])


def test_a_backup_never_writes_over_anything(site: Path, capsys: Texts) -> None:
    backed_up(site)
    assert run_verb(["backup", "--to", f"{site}/b", "--config", f"{site}/dustcake.toml"]) == 2
    assert "exists already" in capsys.readouterr().err


def test_a_damaged_ledger_makes_no_backup_that_looks_whole(site: Path, capsys: Texts) -> None:
    with closing(connect(site / "data" / LEDGER)) as connection:
        connection.execute("UPDATE journal SET rows = rows + 1 WHERE seq = 4")
    assert run_verb(["backup", "--to", f"{site}/b", "--config", f"{site}/dustcake.toml"]) == 2
    assert "entry 4 of" in capsys.readouterr().err
    assert not (site / "b").exists()


@pytest.mark.parametrize("name", [LEDGER, "plant.toml", "manifest.json"])
def test_a_backup_that_changed_is_not_put_back(site: Path, name: str, capsys: Texts) -> None:
    made = backed_up(site)
    body = bytearray((made / name).read_bytes())
    body[len(body) // 2] ^= 0xFF
    (made / name).write_bytes(body)
    assert run_verb(["restore", "--from", str(made), "--to", f"{site}/new"]) == 2
    assert str(made) in capsys.readouterr().err
    assert not (site / "new").exists()


def test_a_folder_that_is_not_empty_is_kept_unless_it_is_said_and_then_moved_aside(site: Path, capsys: Texts) -> None:
    made = backed_up(site)
    arguments = ["restore", "--from", str(made), "--to", f"{site}/data"]
    assert run_verb(arguments) == 2
    assert "not empty" in capsys.readouterr().err
    before = (site / "data" / LEDGER).read_bytes()
    assert run_verb([*arguments, "--replace"]) == 0
    (aside,) = (site / "data").glob("replaced-*")
    assert (aside / LEDGER).read_bytes() == before
    seen = run(site / "data")
    assert (seen.start, seen.verify) == ([], [])


def test_a_folder_in_use_is_refused(site: Path, capsys: Texts) -> None:
    made = backed_up(site)
    with (site / "data" / "in-use").open("a") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        assert run_verb(["restore", "--from", str(made), "--to", f"{site}/data", "--replace"]) == 5
    assert "is using it" in capsys.readouterr().err


def test_a_manifest_cannot_name_files_outside_of_the_backup(site: Path) -> None:
    made = backed_up(site)
    manifest = json.loads((made / "manifest.json").read_text())
    manifest["files"]["../plant.toml"] = manifest["files"]["plant.toml"]
    (made / "manifest.json").write_text(json.dumps(manifest))
    with pytest.raises(BadConfiguration, match="no such file"):
        backup.check(made)


def test_an_export_has_all_readings_and_alarms_in_forms_that_others_read(site: Path, capsys: Texts) -> None:
    before = run(Path(shutil.copytree(site / "data", site / "same")))
    assert run_verb(["export", "--data-dir", f"{site}/data", "--to", f"{site}/out", "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    table = pq.read_table(site / "out" / "readings.parquet")
    assert table.num_rows == said["readings"] == before.readings.total()
    assert set(table.column("collector").to_pylist()) == {"quay/hall/c-0", "quay/hall/c-1"}
    lines = [json.loads(line) for line in (site / "out" / "alarms.jsonl").read_text().splitlines()]
    assert {line["id"] for line in lines} == {row[0] for row in before.tables["alarm"]}
    assert run_verb(["export", "--data-dir", f"{site}/data", "--to", f"{site}/out"]) == 2


def test_an_export_says_what_had_to_be_left_out(site: Path, capsys: Texts) -> None:
    with closing(connect(site / "data" / LEDGER)) as connection:
        connection.execute("UPDATE journal SET rows = rows + 1 WHERE seq = 4")
    assert run_verb(["export", "--data-dir", f"{site}/data", "--to", f"{site}/out"]) == 1
    assert "entry 4 of" in capsys.readouterr().out


def test_an_empty_ledger_is_backed_up_and_restored(tmp_path: Path) -> None:
    Ledger(tmp_path / LEDGER).close()
    backup.make(tmp_path, tmp_path / "b", {}, history=False, made_at="now", progress=lambda *_: None)
    backup.check(tmp_path / "b")
    backup.put_back(tmp_path / "b", tmp_path / "new", replace=False, stamp="1")
    with closing(Ledger(tmp_path / "new" / LEDGER)) as ledger:
        assert ledger.commit(Entry(committed_us=1)) == 1

"""Damage to the files is noticed, named, and costs what is damaged and no more."""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import msgspec
import pytest

from rules.delays import Track
from service.cli.app import run as run_verb
from service.model import BadConfiguration, Entry
from service.registering import take_up
from service.store import journal, mark, seal
from service.store.damage import Damage
from service.store.ledger import Ledger, connect
from service.store.migrate import split, steps
from service.store.outbox import LedgerOutbox
from service.store.verify import accept, accepted, check_ledger
from tests.integrity import flips
from tests.integrity.record import FILES, HISTORY, LEDGER, MARK, NOW_US, PLANT, WAL, Seen, make, run

FLIPS = 60
Texts = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A sound record, `clean` and `killed`."""
    folder = tmp_path_factory.mktemp("record")
    make(folder)
    return folder


@pytest.fixture
def clean(record: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(record / "clean", tmp_path / "data"))


@pytest.fixture
def sound(record: Path, tmp_path: Path) -> Seen:
    return run(Path(shutil.copytree(record / "clean", tmp_path / "sound")))


def change(folder: Path, statement: str, *values: object) -> None:
    """What another program, or a disk, does to the ledger: nothing keeps check values."""
    with closing(sqlite3.connect(folder / LEDGER, isolation_level=None)) as connection:
        connection.execute(statement, values)


def anew(folder: Path) -> Seen:
    """Start with the history made anew from the journal."""
    (folder / HISTORY).unlink(missing_ok=True)
    return run(folder)


# ---------------------------------------------------------------- the journal


def test_a_damaged_entry_is_named_with_number_time_and_rows_and_only_it_is_left_out(clean: Path, sound: Seen) -> None:
    (seq, rows, at) = next(iter(ask(clean, "SELECT seq, rows, committed_us FROM journal WHERE seq = 9")))
    other = "CAST(substr(readings, 1, 200) || X'01' || substr(readings, 202) AS BLOB)"
    change(clean, f"UPDATE journal SET readings = {other} WHERE seq = 9")
    seen = anew(clean)
    text = seen.apply["journal 9"]
    assert f"entry {seq} of 2026-11-25T" in text
    assert f"with {rows} readings is damaged" in text
    assert at
    assert (sound.readings - seen.readings).total() == rows
    assert not seen.readings - sound.readings
    assert text in seen.verify


@pytest.mark.parametrize("column", ["committed_us = committed_us + 1", "rows = rows + 1", "events = '[]'"])
def test_every_column_of_an_entry_counts(clean: Path, column: str) -> None:
    change(clean, f"UPDATE journal SET {column} WHERE seq = 9")
    assert list(anew(clean).apply) == ["journal 9"]


def test_a_check_value_that_is_damaged_itself_costs_no_reading(clean: Path, sound: Seen) -> None:
    for bit in (0, 31, 32, 62):
        change(clean, "UPDATE journal SET crc = (crc | ?1) - (crc & ?1) WHERE seq = 9", 1 << bit)
        seen = anew(clean)
        assert seen.readings == sound.readings
        assert any("entry 10 does not follow entry 9" in text for text in seen.verify)
        change(clean, "UPDATE journal SET crc = (crc | ?1) - (crc & ?1) WHERE seq = 9", 1 << bit)
    assert anew(clean).verify == []


def test_an_entry_that_is_missing_is_named_and_the_rest_is_applied(clean: Path, sound: Seen) -> None:
    ((rows,),) = ask(clean, "SELECT rows FROM journal WHERE seq = 9")
    change(clean, "DELETE FROM journal WHERE seq = 9")
    seen = anew(clean)
    assert "entry 9 is missing" in seen.apply["journal 9"]
    assert (sound.readings - seen.readings).total() == rows


def test_entries_that_changed_places_are_both_left_out(clean: Path) -> None:
    change(clean, "UPDATE journal SET seq = -1 WHERE seq = 9")
    change(clean, "UPDATE journal SET seq = 9 WHERE seq = 10")
    change(clean, "UPDATE journal SET seq = 10 WHERE seq = -1")
    found = anew(clean).apply
    assert [what for what, text in found.items() if "is left out" in text] == ["journal 9", "journal 10"]
    assert "entry 11 does not follow entry 10" in found["journal 11"]


def test_an_entry_of_another_ledger_under_the_right_number_does_not_link_up(clean: Path) -> None:
    (row,) = ask(clean, "SELECT seq, committed_us, rows, readings, events FROM journal WHERE seq = 9")
    row = (row[0], row[1] + 1, *row[2:])
    change(clean, "UPDATE journal SET committed_us = ?, crc = ? WHERE seq = 9", row[1], journal.check_value(row, 77))
    report = check_ledger(clean / LEDGER)
    assert "entry 9 does not follow entry 8" in " ".join(fault.text for fault in report.faults)


def test_entries_that_had_been_committed_and_are_gone_are_missed(record: Path, tmp_path: Path) -> None:
    """SQLite drops the tail of a write-ahead log at the first frame that is damaged, without a word."""
    folder = Path(shutil.copytree(record / "killed", tmp_path / "data"))
    body = bytearray((folder / WAL).read_bytes())
    body[len(body) * 2 // 3] ^= 1
    (folder / WAL).write_bytes(body)
    ledger = Ledger(folder / LEDGER)
    ledger.close()
    (text,) = [fault.text for fault in ledger.faults if fault.what.endswith("lost")]
    assert f"it ends at entry {ledger.seq}" in text


def test_verify_beside_a_running_service_misses_nothing_that_is_written_meanwhile(
    clean: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = Ledger(clean / LEDGER)
    look = seal.structure_faults

    def meanwhile(*args: Any) -> Any:
        ledger.commit(Entry(committed_us=NOW_US + ledger.seq))
        return look(*args)

    monkeypatch.setattr(seal, "structure_faults", meanwhile)
    try:
        before = ledger.seq
        assert check_ledger(clean / LEDGER).faults == []
        assert ledger.seq > before
    finally:
        ledger.close()


def test_a_mark_that_is_missing_or_damaged_is_no_fault(clean: Path) -> None:
    assert mark.read(clean / LEDGER) is not None
    (clean / MARK).write_bytes(b"x" * 20)
    assert mark.read(clean / LEDGER) is None
    assert run(clean).start == []


# ---------------------------------------------------------------- rows


def test_a_row_changed_by_something_else_stays_noticed_when_the_service_updates_it(clean: Path) -> None:
    change(clean, "UPDATE tally SET count = count + 4 WHERE name = 'readings'")
    with closing(connect(clean / LEDGER)) as connection:
        connection.execute("UPDATE tally SET count = count + 1")
    assert [fault.what for fault in check_ledger(clean / LEDGER).faults] == ["tally readings"]


def test_a_row_that_vanished_or_appeared_is_noticed(clean: Path) -> None:
    change(clean, "DELETE FROM quarantine WHERE id = 1")
    change(clean, "INSERT INTO tally VALUES ('other', 1)")
    assert {fault.what for fault in check_ledger(clean / LEDGER).faults} == {"quarantine 1", "tally other"}


def test_a_damaged_notification_is_not_sent_and_stays_on_record(clean: Path) -> None:
    ((row_id, key),) = ask(clean, "SELECT id, key FROM outbox WHERE state = 'owed' LIMIT 1")
    change(clean, "UPDATE outbox SET address = 'someone@else.example' WHERE id = ?", row_id)
    noted: dict[str, str] = {}
    outbox = LedgerOutbox(clean / LEDGER, note=noted.__setitem__)
    assert key not in [row.key for row in outbox.due(NOW_US * 2, 1000)]
    outbox.close()
    assert "the notification is not sent" in noted[f"outbox {row_id}"]
    assert ask(clean, f"SELECT state, detail FROM outbox WHERE id = {row_id}") == [("given up", "damaged on disk")]


def test_a_damaged_state_is_made_again_from_the_journal_and_its_alarms_go_on(clean: Path, sound: Seen) -> None:
    with closing(Ledger(clean / LEDGER)) as ledger:
        before = take_up(ledger, PLANT, plant_us=NOW_US, wall_us=NOW_US, who="x", why="x").evaluator.board
        expected = {name: before.state(name) for name in before.specs}
    change(clean, "UPDATE collector_state SET body = X'7B7D'")
    with closing(Ledger(clean / LEDGER)) as ledger:
        assert len(ledger.damaged_collectors()) == 2
        after = take_up(ledger, PLANT, plant_us=NOW_US, wall_us=NOW_US, who="x", why="x").evaluator.board
        for name, state in expected.items():
            for point, held in state.points.items():
                tracks = after.state(name).points[point].tracks
                assert [_kept(track) for track in tracks] == [_kept(track) for track in held.tracks]
    assert ask(clean, "SELECT id, state, reason FROM alarm ORDER BY id") == sorted(
        (row[0], row[5], row[10]) for row in sound.tables["alarm"]
    )
    with closing(Ledger(clean / LEDGER)) as ledger:
        assert ledger.faults == []  # saved again


def _kept(track: Track) -> tuple[object, ...]:
    return track.is_open, track.is_active, track.began_us, track.counted_us


def test_an_alarm_that_the_remade_state_does_not_hold_is_closed_with_the_reason(clean: Path) -> None:
    (alarm,) = ask(clean, "SELECT id, collector FROM alarm WHERE state = 'active' LIMIT 1")
    change(clean, "UPDATE collector_state SET body = X'7B7D' WHERE collector = ?", alarm[1])
    change(clean, "UPDATE journal SET readings = NULL")
    with closing(Ledger(clean / LEDGER)) as ledger:
        take_up(ledger, PLANT, plant_us=NOW_US, wall_us=NOW_US, who="x", why="x")
    assert ask(clean, f"SELECT state, reason FROM alarm WHERE id = '{alarm[0]}'") == [
        ("closed", "state damaged on disk")
    ]


def test_damaged_last_readings_are_made_again_from_the_journal(clean: Path) -> None:
    with closing(Ledger(clean / LEDGER)) as ledger:
        before = take_up(ledger, PLANT, plant_us=NOW_US, wall_us=NOW_US, who="x", why="x").evaluator
    change(clean, "UPDATE tips SET body = CAST(substr(body, 1, length(body) - 9) || X'01' || substr(body, -8) AS BLOB)")
    with closing(Ledger(clean / LEDGER)) as ledger:
        assert [fault.what for fault in ledger.faults] == ["tips 1"]
        after = take_up(ledger, PLANT, plant_us=NOW_US, wall_us=NOW_US, who="x", why="x").evaluator
    assert after.board.tips.last_us.tolist() == before.board.tips.last_us.tolist()
    assert after.board.tips.value.tolist() == before.board.tips.value.tolist()
    assert after.last_good_us.tolist() == before.last_good_us.tolist()


@pytest.mark.parametrize(
    "damage",
    [
        "UPDATE point SET name = 'dq' WHERE id = 1",
        "UPDATE point SET collector = CAST(X'FF' AS TEXT) WHERE id = 2",
        "UPDATE point SET id = 900 WHERE id = 2",
        "UPDATE unit SET numerator = numerator * 2 WHERE name = 'inH2O'",
        "UPDATE unit SET id = 900 WHERE name = 'inH2O'",
        "DELETE FROM unit WHERE name = 'inH2O'",
    ],
)
def test_names_that_the_plant_and_the_unit_table_know_are_put_back_where_their_check_values_prove_them(
    clean: Path, sound: Seen, damage: str
) -> None:
    change(clean, damage)
    seen = anew(clean)
    assert seen.start != []
    assert (seen.readings, seen.verify) == (sound.readings, [])
    assert [seen.tables[name] for name in ("unit", "point")] == [sound.tables[name] for name in ("unit", "point")]


def test_text_that_is_no_longer_text_does_not_end_the_start(clean: Path) -> None:
    change(clean, "UPDATE gateway SET body = CAST(X'FFFE' AS TEXT)")
    seen = run(clean)
    assert seen.error == ""
    assert any("table gateway is not as the service wrote it" in text for text in seen.start)


def test_a_key_that_is_no_longer_text_can_still_be_put_on_record(clean: Path, capsys: Texts) -> None:
    change(clean, "UPDATE gateway SET id = CAST(X'67FF' AS TEXT) WHERE id = 'gw-0'")
    with closing(Ledger(clean / LEDGER)) as ledger:
        damage = Damage(clean / LEDGER, lambda: 5)
        for fault in ledger.faults:
            damage.note(fault.what, fault.text)
        assert "gw-0" in Damage(clean / LEDGER, lambda: 6).says()
    assert run_verb(["verify", "--data-dir", str(clean), "--json"]) == 1
    assert "\\udcff" in capsys.readouterr().out


# ---------------------------------------------------------------- findings


def test_a_finding_is_shown_until_a_person_accepts_it(clean: Path) -> None:
    damage = Damage(clean / LEDGER, lambda: 5)
    assert damage.says() == "ok"
    damage.note("journal 9", "entry 9 is damaged")
    damage.note("journal 9", "entry 9 is damaged")
    assert Damage(clean / LEDGER, lambda: 6).says() == "entry 9 is damaged"  # also after a restart
    accept(clean / LEDGER, [], 7, "me")
    assert damage.says() == "ok"
    damage.note("journal 9", "entry 9 is damaged")
    assert damage.says() == "ok"
    assert accepted(clean / LEDGER) == {"journal 9"}
    assert ask(clean, "SELECT who, what FROM audit") == [("me", "accept damage")]


def test_verify_ends_with_0_for_a_sound_record_and_with_1_and_the_text_for_a_damaged_one(
    clean: Path, capsys: Texts
) -> None:
    assert run_verb(["verify", "--data-dir", str(clean)]) == 0
    said = capsys.readouterr().out
    assert "\nsound\n" in said
    assert "every block read" in said
    change(clean, "UPDATE journal SET rows = rows + 1 WHERE seq = 9")
    assert run_verb(["verify", "--data-dir", str(clean)]) == 1
    assert "entry 9 of" in capsys.readouterr().out
    assert run_verb(["verify", "--data-dir", str(clean), "--json"]) == 1
    found = msgspec.json.decode(capsys.readouterr().out)
    assert [fault["what"] for fault in found["faults"]] == ["journal 9"]
    assert run_verb(["verify", "--data-dir", str(clean), "--accept"]) == 0
    assert "sound (1 accepted losses)" in capsys.readouterr().out
    assert run_verb(["verify", "--data-dir", str(clean)]) == 0


def test_verify_of_a_folder_without_a_ledger_is_a_usage_error(tmp_path: Path, capsys: Texts) -> None:
    assert run_verb(["verify", "--data-dir", str(tmp_path)]) == 2
    assert "there is no ledger in it" in capsys.readouterr().err


def test_a_history_that_lacks_readings_of_an_entry_is_found_by_verify(clean: Path, capsys: Texts) -> None:
    import duckdb  # noqa: PLC0415 - of this one test

    with closing(duckdb.connect(str(clean / HISTORY))) as connection:
        connection.execute("DELETE FROM reading WHERE seq = 9 AND point = 1")
    assert run_verb(["verify", "--data-dir", str(clean)]) == 1
    assert "history: entry 9 has" in capsys.readouterr().out


# ---------------------------------------------------------------- migrations


def old_ledger(path: Path) -> None:
    """A ledger as the first release made it, with two entries."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in split(dict(steps("ledger"))[1]):
            connection.execute(statement)
        connection.execute("PRAGMA user_version = 1")
        connection.execute("INSERT INTO unit VALUES (1, 'Pa', 0.0, 1.0, 1.0)")
        connection.execute("INSERT INTO point VALUES (1, 'q/c/d', 'dp', 'differential pressure', 5)")
        for seq in (1, 2):
            connection.execute("INSERT INTO journal VALUES (?, 7, 0, NULL, NULL)", (seq,))


def test_a_ledger_of_schema_1_goes_on_and_what_it_had_is_sealed(tmp_path: Path) -> None:
    path = tmp_path / LEDGER
    old_ledger(path)
    with closing(Ledger(path)) as ledger:
        assert ledger.faults == []
        take_up(ledger, PLANT, plant_us=NOW_US, wall_us=NOW_US, who="x", why="x")
        assert ledger.seq == 3
    report = check_ledger(path)
    assert report.faults == []
    assert report.counts["entries from before check values"] == 2
    change(tmp_path, "UPDATE point SET name = 'dq' WHERE id = 1")
    assert [fault.what for fault in check_ledger(path).faults] == ["point 1"]


def test_an_entry_without_a_check_value_after_one_with_it_is_damaged(clean: Path) -> None:
    change(clean, "UPDATE journal SET crc = NULL WHERE seq = 9")
    assert "journal 9" in anew(clean).apply


def test_verify_refuses_a_newer_file_and_the_service_too(clean: Path) -> None:
    change(clean, "PRAGMA user_version = 99")
    with pytest.raises(BadConfiguration, match="schema version 99"):
        Ledger(clean / LEDGER)
    (fault,) = check_ledger(clean / LEDGER).faults
    assert "found 99" in fault.text


# ---------------------------------------------------------------- files


@pytest.mark.timeout(600)
@pytest.mark.parametrize("which", FILES)
def test_no_flipped_bit_is_lost_without_a_word(record: Path, tmp_path: Path, which: str) -> None:
    shutil.copytree(record, tmp_path / "r")
    for bit, seen, sound in flips.trials(tmp_path / "r", which, FLIPS, seed=20261125):
        assert flips.judge(seen, sound) != "SILENT", bit
        assert not seen.crashed, (bit, seen.error)
        assert not flips.wrong(seen, sound), bit


CUTS = (0.0, 0.001, 0.3, 0.5, 0.8, 0.999)


@pytest.mark.timeout(300)
@pytest.mark.parametrize("torn", [False, True], ids=["truncated", "torn"])
@pytest.mark.parametrize("which", FILES)
def test_a_file_cut_off_or_torn_is_mended_unaided_or_named(
    record: Path, tmp_path: Path, which: str, torn: bool
) -> None:
    """Torn: a block of 4 KiB holds zeros. A history is whole again afterwards, whatever was done to it."""
    source = record / ("killed" if which.endswith("wal") else "clean")
    expected = run(Path(shutil.copytree(source, tmp_path / "sound")))
    for at in CUTS:
        folder = Path(shutil.copytree(source, tmp_path / f"{at}"))
        file = folder / FILES[which]
        body = file.read_bytes()
        cut = int(len(body) * at)
        file.write_bytes(body[:cut] + (bytes(4096) + body[cut + 4096 :] if torn else b""))
        seen = run(folder)
        assert not seen.crashed, (at, seen.error)
        assert not flips.wrong(seen, expected), at
        assert flips.judge(seen, expected) != "SILENT", at
        if which.startswith("history"):
            assert seen.readings == expected.readings, at


def ask(folder: Path, question: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(folder / LEDGER)) as connection:
        return connection.execute(question).fetchall()

"""A backup of the ledger made while the service runs, and putting one back. Knows files, not the service.

A backup is a folder: ledger, plant and settings files, if wanted the history, and a manifest with the SHA-256 of each.
It is made under another name and renamed when it is whole and verified, so a folder with a manifest is a backup. The
token and the files with secrets are never in it.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any

from service.model import BadConfiguration
from service.store.ledger import connect
from service.store.verify import check_ledger

LEDGER, HISTORY, MANIFEST = "ledger.sqlite", "history.duckdb", "manifest.json"
FORM = 1  # of the manifest
PAGES_PER_STEP = 1_000  # 4 MB
PAUSE_S = 0.005  # between steps: others have the disk
KEPT_BY_OTHERS = ("in-use", "token")  # what may be in a data folder that counts as empty
Progress = Callable[[int, int], None]  # pages done, pages in all


def make(
    data_dir: Path, target: Path, extras: Mapping[str, Path], *, history: bool, made_at: str, progress: Progress
) -> dict[str, Any]:
    """Back up `data_dir` into the new folder `target`; `extras` are more files by the name they get. The manifest.

    BadConfiguration when there is something at `target` already, or when the copy does not verify. The history can
    be taken along only while no service has it open; it can always be made anew from the ledger.
    """
    if target.exists():
        raise BadConfiguration(f"{target}: exists already; expected the name of a new folder; give another one")
    if not (data_dir / LEDGER).is_file():
        raise BadConfiguration(f"{data_dir}: no {LEDGER} in it; expected the data folder of a service; correct it")
    part = target.with_name(target.name + ".part")
    shutil.rmtree(part, ignore_errors=True)  # of a backup that was broken off
    part.mkdir(parents=True, mode=0o700)
    _copy_ledger(data_dir / LEDGER, part / LEDGER, progress)
    if history:
        for name in (HISTORY, f"{HISTORY}.wal"):
            if (data_dir / name).exists():
                shutil.copyfile(data_dir / name, part / name)
    for name, source in extras.items():
        shutil.copyfile(source, part / name)
    faults = check_ledger(part / LEDGER).faults
    if faults:
        raise BadConfiguration(
            f"{part}: the copy of the ledger is damaged, as the ledger itself may be: {faults[0].text}; "
            "look with `dustcake verify`"
        )
    manifest = _manifest(part, made_at)
    (part / MANIFEST).write_text(json.dumps(manifest, indent=2) + "\n")
    for file in part.iterdir():
        file.chmod(0o600)
        _to_disk(file)
    part.rename(target)
    _to_disk(target.parent)
    return manifest


def check(source: Path) -> dict[str, Any]:
    """The manifest of a backup whose files are all there and unchanged; BadConfiguration otherwise."""
    try:
        manifest: dict[str, Any] = json.loads((source / MANIFEST).read_text("utf-8"))
        files, form = dict(manifest["files"]), manifest["form"]
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BadConfiguration(
            f"{source}: no readable {MANIFEST} ({error}); expected a folder made by `dustcake backup`"
        ) from error
    if form != FORM:
        raise BadConfiguration(f"{source}: manifest of form {form}, expected {FORM}; use the release that made it")
    for name, said in files.items():
        found = _digest(source / name) if Path(name).name == name and (source / name).is_file() else "no such file"
        if found != said["sha256"]:
            raise BadConfiguration(
                f"{source / name}: SHA-256 {found}, expected {said['sha256']}; the backup is damaged, use another one"
            )
    if LEDGER not in files:
        raise BadConfiguration(f"{source}: no {LEDGER} in its manifest; use another backup")
    faults = check_ledger(source / LEDGER).faults if os.access(source, os.W_OK) else []
    if faults:
        raise BadConfiguration(f"{source / LEDGER}: {faults[0].text}")
    return manifest


def put_back(source: Path, data_dir: Path, *, replace: bool, stamp: str) -> list[str]:
    """Put a checked backup's ledger (and history) into `data_dir`, which nobody may be using; the names put there.

    BadConfiguration when the folder has something in it and `replace` is not given; with it, what is there is moved
    to a folder `replaced-<stamp>` inside and not deleted. A history that is not in the backup is made anew.
    """
    data_dir.mkdir(parents=True, exist_ok=True)
    there = [file for file in data_dir.iterdir() if file.name not in KEPT_BY_OTHERS]
    if there and not replace:
        raise BadConfiguration(
            f"{data_dir}: not empty ({', '.join(sorted(file.name for file in there)[:5])}); expected an empty folder; "
            "give another one, or --replace, which moves what is there aside"
        )
    put = [name for name in (LEDGER, HISTORY, f"{HISTORY}.wal") if (source / name).exists()]
    for name in put:
        shutil.copyfile(source / name, data_dir / f"{name}.part")
        _to_disk(data_dir / f"{name}.part")
    aside = data_dir / f"replaced-{stamp}"
    for file in there:
        if file.name.startswith((LEDGER, HISTORY)):
            aside.mkdir(exist_ok=True)
            file.rename(aside / file.name)
    for name in put:
        (data_dir / f"{name}.part").rename(data_dir / name)
    _to_disk(data_dir)
    return put


def audit_restore(data_dir: Path, at_us: int, who: str, detail: Mapping[str, Any]) -> None:
    """Say in the restored ledger that it was restored."""
    with closing(connect(data_dir / LEDGER)) as connection:
        connection.execute(
            "INSERT INTO audit (at_us, who, what, detail) VALUES (?, ?, 'restore', ?)", (at_us, who, json.dumps(detail))
        )


def _copy_ledger(source: Path, target: Path, progress: Progress) -> None:
    """SQLite's online backup, in steps. A held read transaction keeps it to one state while batches are written."""

    def stepped(_status: int, left: int, total: int) -> None:
        progress(total - left, total)
        time.sleep(PAUSE_S)

    with closing(connect(source, read_only=True)) as reading, closing(sqlite3.connect(target)) as writing:
        reading.execute("BEGIN")
        reading.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        reading.backup(writing, pages=PAGES_PER_STEP, progress=stepped)
        reading.execute("ROLLBACK")
        writing.execute("PRAGMA journal_mode = DELETE")  # one file, whole in itself


def _manifest(folder: Path, made_at: str) -> dict[str, Any]:
    with closing(sqlite3.connect(folder / LEDGER)) as connection:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        last = connection.execute("SELECT seq, committed_us, crc FROM journal ORDER BY seq DESC LIMIT 1").fetchone()
    return {
        "form": FORM,
        "made_at": made_at,
        "schema": {"ledger": version},
        "journal": dict(zip(("seq", "committed_us", "check_value"), last or (0, 0, None), strict=True)),
        "files": {
            file.name: {"bytes": file.stat().st_size, "sha256": _digest(file)} for file in sorted(folder.iterdir())
        },
    }


def _digest(file: Path) -> str:
    with file.open("rb") as body:
        return hashlib.file_digest(body, "sha256").hexdigest()


def _to_disk(path: Path) -> None:
    """fsync of a file or a folder."""
    opened = os.open(path, os.O_RDONLY)
    try:
        os.fsync(opened)
    finally:
        os.close(opened)

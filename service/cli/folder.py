"""The data folder that a verb works on, and whether a service is using it. Never writes into it but to hold it."""

from __future__ import annotations

import fcntl
import os
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from service.cli.daemon import DATA_DIR, settings_path
from service.cli.failure import Exit, Failure


def data_dir_of(given: Path | None, config: Path | None) -> Path:
    """The data folder: the one given, else the one that the settings and the environment name."""
    if given is None:
        path = settings_path(config)
        try:
            table = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError) as error:
            raise Failure(Exit.USAGE, f"{path}: cannot be read as TOML ({error}); correct the file") from None
        given = Path(os.environ.get("DUSTCAKE_DATA_DIR", table.get("data_dir", DATA_DIR)))
    return given


def ledger_in(data_dir: Path) -> Path:
    """The ledger in a data folder; Failure when there is none."""
    path = data_dir / "ledger.sqlite"
    if not path.is_file():
        raise Failure(Exit.USAGE, f"{data_dir}: there is no ledger in it; give the data folder with --data-dir")
    return path


def is_in_use(data_dir: Path) -> bool:
    """Whether a service holds the folder now."""
    try:
        with (data_dir / "in-use").open("r+") as held:
            fcntl.flock(held, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except FileNotFoundError:
        return False
    except PermissionError as error:
        raise Failure(Exit.USAGE, f"{error.filename}: not readable; run this as the user of the service") from None
    except OSError:
        return True
    return False


@contextmanager
def held_alone(data_dir: Path) -> Iterator[None]:
    """Hold the folder, as a service does; Failure when one is using it."""
    data_dir.mkdir(parents=True, exist_ok=True)
    with (data_dir / "in-use").open("a") as held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise Failure(
                Exit.REFUSED, f"{data_dir}: a dustcake service is using it; stop that first, or give another folder"
            ) from None
        yield

"""`dustcake backup`: a copy of the record that can be put back."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from service.cli.daemon import settings_path
from service.cli.failure import Exit, Failure
from service.cli.folder import held_alone, is_in_use, ledger_in
from service.cli.output import say, say_json


def backup(
    *,
    to: Path,
    config: Annotated[Path | None, Parameter(env_var="DUSTCAKE_CONFIG")] = None,
    history: bool = False,
    json: bool = False,
) -> None:
    """Back up ledger, plant file and settings file into a new folder, while the service runs or while it does not.

    Secrets and the token are not in it. The history is not needed: a restored service makes it anew from the ledger.

    Parameters
    ----------
    to
        The folder to make; it must not exist.
    config
        Settings file; by default ./dustcake.toml, then /etc/dustcake/dustcake.toml.
    history
        Take the history along, which saves making it anew. Only while the service is stopped.
    json
        Print JSON for programs.
    """
    path = settings_path(config)
    from service.clock import SystemClock  # noqa: PLC0415 - of the service, which --help does not need
    from service.config import load  # noqa: PLC0415 - likewise
    from service.store import backup as making  # noqa: PLC0415 - likewise
    from service.units.times import as_datetime  # noqa: PLC0415 - likewise

    settings = load(path)
    folder = settings.data_dir
    ledger_in(folder)
    if history and is_in_use(folder):
        raise Failure(
            Exit.REFUSED,
            f"{folder}: the running service holds its history; leave out --history (it is made anew from the ledger), "
            "or stop the service first",
        )
    made_at = as_datetime(SystemClock().wall_us()).isoformat()
    extras = {"dustcake.toml": path, "plant.toml": settings.plant}
    if history:
        with held_alone(folder):
            manifest = making.make(folder, to, extras, history=True, made_at=made_at, progress=_progress)
    else:
        manifest = making.make(folder, to, extras, history=False, made_at=made_at, progress=_progress)
    if json:
        say_json({"to": str(to), **manifest})
    else:
        size = sum(file["bytes"] for file in manifest["files"].values())
        say(f"{to}: {len(manifest['files'])} files, {size >> 20} MiB, up to journal entry {manifest['journal']['seq']}")
        say("verified; keep it on another disk" + ("" if history else "; the history is made anew from it"))


def _progress(done: int, total: int) -> None:
    """One line on a terminal that is written over; nothing on a pipe."""
    if sys.stderr.isatty():
        sys.stderr.write(f"\r{done} of {total} pages" + ("\n" if done == total else ""))
        sys.stderr.flush()

"""`dustcake export`: the record for other programs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from service.cli.failure import Exit
from service.cli.folder import data_dir_of, ledger_in
from service.cli.output import say, say_json


def export(
    *,
    to: Path,
    data_dir: Path | None = None,
    config: Annotated[Path | None, Parameter(env_var="DUSTCAKE_CONFIG")] = None,
    json: bool = False,
) -> int:
    """Write all readings as Parquet and all alarms as JSON lines into a new folder, also while the service runs.

    Ends with 1 when damaged entries had to be left out.

    Parameters
    ----------
    to
        The folder to make; it must not exist.
    data_dir
        The data folder, instead of the one in the settings.
    config
        Settings file; by default ./dustcake.toml, then /etc/dustcake/dustcake.toml.
    json
        Print JSON for programs.
    """
    from service.store.export import export as write  # noqa: PLC0415 - of the service, which --help does not need

    done = write(ledger_in(data_dir_of(data_dir, config)), to)
    if json:
        say_json({"to": str(to), **done})
    else:
        for text in done["left_out"]:
            say(f"- {text}")
        say(f"{to}: {done['readings']} readings, {done['alarms']} alarms")
    return Exit.BROKEN if done["left_out"] else Exit.OK

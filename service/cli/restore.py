"""`dustcake restore`: put a backup back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from service.cli.folder import held_alone
from service.cli.output import say, say_json


def restore(
    *, source: Annotated[Path, Parameter(name="--from")], to: Path, replace: bool = False, json: bool = False
) -> None:
    """Check a backup and put its ledger into a data folder that no service is using.

    What the service received after the backup is not in it. Alarms that changed since then are decided again from what
    comes in, and people may be told again. Settings and plant file stay in the backup, for you to compare and copy.

    Parameters
    ----------
    source
        Folder made by `dustcake backup`.
    to
        The data folder.
    replace
        Allow a folder that is not empty; what is there is moved to a folder inside, not deleted.
    json
        Print JSON for programs.
    """
    import getpass  # noqa: PLC0415 - not for --help

    from service.clock import SystemClock  # noqa: PLC0415 - of the service, which --help does not need
    from service.store import backup as making  # noqa: PLC0415 - likewise
    from service.units.times import as_datetime  # noqa: PLC0415 - likewise

    manifest = making.check(source)
    now_us = SystemClock().wall_us()
    with held_alone(to):
        put = making.put_back(source, to, replace=replace, stamp=as_datetime(now_us).strftime("%Y%m%dT%H%M%S"))
        detail = {"from": str(source), "made_at": manifest["made_at"], "entry": manifest["journal"]["seq"]}
        making.audit_restore(to, now_us, getpass.getuser(), detail)
    if json:
        say_json({"to": str(to), "put": put, **manifest})
    else:
        say(f"{to}: {', '.join(put)} of {manifest['made_at']}, up to journal entry {manifest['journal']['seq']}")
        if "history.duckdb" not in put:
            say("the history is made anew when the service starts")
        say(f"settings and plant file of that time: {source / 'dustcake.toml'}, {source / 'plant.toml'}")

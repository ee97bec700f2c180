"""`dustcake verify`: is the record whole?"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from service.cli.daemon import Daemon, Reach
from service.cli.failure import Exit, Failure
from service.cli.folder import data_dir_of, is_in_use, ledger_in
from service.cli.output import plain, say, say_json

if TYPE_CHECKING:
    from service.store.verify import Report

TEXTS_SHOWN = 50


def verify(
    *,
    data_dir: Path | None = None,
    accept: Annotated[bool, Parameter(name="--accept")] = False,
    reach: Reach | None = None,
    json: bool = False,
) -> int:
    """Look whether the record is whole, on a stopped service or beside a running one. Mends nothing.

    Ends with 0 when all is sound, 1 when something is damaged. A running service is asked for its history; where it
    cannot be asked, the ledger is looked at alone.

    Parameters
    ----------
    data_dir
        The data folder, instead of the one in the settings.
    accept
        Put on record that the losses found are accepted, so that health shows them no longer. Mends nothing.
    json
        Print JSON for programs.
    """
    from service.store import verify as looking  # noqa: PLC0415 - of the service, which --help does not need

    reach = reach or Reach()
    folder = data_dir_of(data_dir, reach.config)
    path = ledger_in(folder)
    report = looking.check_ledger(path)
    report.is_in_use = is_in_use(folder)
    history = _check_history(report, folder, reach)
    if accept and report.faults:
        _accept(path, report)
    known = looking.accepted(path)
    faults = [fault for fault in report.faults if fault.what not in known]
    if json:
        say_json(
            {
                "sound": not faults,
                "faults": [{"what": fault.what, "says": fault.text} for fault in faults],
                "accepted": [fault.what for fault in report.faults if fault.what in known],
                "counts": report.counts,
                "history": history,
            }
        )
    else:
        _say(path, report, [fault.text for fault in faults], history)
    return Exit.BROKEN if faults else Exit.OK


def _say(path: Path, report: Report, texts: list[str], history: str) -> None:
    for text in texts[:TEXTS_SHOWN]:
        say(f"- {plain(text)}")
    if len(texts) > TEXTS_SHOWN:
        say(f"- and {len(texts) - TEXTS_SHOWN} more, see --json")
    counts = report.counts
    say(f"{path}: {counts.get('journal entries', 0)} journal entries, {counts.get('readings', 0)} readings")
    if older := counts.get("entries from before check values"):
        say(f"{older} entries are from a release without check values: their pages were checked, their content was not")
    say(f"history: {history}")
    accepted = len(report.faults) - len(texts)
    say(("DAMAGED" if texts else "sound") + (f" ({accepted} accepted losses)" if accepted else ""))


def _check_history(report: Report, folder: Path, reach: Reach) -> str:
    """Look at the history too; in words, how it was looked at."""
    from service.store import verify as looking  # noqa: PLC0415 - as above

    if report.is_in_use:
        try:
            said = Daemon.at(reach).get("/api/v1/history-counts")
        except Failure as failure:
            return f"not looked at: the service holds it, and could not be asked ({failure})"
        looking.check_history(said["applied"], [(seq, fresh) for seq, fresh in said["entries"]], report)
        return "compared with the journal by the running service; stop it to have every block read"
    from service.store.seal import Fault  # noqa: PLC0415 - as above

    file = folder / "history.duckdb"
    if not file.exists():
        return "there is none; it is made anew at the next start"
    try:
        _read(file, lambda query: looking.check_history(*looking.history_counts(query), report), looking)
    except Exception as error:  # noqa: BLE001 - whatever a damaged file brings up is what is to be told
        report.faults.append(Fault("history", f"history: {error}; {looking.REBUILD}"))
        return "cannot be read"
    return "every block read, and compared with the journal"


def _read(file: Path, check: Callable[[Any], None], looking: Any) -> None:
    import duckdb  # noqa: PLC0415 - as above

    with closing(duckdb.connect(str(file), read_only=True)) as connection:

        def query(text: str) -> list[tuple[Any, ...]]:
            return connection.execute(text).fetchall()

        check(query)
        looking.read_all_blocks(query)


def _accept(path: Path, report: Report) -> None:
    import getpass  # noqa: PLC0415 - as above

    from service.clock import SystemClock  # noqa: PLC0415 - as above
    from service.store import verify as looking  # noqa: PLC0415 - as above

    lost = [fault for fault in report.faults if not fault.what.startswith(("structure", "history", "file", "schema"))]
    if len(lost) < len(report.faults):
        say("damaged pages and a damaged history cannot be accepted: restore a backup, or make the history anew")
    looking.accept(path, lost, SystemClock().wall_us(), getpass.getuser())

"""How long ago the daemon last said, by the file `alive` in its data folder, that it gets on. Asks no daemon.

For a watcher that must not depend on the daemon's HTTP interface, such as a line in cron.
"""

from __future__ import annotations

from service.cli.daemon import Reach
from service.cli.failure import Exit, Failure
from service.cli.folder import data_dir_of
from service.cli.output import say, say_json
from service.clock import SystemClock

FILE = "alive"


def alive(reach: Reach, max_age_s: float, *, json: bool) -> int:
    """Say how old the sign is: OK within `max_age_s`, NOT_READY beyond. Failure when there is no such file."""
    path = data_dir_of(None, reach.config) / FILE
    try:
        touched_s = path.stat().st_mtime
    except OSError as error:
        raise Failure(
            Exit.UNREACHABLE,
            f"{path}: {error.strerror}; the daemon never ran with this data_dir, or this account may not look",
        ) from None
    age_s = SystemClock().wall_us() / 1e6 - touched_s
    is_young = -max_age_s <= age_s <= max_age_s
    if json:
        say_json({"alive": is_young, "age_s": round(age_s, 1), "max_age_s": max_age_s})
    elif is_young:
        say(f"alive: its pipeline turned and its record could be written {age_s:.0f} s ago")
    else:
        say(f"NOT ALIVE: no sign for {age_s:.0f} s, at most {max_age_s:g} s expected; see its log")
    return Exit.OK if is_young else Exit.NOT_READY

"""What readiness rests on. Pure: signs in, and for each check "ok" or what is wrong with its remedy.

It must never say "ok" of what is not known.
"""

from __future__ import annotations

from dataclasses import dataclass

from service.vigil.probe import Look

TROUBLE_AFTER_S = 2.0  # a commit that takes longer: the ledger is not writable
LOOK_OLD_S = 10.0  # a probe that has not come back for so long: the disk does not answer
OUTBOX_OLD_S = 900.0  # an owed notification older than this
LAG_ENTRIES = 2_000  # journal entries that the history may be behind
AHEAD_S = 60.0  # the newest entry may be ahead of the clock


@dataclass(frozen=True, slots=True)
class Signs:
    """All that was looked at. Seconds; `trouble` is `storage_trouble`'s answer."""

    connected: bool
    broker_error: str
    trouble: str
    data_dir: str
    ended: tuple[str, ...]  # threads that are not running
    turned_s_ago: float
    stalled_after_s: float
    clock_error: str
    newest_ahead_s: float  # of the newest journal entry, before the clock
    history_error: str
    history_behind: int
    oldest_owed_s: float


def storage_trouble(commit_since_s: float | None, error: str, look: Look, now_s: float) -> str:
    """Why the record cannot be written, or "". `commit_since_s`: since when the commit under way is tried."""
    if commit_since_s is not None and now_s - commit_since_s > TROUBLE_AFTER_S:
        why = error or "the commit does not end: the disk is slow, or another program holds the ledger"
        return f"not writable for {now_s - commit_since_s:.0f} s: {why}"
    if look.error:
        return f"not writable: {look.error}"
    if now_s - look.at_s > LOOK_OLD_S:
        return f"the disk has not answered for {now_s - look.at_s:.0f} s"
    return ""


def judge(signs: Signs) -> dict[str, str]:
    """Each check by its name, "ok" or a sentence."""
    checks = {
        "broker": None if signs.connected else f"{signs.broker_error}; the broker keeps what gateways send meanwhile",
        "ledger": signs.trouble
        and f"{signs.trouble}; free space or mend the disk of {signs.data_dir}; nothing is taken in meanwhile",
        "pipeline": _pipeline(signs),
        "threads": signs.ended and f"{', '.join(signs.ended)} ended; restart the service and read its log",
        "clock": signs.clock_error or _clock(signs),
        "history": signs.history_error
        or (
            signs.history_behind > LAG_ENTRIES
            and f"{signs.history_behind} journal entries behind; trends are old, alarms are not; it should catch up"
        ),
        "outbox": signs.oldest_owed_s > OUTBOX_OLD_S
        and f"a notification has been owed for {signs.oldest_owed_s / 60:.0f} min; see the channel's error in the log",
    }
    return {name: str(said) if said else "ok" for name, said in checks.items()}


def _pipeline(signs: Signs) -> str:
    if signs.turned_s_ago <= signs.stalled_after_s:
        return ""
    return (
        f"no turn for {signs.turned_s_ago:.0f} s, at most {signs.stalled_after_s:g} s expected; "
        "nothing is judged: restart the service, and report its log"
    )


def _clock(signs: Signs) -> str:
    if signs.newest_ahead_s <= AHEAD_S:
        return ""
    return (
        f"this computer's clock is {signs.newest_ahead_s:.0f} s behind the newest entry of the record; "
        "set the clock, and see that it is synchronised"
    )

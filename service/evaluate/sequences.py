"""The numbers of all gateways' messages: what never came is reported, by the rules of `rules.sequence`.

Owns a tracker for each gateway of the plant, and none for others, so a stranger takes no memory. What a
batch changed is handed out as one `Numbering`, to be written in the batch's transaction. A message in
order costs one look-up and one comparison; only the place of the last one is then saved.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime

import msgspec

from rules import sequence
from rules.sequence import Change, Run, Tracker
from service.model import BadInput, GapChange, GatewayMessage, Numbering
from service.units.times import parse_unix_s

RANGES_SAID = 5  # of one gateway in one line of the log
SHARE_GATEWAYS = 32  # whose tips are saved together: a row of one kilobyte

_tips = msgspec.json.Decoder(dict[str, tuple[int, int | None]])


class Sequences:
    """Not for several threads at once, save for `numbering`."""

    def __init__(self, gateways: Iterable[str]) -> None:
        self._trackers = {name: Tracker() for name in sorted(gateways)}
        names = list(self._trackers)
        self._shares = [names[i : i + SHARE_GATEWAYS] for i in range(0, len(names), SHARE_GATEWAYS)]
        self._share_of = {name: i for i, share in enumerate(self._shares) for name in share}
        self._current: dict[str, Run] = {}  # the run that each gateway was heard in last
        self._unnumbered: set[str] = set()  # heard, and without numbers
        self._open: set[str] = set()  # gateways with something missing that is not reported yet

    def take(self, messages: Sequence[GatewayMessage], now_us: int) -> Numbering:
        """Note the messages of one batch in the order in which they came."""
        current = self._current
        heads: dict[str, GatewayMessage] = {}  # last message in order, of which the time is not noted yet
        touched: set[str] = set()
        changed: set[str] = set()
        changes: dict[str, list[Change]] = {}
        for message in messages:
            gateway, seq = message.gateway, message.seq
            run = current.get(gateway)
            if run is not None and seq == run.last + 1 and message.boot == run.boot:
                run.last = seq
                heads[gateway] = message
            elif (tracker := self._trackers.get(gateway)) is None:
                continue
            elif seq is None:
                self._unnumbered.add(gateway)
            else:
                self._note_head(gateway, heads.pop(gateway, None), touched)
                changes.setdefault(gateway, []).extend(
                    sequence.take(tracker, message.boot, seq, _measured_us(message), now_us)
                )
                current[gateway] = tracker.runs[-1]
                changed.add(gateway)
        for gateway, message in heads.items():
            self._note_head(gateway, message, touched)
        for gateway in changed:
            self._look_for_open(gateway)
        return self._numbering(touched, changed, changes, now_us)

    def due(self, now_us: int, heard_since_us: Callable[[str], int | None]) -> Numbering:
        """Report what has been missing for long enough.

        A gateway's broker has been heard without a break since `heard_since_us`; with None, it is not heard, and what
        is missing may be there.
        """
        changes: dict[str, list[Change]] = {}
        for gateway in sorted(self._open):  # the rows of a record must not depend on the process
            since_us = heard_since_us(gateway)
            if since_us is not None and (found := sequence.due(self._trackers[gateway], now_us, since_us)):
                changes[gateway] = found
        for gateway in changes:
            self._look_for_open(gateway)
        return self._numbering(set(), set(changes), changes, now_us)

    def numbering(self, gateway: str) -> tuple[str, int]:
        """("numbered" | "not numbered" | "not heard", how many of its messages are missing). From any thread."""
        tracker = self._trackers.get(gateway)
        if tracker is not None and tracker.begun:
            return "numbered", tracker.absent
        return ("not numbered" if gateway in self._unnumbered else "not heard"), 0

    # ------------------------------------------------------------ saving and loading

    def saved(self) -> Numbering:
        """All of it, as the ledger keeps it."""
        known = {name for name, tracker in self._trackers.items() if tracker.begun}
        return self._numbering(known, known, {}, 0)

    def load(self, bodies: Mapping[str, str], tips: Iterable[str]) -> None:
        """Take up what the ledger has; gateways that are not registered are passed over."""
        for gateway, body in bodies.items():
            if gateway in self._trackers:
                self._trackers[gateway] = msgspec.json.decode(body, type=Tracker)
                self._current[gateway] = self._trackers[gateway].runs[-1]
                self._look_for_open(gateway)
        for share in tips:
            for gateway, (last, measured_us) in _tips.decode(share).items():
                if (run := self._current.get(gateway)) is not None:
                    run.last = last
                    sequence.note_measured(run, measured_us)

    def succeed(self, gateways: Iterable[str]) -> Sequences:
        """The same under a new revision of the plant: gateways that stay go on, the others are forgotten."""
        after = Sequences(gateways)
        for name in after._trackers.keys() & self._current.keys():
            after._trackers[name], after._current[name] = self._trackers[name], self._current[name]
            after._look_for_open(name)
        return after

    # ------------------------------------------------------------ the rest

    def _note_head(self, gateway: str, message: GatewayMessage | None, touched: set[str]) -> None:
        if message is not None:
            sequence.note_measured(self._current[gateway], _measured_us(message))
            touched.add(gateway)

    def _look_for_open(self, gateway: str) -> None:
        if sequence.has_unreported(self._trackers[gateway]):
            self._open.add(gateway)
        else:
            self._open.discard(gateway)

    def _numbering(
        self, touched: set[str], changed: set[str], changes: Mapping[str, list[Change]], now_us: int
    ) -> Numbering:
        return Numbering(
            tips=tuple(
                (share, self._tip(share)) for share in sorted({self._share_of[name] for name in touched | changed})
            ),
            bodies=tuple((name, msgspec.json.encode(self._trackers[name]).decode()) for name in sorted(changed)),
            gaps=tuple(
                GapChange(gateway, one.boot or "", one.run, one.first, one.last, now_us, one.is_filled)
                for gateway, found in changes.items()
                for one in sequence.joined(found)
            ),
        )

    def _tip(self, share: int) -> str:
        heard = ((name, self._current.get(name)) for name in self._shares[share])
        return msgspec.json.encode({name: (run.last, run.measured_us) for name, run in heard if run}).decode()


def joined(first: Numbering, then: Numbering) -> Numbering:
    """Two changes as one; where both have something of a gateway, the later of them stands."""
    return Numbering(
        tips=tuple(dict(first.tips + then.tips).items()),
        bodies=tuple(dict(first.bodies + then.bodies).items()),
        gaps=first.gaps + then.gaps,
    )


def said(gaps: Iterable[GapChange]) -> list[dict[str, str | int]]:
    """What the log says of newly missing messages: a line for each gateway and boot, with the first ranges."""
    found: dict[tuple[str, str], list[GapChange]] = {}
    for gap in gaps:
        if not gap.is_filled:
            found.setdefault((gap.gateway, gap.boot), []).append(gap)
    return [
        {
            "gateway": gateway,
            "boot": boot,
            "messages": sum(gap.messages for gap in ranges),
            "numbers": ", ".join(f"{gap.first}-{gap.last}" for gap in ranges[:RANGES_SAID])
            + (f" and {len(ranges) - RANGES_SAID} more ranges" if len(ranges) > RANGES_SAID else ""),
        }
        for (gateway, boot), ranges in found.items()
    ]


def _measured_us(message: GatewayMessage) -> int | None:
    """When the last of its readings was measured; None without a reading, and for a time that cannot be read."""
    if not message.readings:
        return None
    at = message.readings[-1].at
    try:
        if not isinstance(at, str):
            return parse_unix_s(at)
        instant = datetime.fromisoformat(at)
    except (BadInput, ValueError):
        return None
    return round(instant.timestamp() * 1e6) if instant.tzinfo else None

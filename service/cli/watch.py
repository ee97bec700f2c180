"""`dustcake watch`: each value of a topic raw, decoded, after the rules, canonical, and beside its limits."""

from __future__ import annotations

import queue
import signal
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter
from cyclopts.validators import Number

from service.cli.daemon import settings_path
from service.cli.failure import Exit, Failure
from service.cli.output import plain, say, say_line

if TYPE_CHECKING:
    from service.cli.visitor import Visitor
    from service.clock import Clock
    from service.model import Parcel
    from service.tracing import Trace, Tracer

RAW_SHOWN = 200  # bytes of a payload
WAITING_MOST = 1000  # messages between the network and the screen; beyond it they are counted and left out
LOOK_S = 0.2


def watch(
    topic: str,
    *,
    broker: str = "main",
    gateway: str | None = None,
    plant: Path | None = None,
    for_: Annotated[str | None, Parameter(name="--for")] = None,
    messages: Annotated[int | None, Parameter(validator=Number(gte=1))] = None,
    config: Annotated[Path | None, Parameter(env_var="DUSTCAKE_CONFIG")] = None,
    json: bool = False,
) -> None:
    """Follow the values of a topic stage by stage, to see where one goes wrong. It writes and publishes nothing.

    Parameters
    ----------
    topic
        A topic filter; + and # are allowed.
    broker
        main is the broker of the settings file; others are those of the sources file.
    gateway
        Only this gateway, by its id in the plant file.
    plant
        Plant file, if not the one of the settings: a draft, for example.
    for_
        How long, as an ISO 8601 duration such as PT1M.
    messages
        How many messages.
    config
        Settings file; by default ./dustcake.toml, then /etc/dustcake/dustcake.toml.
    json
        Print one JSON document a line for programs.
    """
    from service.cli.visitor import Visitor, reach  # noqa: PLC0415 - of the service, which --help does not need
    from service.clock import clock_of  # noqa: PLC0415 - likewise
    from service.model import BadInput  # noqa: PLC0415 - likewise
    from service.plant.compile import compile_plant  # noqa: PLC0415
    from service.plant.file import load  # noqa: PLC0415
    from service.tracing import tracer_of  # noqa: PLC0415
    from service.units.times import parse_duration_us  # noqa: PLC0415

    try:
        for_s = None if for_ is None else parse_duration_us(for_) / 1e6
    except BadInput as error:
        raise Failure(Exit.USAGE, f"--for: {error}") from None
    settings, intake, link = reach(settings_path(config), broker)
    compiled = compile_plant(load(plant or settings.plant), 1)
    clock = clock_of(*settings.clock.numbers)
    tracer = tracer_of(intake, compiled, _remembered(settings.data_dir / "ledger.sqlite"), clock.plant_of)
    future_us = int(settings.intake.future_s * 1e6)
    watcher = Watcher(Visitor(link, "wat", comes_back=True), broker, tracer, clock, future_us)
    for trace, parcel in watcher.follow(topic, for_s, messages):
        if gateway is not None:
            trace.keep(gateway)
        if json:
            _say_json(trace, parcel)
        elif trace.steps or trace.statuses or trace.faults:
            _say(trace, parcel)
    if watcher.left_out:
        say(f"{watcher.left_out} messages came faster than they could be shown, or their topic is not UTF-8: left out")


class Watcher:
    """Takes messages on the network thread and follows them on the caller's."""

    def __init__(self, visitor: Visitor, broker: str, tracer: Tracer, clock: Clock, future_us: int) -> None:
        self._visitor, self._broker, self._tracer = visitor, broker, tracer
        self._clock, self._future_us = clock, future_us
        self._waiting: queue.Queue[Parcel] = queue.Queue(WAITING_MOST)
        self._ended = threading.Event()
        self.left_out = 0
        visitor.client.on_message = self._on_message

    def follow(self, topic: str, for_s: float | None, most: int | None) -> Iterator[tuple[Trace, Parcel]]:
        """Each message with its trace, and what had waited, until told to end, for a time, or up to a number."""
        before = {number: signal.signal(number, lambda *_: self._ended.set()) for number in _SIGNALS}
        ends_s = time.monotonic() + (for_s if for_s is not None else float("inf"))
        seen = 0
        try:
            self._visitor.enter()
            self._visitor.subscribe([topic])
            while not self._ended.is_set() and time.monotonic() < ends_s and (most is None or seen < most):
                if said := self._visitor.check():
                    sys.stderr.write(plain(said) + "\n")
                yield from self._due()
                try:
                    parcel = self._waiting.get(timeout=LOOK_S)
                except queue.Empty:
                    continue
                seen += 1
                yield self._tracer.trace(parcel, self._latest_us()), parcel
        finally:
            self._visitor.leave()
            for number, handler in before.items():
                signal.signal(number, handler)

    def _due(self) -> Iterator[tuple[Trace, Parcel]]:
        for trace, parcel in self._tracer.due(self._clock.wall_us(), self._latest_us()):
            if parcel.broker == self._broker:
                yield trace, parcel

    def _latest_us(self) -> int:
        """Of when a reading may be, as the service bounds it."""
        return self._clock.plant_us() + self._future_us

    def _on_message(self, _client: Any, _data: Any, message: Any) -> None:
        try:
            self._waiting.put_nowait(self._parcel(message))
        except (queue.Full, UnicodeDecodeError):  # the second: no topic of MQTT
            self.left_out += 1

    def _parcel(self, message: Any) -> Parcel:
        from service.model import Delivery, Parcel  # noqa: PLC0415 - of the service, which --help does not need
        from service.receive.mqtt import identity_of  # noqa: PLC0415 - likewise

        asks = self._visitor.link.identity_property
        return Parcel(
            message.topic,
            bytes(message.payload),
            self._clock.wall_us(),
            delivery=Delivery(message.mid, message.dup, message.retain),
            broker=self._broker,
            identity=() if asks is None else identity_of(message, asks),
        )


_SIGNALS = (signal.SIGINT, signal.SIGTERM)


def _remembered(ledger: Path) -> list[tuple[str, str, bytes]]:
    """What the service's forms remember, such as names of Sparkplug nodes; it is said where that cannot be read."""
    import sqlite3  # noqa: PLC0415 - likewise
    from contextlib import closing  # noqa: PLC0415

    try:
        with closing(sqlite3.connect(f"file:{ledger}?mode=ro", uri=True)) as connection:
            return connection.execute("SELECT source, key, body FROM source_state").fetchall()
    except sqlite3.Error as error:
        sys.stderr.write(
            f"dustcake: {plain(ledger)}: {error}: the names of Sparkplug nodes and the counts of counters could not be "
            "read; values of such a node are shown once it has sent its births\n"
        )
        return []


def _say(trace: Trace, parcel: Parcel) -> None:
    """A head for the message, and an indented line for each stage of each value."""
    from service.units.times import iso  # noqa: PLC0415 - of the service, which --help does not need

    taken = f"source {trace.source}, {trace.form}" if trace.source else "no source"
    if trace.has_waited:
        say(f"{iso(parcel.received_us)} {plain(trace.topic)}  (earlier messages, which had waited, {taken})")
    else:
        say(f"{iso(parcel.received_us)} {plain(trace.topic)}  ({trace.size} bytes, {taken})")
        say(f"  raw         {_raw(parcel.payload)}")
    for step in trace.steps:
        say(f"  decoded     {plain(step.gateway)}: {plain(step.decoded or '(when it came)')}")
        for label, text in (("ruled", step.ruled), ("point", step.point), ("canonical", step.canonical)):
            if text and text != "as decoded":
                say(f"    {label:<9} {plain(text)}")
        if step.shown:
            say(f"    shown     {plain(step.shown)}{', ' + plain(step.margin) if step.margin else ''}")
        if step.refused:
            say(f"    REFUSED   {plain(step.refused)}")
    for text in (*trace.told, *(f"REFUSED  {fault}" for fault in trace.faults)):
        say(f"  {plain(text)}")


def _say_json(trace: Trace, parcel: Parcel) -> None:
    from service.tracing import plain as as_plain  # noqa: PLC0415 - likewise

    say_line({"received_us": parcel.received_us, "raw": _raw(parcel.payload), **as_plain(trace)})


def _raw(payload: bytes) -> str:
    """The beginning of a payload: text where it is text, else hexadecimal."""
    more = f" ... {len(payload) - RAW_SHOWN} bytes more" if len(payload) > RAW_SHOWN else ""
    shown = payload[:RAW_SHOWN]
    try:
        text = shown.decode() if not more else shown.decode("utf-8", "ignore")
    except UnicodeDecodeError:
        return shown.hex(" ") + more
    return plain(text) + more

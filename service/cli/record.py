"""`dustcake record`: keep what a broker sends, exactly as it comes, in a file that can be played again."""

from __future__ import annotations

import signal
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, BinaryIO

from cyclopts import Parameter
from cyclopts.validators import Number

from service.cli.daemon import settings_path
from service.cli.failure import Exit, Failure
from service.cli.output import plain, say, say_json
from service.cli.progress import Progress, size_text

if TYPE_CHECKING:
    from service.cli.visitor import Visitor
    from service.recording import Writer

LOOK_S = 0.2  # between two looks at the time, the count and the block that waits


def record(
    file: Path,
    *,
    topic: list[str] | None = None,
    broker: str = "main",
    for_: Annotated[str | None, Parameter(name="--for")] = None,
    messages: Annotated[int | None, Parameter(validator=Number(gte=1))] = None,
    force: bool = False,
    config: Annotated[Path | None, Parameter(env_var="DUSTCAKE_CONFIG")] = None,
    json: bool = False,
) -> None:
    """Record the messages of a broker, until Ctrl-C, for a time, or up to a number. It publishes nothing.

    The connection is one of its own beside the daemon's, which goes on undisturbed. Payloads are kept as they are: a
    recording is as confidential as the plant's own data.

    Parameters
    ----------
    file
        The file to make; .heard is a fitting ending.
    topic
        A topic filter, also with + and #; may be repeated. By default the topics of all sources of the broker.
    broker
        main is the broker of the settings file; others are those of the sources file.
    for_
        How long, as an ISO 8601 duration such as PT10M.
    messages
        How many messages.
    force
        Overwrite the file.
    config
        Settings file; by default ./dustcake.toml, then /etc/dustcake/dustcake.toml.
    json
        Print the summary as JSON for programs.
    """
    from service.cli.visitor import Visitor, reach  # noqa: PLC0415 - of the service, which --help does not need
    from service.model import BadInput  # noqa: PLC0415 - likewise
    from service.units.times import parse_duration_us  # noqa: PLC0415 - likewise

    try:
        for_s = None if for_ is None else parse_duration_us(for_) / 1e6
    except BadInput as error:
        raise Failure(Exit.USAGE, f"--for: {error}") from None
    if file.exists() and not force:
        raise Failure(Exit.USAGE, f"{file}: there is one already; give another name, or --force to overwrite it")
    _, intake, link = reach(settings_path(config), broker)
    topics = topic or list(intake.filters(broker))
    if not topics:
        raise Failure(Exit.USAGE, f"broker {broker}: no source has topics there; give some with --topic")
    visitor = Visitor(link, "rec", comes_back=True)
    summary = Recorder(visitor, broker, topics, most=messages).run(file, for_s)
    if json:
        say_json(summary)
    else:
        _say(summary)


class Recorder:
    """Puts what comes into the file: the network thread takes messages, the calling thread looks at the time."""

    def __init__(self, visitor: Visitor, broker: str, topics: list[str], *, most: int | None) -> None:
        from service import recording  # noqa: PLC0415 - of the service, which --help does not need
        from service.clock import SystemClock  # noqa: PLC0415 - likewise

        self._form, self._now_us = recording, SystemClock().wall_us
        self._visitor, self._broker, self._topics, self._most = visitor, broker, topics, most
        self._writing = threading.Lock()  # the writer and all counts
        self._writer: Writer | None = None
        self._ended = threading.Event()
        self._error: OSError | None = None
        self._lost_us: int | None = None
        self._seen: set[str] = set()
        self.messages = self.payload_bytes = self.retained = self.left_out = 0
        self.missed_us: list[int] = []  # how long each time without a connection was
        visitor.client.on_message = self._on_message
        visitor.on_connected, visitor.on_lost = self._on_connected, self._on_lost

    def run(self, file: Path, for_s: float | None) -> dict[str, Any]:
        """Record until told to end; the summary. The file is made once the broker has let us in."""
        before = {number: signal.signal(number, self._end) for number in (signal.SIGINT, signal.SIGTERM)}
        try:
            self._visitor.enter()
            return self._record(file, for_s)
        finally:
            self._visitor.leave()
            for number, handler in before.items():
                signal.signal(number, handler)

    def _record(self, path: Path, for_s: float | None) -> dict[str, Any]:
        started_us, began_s = self._now_us(), time.monotonic()
        try:
            with path.open("wb") as file:
                self._writer = self._form.Writer(file, started_us)
                self._visitor.subscribe(self._topics)
                self._wait(began_s, for_s, file)
                self._visitor.leave()  # nothing more comes after it
                self._close(began_s, file)
        except OSError as error:
            raise Failure(Exit.BROKEN, f"{path}: {error.strerror or error}; what was written before it is whole") from None
        return self._summary(path, time.monotonic() - began_s)

    def _wait(self, began_s: float, for_s: float | None, file: BinaryIO) -> None:
        progress = Progress()
        while not self._ended.wait(LOOK_S):
            with self._writing:
                if self._writer is not None:
                    self._writer.flush_due(self._now_us())
            self._visitor.check()
            since_s = time.monotonic() - began_s
            if for_s is not None and since_s >= for_s:
                break
            progress.say(lambda: self._line(since_s, file.tell()))  # noqa: B023 - it is asked at once
        progress.end(self._line(time.monotonic() - began_s, file.tell()))

    def _close(self, began_s: float, file: BinaryIO) -> None:
        if self._error is not None:
            raise self._error
        with self._writing:
            now_us = self._now_us()
            assert self._writer is not None
            if self._lost_us is not None:
                self._miss(now_us)
            self._writer.end(now_us)
            self._writer = None

    def _end(self, *_: object) -> None:
        self._ended.set()

    # ------------------------------------------------------------ the network thread

    def _on_message(self, _client: Any, _data: Any, message: Any) -> None:
        now_us = self._now_us()
        with self._writing:
            if self._writer is None or self._ended.is_set():
                return
            try:
                record = self._recorded(message, now_us)
                self._writer.add(record, now_us)
            except (self._form.BadInput, UnicodeDecodeError):  # too long, or a topic that is not UTF-8
                self.left_out += 1
                return
            except OSError as error:  # of the disk: said by the calling thread
                self._error = error
                self._ended.set()
                return
            self._seen.add(record.topic)
            self.messages += 1
            self.payload_bytes += len(record.payload)
            self.retained += record.is_retained
            if self.messages == self._most:
                self._ended.set()

    def _recorded(self, message: Any, now_us: int) -> Any:
        properties = message.properties
        return self._form.Recorded(
            received_us=now_us,
            broker=self._broker,
            topic=message.topic,
            payload=bytes(message.payload),
            qos=message.qos,
            is_retained=bool(message.retain),
            is_again=bool(message.dup),
            content_type=getattr(properties, "ContentType", None),
            user_properties=tuple(map(tuple, getattr(properties, "UserProperty", ()))),
        )

    def _on_connected(self) -> None:
        """Of a connection that came back: subscribe anew, and put down for how long there was none."""
        with self._writing:
            if self._writer is None:
                return
            if self._lost_us is not None:
                self._miss(self._now_us())
        self._visitor.client.subscribe([(topic, 1) for topic in self._topics])

    def _on_lost(self) -> None:
        with self._writing:
            if self._lost_us is None:
                self._lost_us = self._now_us()

    def _miss(self, now_us: int) -> None:
        assert self._writer is not None
        assert self._lost_us is not None
        self._writer.add(self._form.Missed(self._lost_us, now_us), now_us)
        self.missed_us.append(now_us - self._lost_us)
        self._lost_us = None

    # ------------------------------------------------------------ words

    def _line(self, since_s: float, size: int) -> str:
        rate = self.messages / since_s if since_s > 0 else 0.0
        away = "; NOT CONNECTED" if self._lost_us is not None else ""
        return (
            f"{self.messages} messages, {size_text(self.payload_bytes)} in {size_text(size)}, "
            f"{len(self._seen)} topics, {rate:.1f} messages/s, {since_s:.0f} s{away}"
        )

    def _summary(self, path: Path, since_s: float) -> dict[str, Any]:
        return {
            "file": str(path),
            "broker": self._broker,
            "filters": self._topics,
            "seconds": round(since_s, 3),
            "messages": self.messages,
            "retained": self.retained,
            "topics": len(self._seen),
            "payload_bytes": self.payload_bytes,
            "file_bytes": path.stat().st_size,
            "left_out": self.left_out,
            "without_connection_s": [round(us / 1e6, 3) for us in self.missed_us],
        }


def _say(summary: dict[str, Any]) -> None:
    packed = f"{size_text(summary['payload_bytes'])} of payload in {size_text(summary['file_bytes'])}"
    say(f"{plain(summary['file'])}: {summary['messages']} messages on {summary['topics']} topics, {packed}")
    if summary["retained"]:
        say(f"- {summary['retained']} of them were kept by the broker from before: they say nothing about now")
    if summary["left_out"]:
        say(f"- {summary['left_out']} messages were left out: too long, or their topic is not UTF-8")
    for seconds in summary["without_connection_s"]:
        say(f"- not connected for {seconds:.1f} s: what came then is missing")

"""`dustcake replay`: a recording once more, to a broker or straight into a new record."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter
from cyclopts.validators import Number

from service.cli.daemon import settings_path
from service.cli.failure import Exit, Failure
from service.cli.folder import held_alone
from service.cli.output import plain, say, say_json, table
from service.cli.progress import Progress

if TYPE_CHECKING:
    from service.recording import Survey
    from service.replaying import Played

HEADINGS = ("raised (UTC)", "cleared (UTC)", "state", "priority", "collector", "point", "limit", "id")


def replay(
    file: Path,
    *,
    to_broker: bool = False,
    into: Path | None = None,
    broker: str = "main",
    speed: Annotated[float | None, Parameter(validator=Number(gt=0, lte=1_000_000))] = None,
    fast: bool = False,
    topic_prefix: str = "",
    yes: bool = False,
    plant: Path | None = None,
    sources: Path | None = None,
    config: Annotated[Path | None, Parameter(env_var="DUSTCAKE_CONFIG")] = None,
    json: bool = False,
) -> None:
    """Play a recording once more: with --to-broker to a broker, or with --into straight into a new record.

    Payloads stay as they are, and so do the times in them. Commands are not published: under its own topic a message
    is only where a source of the settings takes it, and Sparkplug's NCMD, DCMD and STATE are under none. A broker says
    only of messages of QoS 1, and only with MQTT 5, that it refuses them. A record made from a recording sends nothing:
    its notifications stay owed.

    Parameters
    ----------
    file
        The recording.
    to_broker
        Publish it, at the pace at which it was recorded. Nothing is left retained at the broker.
    into
        An empty folder for a new record: ledger and history. It needs no broker, and is the same each time.
    broker
        With --to-broker: main is the broker of the settings file, others are those of the sources file.
    speed
        With --to-broker: so many times the pace of the recording.
    fast
        With --to-broker: as fast as the broker acknowledges.
    topic_prefix
        With --to-broker: text before each topic, such as rehearsal/, so that no daemon takes it for live data.
    yes
        With --to-broker: publish although a daemon will take it for live data, a stopped one at its next start.
    plant
        With --into: the plant file, in place of the one that the settings name.
    sources
        With --into: the sources file, in place of the one that the settings name.
    config
        Settings file. With --to-broker by default ./dustcake.toml, then /etc/dustcake/dustcake.toml. With --into only
        where it is given: else topics, bounds and clock are those of the defaults.
    json
        Print the result as JSON for programs.
    """
    if to_broker is (into is not None):
        raise Failure(Exit.USAGE, "give either --to-broker, or --into with an empty folder")
    if into is not None:
        if speed is not None or fast or topic_prefix or yes or broker != "main":
            raise Failure(Exit.USAGE, "--into goes with --plant, --sources and --config; leave out the others")
        report = _into(file, into, plant, sources, config)
        if json:
            say_json(report)
        else:
            _say_report(report)
        return
    if plant is not None or sources is not None:
        raise Failure(Exit.USAGE, "--plant and --sources go with --into; --to-broker takes its settings from --config")
    if fast and speed is not None:
        raise Failure(Exit.USAGE, "--fast and --speed: expected one of them; leave one out")
    done = _publish(file, settings_path(config), broker, None if fast else speed or 1.0, topic_prefix, yes=yes)
    if json:
        say_json(done)
    else:
        _say_published(done)
    if done["refused"]:
        raise Failure(
            Exit.REFUSED,
            f"{done['to']} refused {done['refused']} of {done['messages']} messages; allow this user to publish there",
        )
    if done["of"] and not done["messages"] and not done["stopped"]:
        raise Failure(
            Exit.REFUSED, "nothing was published; give settings whose sources take the recording, or --topic-prefix"
        )


# ---------------------------------------------------------------- to a broker


def _publish(file: Path, config: Path, broker: str, speed: float | None, prefix: str, *, yes: bool) -> dict[str, Any]:
    from service.cli import republish  # noqa: PLC0415 - of the service, which --help does not need
    from service.cli.visitor import Visitor, reach  # noqa: PLC0415 - likewise
    from service.recording import Reader  # noqa: PLC0415 - likewise

    if set(prefix) & set("+#\0"):
        raise Failure(Exit.USAGE, f"--topic-prefix {prefix!r}: expected a text without + and #; give another")
    found = _surveyed(file)
    _, intake, link = reach(config, broker)
    choice = republish.Choice(intake, link.name, prefix)
    if not yes and (taken := choice.live(found)):
        raise Failure(
            Exit.REFUSED,
            f"{taken}: a source of the settings takes this topic. Published there, old messages would look like live "
            "data, also to a service that is stopped: the broker keeps them for its next start. Readings, alarms and "
            "notifications would follow. Give --topic-prefix rehearsal/ so that nobody takes them for live, or --yes "
            "to publish them all the same",
        )
    visitor = Visitor(link, "rep", comes_back=False)
    try:
        visitor.enter()
        with Reader(file) as reader:
            return {"to": visitor.place, **republish.Publisher(visitor, choice, speed).play(reader, found.messages)}
    finally:
        visitor.leave()


def _say_published(done: dict[str, Any]) -> None:
    from service.cli.republish import SKIPPED  # noqa: PLC0415 - of the service, which --help does not need

    ended = "stopped after" if done["stopped"] else "published"
    say(f"{plain(done['to'])}: {ended} {done['messages']} of {done['of']} messages in {done['seconds']:.1f} s")
    if done["refused"]:
        say(f"- {done['refused']} of them were refused by the broker")
    for why, count in done["skipped"].items():
        if count:
            say(f"- {count} were skipped: {SKIPPED[why]}")


def _surveyed(file: Path) -> Survey:
    """What is in the file; said on standard error when it was cut off."""
    from service.model import BadInput  # noqa: PLC0415 - of the service, which --help does not need
    from service.recording import survey  # noqa: PLC0415 - likewise

    try:
        found = survey(file)
    except BadInput as error:
        raise Failure(Exit.USAGE, str(error)) from None
    if found.cut_off:
        sys.stderr.write(f"dustcake: {plain(found.cut_off)}\n")
    return found


# ---------------------------------------------------------------- into a new record


def _into(file: Path, into: Path, plant: Path | None, sources: Path | None, config: Path | None) -> dict[str, Any]:
    from service.config import load  # noqa: PLC0415 - of the service, which --help does not need
    from service.plant.file import load as load_plant  # noqa: PLC0415 - likewise
    from service.recording import Reader  # noqa: PLC0415 - likewise
    from service.replaying import Replay  # noqa: PLC0415 - likewise
    from service.settings import Settings  # noqa: PLC0415 - likewise
    from service.sources.file import load as load_sources  # noqa: PLC0415 - likewise
    from service.sources.form import Sources  # noqa: PLC0415 - likewise

    if plant is None and config is None:
        raise Failure(Exit.USAGE, "--into needs a plant file; give it with --plant, or settings that name one")
    if into.exists() and (not into.is_dir() or any(into.iterdir())):
        raise Failure(Exit.USAGE, f"{into}: is not empty; expected a folder that does not exist or has nothing in it")
    settings = Settings() if config is None else load(settings_path(config))
    sources = sources or settings.sources
    found = _surveyed(file)
    compiled = load_plant(plant or settings.plant), load_sources(sources) if sources is not None else Sources()
    with held_alone(into), _quiet(), Reader(file) as reader:
        heard = frozenset(name for name, _ in found.topics)
        made = Replay(into, compiled[0], settings, compiled[1], started_us=reader.started_us, brokers=heard)
        try:
            watched = _Watched(found.messages)
            report = made.play(reader, watched.tell)
            watched.end(made.played)
        except KeyboardInterrupt:
            sys.stderr.write(f"\ndustcake: stopped: {plain(into)} has a part of the recording only; delete it\n")
            raise
        except RuntimeError as error:  # of the history
            raise Failure(Exit.BROKEN, f"{into}: {error}; delete the folder and begin again") from None
        finally:
            made.close()
    return report


class _Watched:
    """The progress of a replay: messages, messages in a second, and how many times faster than it was recorded."""

    def __init__(self, total: int) -> None:
        self._total, self._began_s, self._progress = total, time.monotonic(), Progress()

    def tell(self, played: Played) -> None:
        self._progress.say(lambda: self._line(played))

    def end(self, played: Played) -> None:
        self._progress.end(self._line(played))

    def _line(self, played: Played) -> str:
        since_s = max(time.monotonic() - self._began_s, 1e-3)
        times = (played.at_us - played.started_us) / 1e6 / since_s
        return (
            f"{played.messages} of {self._total} messages, {played.messages / since_s:.0f} messages/s, "
            f"{times:.1f} times real time"
        )


@contextmanager
def _quiet() -> Iterator[None]:
    """What the service would log goes to standard error, errors alone: standard output is for the report."""
    import structlog  # noqa: PLC0415 - of the service, which --help does not need

    before = structlog.get_config()
    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger("error"),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
    )
    try:
        yield
    finally:
        structlog.configure(**before)


def _say_report(report: dict[str, Any]) -> None:
    say(f"{report['from']} to {report['to']}" + ("" if report["ended_in_order"] else ", where it was cut off"))
    counts = f"{report['readings']} readings, {report['duplicates']} duplicates, {report['late']} late"
    say(f"{report['messages']} messages, {counts}, {report['missing_messages']} numbered messages missing")
    if report["messages_of_services_themselves"]:
        say(f"- {report['messages_of_services_themselves']} more are of a service itself, and are left out")
    for seconds in report["without_connection_s"]:
        say(f"- not connected for {seconds:.1f} s: what came then is missing")
    for code, count in report["refused"].items():
        say(f"- refused: {count} {code}")
    if report["gateways_not_recorded"]:
        say(f"- gateways of brokers that were not recorded: {', '.join(map(plain, report['gateways_not_recorded']))}")
    say(f"{report['notifications_owed_and_not_sent']} notifications are owed, and none is sent from here")
    if report["requests_to_senders_not_published"]:
        say(f"{report['requests_to_senders_not_published']} requests to senders were not published")
    say(f"{len(report['alarms'])} alarms")
    if report["alarms"]:
        table(HEADINGS, [_row(one) for one in report["alarms"]])


def _row(one: dict[str, Any]) -> list[str]:
    point = one["point"] or one["gateway"]
    return [
        one["raised"],
        one["cleared"] or "",
        *(one[name] for name in ("state", "priority", "collector")),
        point,
        one["tier"],
        one["id"],
    ]

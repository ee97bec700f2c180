"""`dustcake record`: keep what a broker sends, exactly as it comes, in a file that can be played again."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter
from cyclopts.validators import Number

from service.cli.daemon import settings_path
from service.cli.failure import Exit, Failure
from service.cli.output import plain, say, say_json
from service.cli.progress import size_text


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
    recording is as confidential as the plant's own data, and only its owner may read the file.

    It stops in order when less than 1 GiB is free on the disk of the file, which the service may need.

    Parameters
    ----------
    file
        The file to make; .heard is a fitting ending.
    topic
        A topic filter, also with + and #; may be repeated; '#' is all. By default the topics of settings and sources.
    broker
        main is the broker of the settings file; others are those of the sources file.
    for_
        How long, as an ISO 8601 duration such as PT10M.
    messages
        How many messages.
    force
        Overwrite the file, once something has been recorded.
    config
        Settings file; by default ./dustcake.toml, then /etc/dustcake/dustcake.toml.
    json
        Print the summary as JSON for programs.
    """
    from service.cli.recorder import Recorder  # noqa: PLC0415 - of the service, which --help does not need
    from service.cli.visitor import Visitor, reach  # noqa: PLC0415 - likewise
    from service.model import BadInput  # noqa: PLC0415 - likewise
    from service.units.times import parse_duration_us  # noqa: PLC0415 - likewise

    try:
        for_s = None if for_ is None else parse_duration_us(for_) / 1e6
    except BadInput as error:
        raise Failure(Exit.USAGE, f"--for: {error}") from None
    if file.exists() and not (force and file.is_file()):
        remedy = ", or --force to overwrite it" if file.is_file() else ""
        raise Failure(Exit.USAGE, f"{file}: there is one already; give another name{remedy}")
    _, intake, link = reach(settings_path(config), broker, is_first=True)
    topics = topic or list(intake.filters(broker))
    if not topics:
        raise Failure(Exit.USAGE, f"broker {broker}: no source has topics there; give some with --topic")
    visitor = Visitor(link, "rec", comes_back=True)
    summary = Recorder(visitor, broker, topics, most=messages).run(file.resolve(), for_s)
    if json:
        say_json(summary)
    else:
        _say(summary)
    if summary["stopped"]:
        raise Failure(Exit.BROKEN, f"stopped in order before its time: {summary['stopped']}")


def _say(summary: dict[str, Any]) -> None:
    packed = f"{size_text(summary['payload_bytes'])} of payload in {size_text(summary['file_bytes'])}"
    say(f"{plain(summary['file'])}: {summary['messages']} messages on {summary['topics']} topics, {packed}")
    if summary["retained"]:
        say(f"- {summary['retained']} of them were kept by the broker from before: they say nothing about now")
    if summary["left_out"]:
        say(f"- {summary['left_out']} messages were left out: too long, or their topic is not UTF-8")
    for seconds in summary["without_connection_s"]:
        say(f"- not connected for {seconds:.1f} s: what came then is missing")

"""`dustcake discover`: listen to somebody else's broker, and draft the sources file and the plant file from it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from service.cli.failure import Exit, Failure
from service.cli.output import plain, say, say_json

if TYPE_CHECKING:
    from service.discover.findings import Findings

SOURCES, PLANT = "sources.toml", "plant.toml"
CAUTION = (
    "Nothing of this is proven: prove each unit with a handheld instrument before the drafts are used. "
    "Condition monitoring only, not a safety function."
)


def discover(
    *,
    topic: list[str] | None = None,
    broker: str = "main",
    for_: Annotated[str, Parameter(name="--for")] = "PT5M",
    from_: Annotated[Path | None, Parameter(name="--from")] = None,
    write: Path | None = None,
    config: Annotated[Path | None, Parameter(env_var="DUSTCAKE_CONFIG")] = None,
    json: bool = False,
) -> None:
    """Listen for a while, say what is sent and what is doubtful, and draft a sources file and a plant file.

    It publishes nothing, and the daemon goes on undisturbed. Ctrl-C ends the listening early. A unit is taken as it is
    sent and never guessed: where one is missing or doubtful, the drafts refuse its readings until a person has decided.

    Parameters
    ----------
    topic
        A topic filter; may be repeated. By default everything that does not begin with $.
    broker
        main is the broker of the settings file; others are those of the sources file.
    for_
        How long, as an ISO 8601 duration. One that holds a stop of the fans tells the most.
    from_
        A recording of `dustcake record`, in place of listening.
    write
        Folder for the drafts, sources.toml and plant.toml; files that are there are left alone.
    config
        Settings file; by default ./dustcake.toml, then /etc/dustcake/dustcake.toml. Not needed with --from.
    json
        Print the findings as JSON for programs.
    """
    from service.cli.listener import Listener  # noqa: PLC0415 - of the service, which --help does not need
    from service.discover.look import findings_of  # noqa: PLC0415 - likewise

    if write is not None:
        _check_free(write)
    topics = topic or ["#"]
    heard = Listener(topics)
    if from_ is not None:
        heard.read(from_, broker)
    else:
        heard.listen(_seconds(for_), config, broker)
    if heard.kept.messages == 0:
        raise Failure(
            Exit.USAGE,
            f"{', '.join(topics)}: nothing was heard; listen longer with --for, or give other topics with --topic",
        )
    found = findings_of(heard.kept, broker)
    heard.add_retained(found)
    written = [] if write is None else _write(write, found, broker)
    if json:
        say_json({**asdict(found), "questions": found.questions, "written": [str(path) for path in written]})
    else:
        _say(found, written)


def _seconds(text: str) -> float:
    from service.model import BadInput  # noqa: PLC0415 - of the service, which --help does not need
    from service.units.times import parse_duration_us  # noqa: PLC0415 - likewise

    try:
        return parse_duration_us(text) / 1e6
    except BadInput as error:
        raise Failure(Exit.USAGE, f"--for: {error}") from None


# ---------------------------------------------------------------- drafts


def _check_free(folder: Path) -> None:
    for path in (folder / SOURCES, folder / PLANT):
        if path.exists():
            raise Failure(Exit.USAGE, f"{path}: there is one already; give another folder, or move it away")


def _write(folder: Path, found: Findings, broker: str) -> list[Path]:
    from service.discover.draft_plant import plant_text  # noqa: PLC0415 - of the service, which --help does not need
    from service.discover.draft_sources import sources_text  # noqa: PLC0415 - likewise

    drafts = {folder / SOURCES: sources_text(found, broker), folder / PLANT: plant_text(found)}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, text in drafts.items():
            with path.open("x", encoding="utf-8") as file:  # never over one that came meanwhile
                file.write(text)
    except OSError as error:
        raise Failure(Exit.USAGE, f"{error.filename}: {error.strerror}; give a folder that can be written") from None
    return list(drafts)


# ---------------------------------------------------------------- words


def _say(found: Findings, written: list[Path]) -> None:
    for line in _lines(found):
        say(plain(line))
    for path in written:
        say(f"written: {path}")
    if not written:
        say("write the drafts with --write FOLDER")
    say(CAUTION)


def _lines(found: Findings) -> Iterator[str]:
    from service.discover.draft_sources import said_of_gateway, summary  # noqa: PLC0415 - as above

    seconds = (found.last_us - found.first_us) / 1e6
    yield (
        f"{found.messages} messages on {found.topics} topics in {seconds:.0f} s: {len(found.sources)} sources, "
        f"{len(found.gateways)} gateways, {len(found.tags)} tags, {found.questions} open questions"
    )
    for source in found.sources:
        yield f"source {source.name} ({source.form}): {source.templates[0]}, {source.messages} messages"
        yield from (f"- OPEN: {each}" for each in source.questions)
        yield from (f"- {note}" for note in source.notes)
        yield from (f"- not read: {fault}" for fault in source.faults)
    for gateway in found.gateways:
        mine = [tag.tag for tag in found.tags if tag.gateway == gateway.id and tag.source == gateway.source]
        yield f"gateway {gateway.id}: {said_of_gateway(gateway)}; {len(mine)} tags: {', '.join(mine[:20])}"
    for tag in found.tags:
        if tag.is_open:
            yield f"OPEN {tag.gateway}/{tag.tag}: {summary(tag)}"
    for tag in found.tags:
        if tag.notes and not tag.is_open:
            yield f"unsure {tag.gateway}/{tag.tag}: {'; '.join(tag.notes)}"
    for each in found.left_out:
        names = f" ({', '.join(each.topics)})" if each.topics else ""
        yield f"left out: {each.messages} messages{names}: {each.why}"

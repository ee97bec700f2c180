"""The draft of the sources file as text: what was heard in force, what is likely beside it as comments.

A unit is in force only as it was sent. Where there is a question the tag's readings are refused until a person has
answered it: without a unit they are anyway, and a doubtful one is overridden by `UNPROVEN`, which no quantity takes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from service.decode.form import TEXT_MOST
from service.discover.findings import Findings, GatewayFound, SourceFound, TagFound
from service.discover.judge import PROOF, PROOFS
from service.discover.toml_text import NEW_LINE, block, comment, comments, key, quoted, value
from service.model import MAIN
from service.units.times import iso

UNPROVEN = "unproven"
NAMES_SHOWN = 12
ORDER = (
    *("gateway_of", "columns", "separator", "header", "items", "gateway", "boot", "seq"),
    *("tag", "value", "unit", "at", "time_form", "time_zone", "decimal", "quality", "good"),
)


def sources_text(found: Findings, broker: str = MAIN) -> str:
    """The whole file. `broker` is where it was heard; of another than main the table is missing, and asked for."""
    lines = [*heading(found, "sources file"), *_cautions(), *_left_out(found), *_elsewhere(broker)]
    for source in found.sources:
        lines += ["", *(_built_in(found, source) if source.is_built_in else _source(found, source, broker))]
    return "\n".join(lines) + "\n"


def heading(found: Findings, what: str) -> Iterator[str]:
    """What both drafts begin with."""
    yield f"# DRAFT of a {what}, made by `dustcake discover`. A person must review it before it is used."
    yield "# Reviewed by: ____________________    on: ____________________"
    heard = f"from {iso(found.first_us)} to {iso(found.last_us)}" if found.messages else "nothing"
    yield from comment(
        f"Heard: {found.messages} messages on {found.topics} topics, {heard}; {len(found.gateways)} gateways, "
        f"{len(found.tags)} tags; {found.questions} open questions (marked OPEN)."
    )


def _cautions() -> Iterator[str]:
    yield from comment(
        "A unit that is sent is a claim, and one that is plausible may still be wrong: millibar read as inches of "
        "water (3.14 shows as 7.82), kilopascal read as inches (as of new filters), absolute read as gauge (91 shows "
        "as 105.7). Prove each one with a handheld instrument: sent by shown must be 0.95 to 1.05.",
        further="# ",
    )
    yield "# OPEN: readings of this tag are refused, and kept in quarantine, until a person has written its unit here."
    yield "# Condition monitoring only: advisory, not a safety function."


def _left_out(found: Findings) -> Iterator[str]:
    for each in found.left_out:
        shown = ", ".join(each.topics)
        which = f" ({shown}{', ...' if each.count > len(each.topics) else ''})" if shown else ""
        topics = f"{each.count} topics, " if each.count else ""
        yield from comment(f"Not in this draft: {topics}{each.messages} messages{which}: {each.why}.")


def _elsewhere(broker: str) -> Iterator[str]:
    """What is missing of another broker: until it is there, the file is refused, rather than listening at main."""
    if broker != MAIN:
        yield ""
        yield from comment(
            f"All of this was heard at the broker {broker}. How to reach it the present sources file says: move its "
            "table here, or these sources there.",
            further="# ",
        )
        yield "# [[broker]]"
        yield f"# name = {quoted(broker)}"


def _built_in(found: Findings, source: SourceFound) -> Iterator[str]:
    yield from comment(
        f"{source.templates[0]}: {source.messages} messages in the native form on the service's own topics; they need "
        "no source. Open questions of theirs are in the draft of the plant file."
    )
    yield from _said_of_gateways(found, source)
    for tag in found.tags_of(source):
        yield from _about([tag])


def _source(found: Findings, source: SourceFound, broker: str) -> Iterator[str]:
    yield "[[source]]"
    yield f"name = {quoted(source.name)}"
    if broker != MAIN:
        yield f"broker = {quoted(broker)}"
    yield f"form = {quoted(source.form)}"
    yield f"topics = {value(source.templates)}"
    yield from comment(f"{source.messages} messages; of {source.kept} that were looked at, {source.read} read whole.")
    yield from comments(f"OPEN: {each}." for each in source.questions)
    yield from comments(source.notes)
    yield from comments(f"Not read: {fault}" for fault in source.faults)
    if source.gateway:
        yield f"gateway = {quoted(source.gateway)}"
    renamed = {arrives: name for arrives, name in source.gateways.items() if arrives != name}
    if renamed:
        yield f"gateways = {value(renamed)}"
    yield from _said_of_gateways(found, source)
    tables = list(_tag_tables(source, found.tags_of(source)))
    yield from (line for is_table, lines in tables if not is_table for line in lines)
    yield from _form_table(source)
    yield from (line for is_table, lines in tables if is_table for line in lines)
    yield from _clock_tables(found, source)


def _form_table(source: SourceFound) -> Iterator[str]:
    if not source.keys and not source.values:
        return
    yield ""
    yield f"[source.{source.form}]"
    for name in sorted(source.keys, key=ORDER.index):
        item = source.keys[name]
        yield f"{name} = {block(item) if name == 'items' and NEW_LINE in item else value(item)}"
    if source.values:
        yield ""
        yield f"[source.{source.form}.values]"
        yield "# A tag that is not wanted: remove its line."
        for tag, expression in source.values.items():
            yield f"{key(tag)} = {quoted(expression)}"


def _said_of_gateways(found: Findings, source: SourceFound) -> Iterator[str]:
    by_text: dict[str, list[str]] = {}
    for each in found.gateways:
        if each.source == source.name:
            by_text.setdefault(said_of_gateway(each), []).append(each.id)
    for text, names in by_text.items():
        yield from comment(f"{_listed(names)}: {text}.")


def said_of_gateway(gateway: GatewayFound) -> str:
    """Its interval and its clock, in words."""
    parts = []
    if gateway.every_us is not None:
        spread = ""
        if gateway.every_from_us is not None and gateway.every_to_us is not None:
            spread = f" (middle half {gateway.every_from_us / 1e6:.3g} to {gateway.every_to_us / 1e6:.3g})"
        parts.append(f"reports every {gateway.every_us / 1e6:.3g} s{spread}")
    else:
        parts.append("heard too seldom to tell how often it reports")
    if gateway.lag_us is not None and not gateway.notes:
        if_so = f" if its times are {gateway.assumed_zone}" if gateway.assumed_zone else ""
        parts.append(f"its clock is right to {max(abs(gateway.lag_us) / 1e6, 0.1):.1f} s{if_so}")
    return "; ".join([*parts, *gateway.notes])


def _clock_tables(found: Findings, source: SourceFound) -> Iterator[str]:
    """What would set a clock right, for a person to take up."""
    for each in found.gateways:
        if each.source != source.name or not each.is_clock_open:
            continue
        zone = ", or correct time_zone above" if "time_zone" in source.keys else ""
        yield ""
        yield from comment(f"OPEN: {each.id}: {'; '.join(each.notes)}. Set its clock{zone}; or take this until then:")
        yield f"# [source.time_of.{key(each.id)}]"
        yield f"# offset_s = {each.offset_us / 1e6}" if each.offset_us else '# by = "arrival"'


# ---------------------------------------------------------------- tags


def _tag_tables(source: SourceFound, tags: list[TagFound]) -> Iterator[tuple[bool, list[str]]]:
    """For each tag its lines: (false, comments) where nothing is to be written, else (true, a table).

    Under the tag alone is what holds for most gateways: nothing, if nothing is needed for some; else "gateway/tag".
    What is said of several gateways together is said of one unit.
    """
    arrives = {name: arrived for arrived, name in source.gateways.items()}
    by_tag: dict[str, dict[tuple[str, tuple[str, ...]], list[TagFound]]] = {}
    for tag in tags:
        by_tag.setdefault(tag.tag, {}).setdefault(("\n".join(_rule(tag)), tag.sent_units), []).append(tag)
    for name, groups in by_tag.items():
        ordered = sorted(groups.items(), key=lambda item: (item[0][0] != "", -len(item[1])))
        for place, ((rule, _), members) in enumerate(ordered):
            said = list(_about(members))
            if not rule:  # then the first has none either
                yield False, said
                continue
            for at in [name] if place == 0 else [f"{arrives[tag.gateway]}/{name}" for tag in members]:
                is_fit = len(at) <= TEXT_MOST
                head = f"[source.tags.{key(at)}]" if is_fit else "# its name is too long for a table"
                yield is_fit, ["", head, *said, *(rule.splitlines() if is_fit else ())]


def _rule(tag: TagFound) -> Iterator[str]:
    """The lines of a tag's table; none when it needs none. Equal for gateways of which the same is known."""
    keys: dict[str, Any] = {}
    if tag.is_unit_sometimes and len(tag.questions) == 1:  # the others say theirs, and are taken by their word
        yield f"# unit = {quoted(tag.sent_units[0])}  # once it is proven that all are in it"
    elif tag.is_open and tag.sent_units:
        remedy = "see the question" if tag.is_merged else "write the proven unit in its place"
        yield f"unit = {quoted(UNPROVEN)}  # refuses its readings: {remedy}"
    elif tag.is_open and not (tag.candidates or tag.is_loop or tag.may_count):
        yield '# unit = ""  # not known: write it here once it is proven'
    if tag.bad_codes:
        keys["bad"] = list(tag.bad_codes)
    if tag.is_counter:
        keys["counter"] = {}
    yield from (f"{name} = {value(item)}" for name, item in keys.items())
    yield from _offers(tag)
    for each in tag.candidates:
        yield from _candidate(each.unit)
    if tag.is_open and not tag.is_merged:
        yield from comment(f"To prove it: {PROOFS.get(tag.kind, PROOF)}.")


def _offers(tag: TagFound) -> Iterator[str]:
    """Rules that a person may take up, as comments."""
    if tag.maybe_bad:
        together = sorted({*tag.bad_codes, *tag.maybe_bad})
        yield f"# bad = {value(together)}  # if it stands for no measurement"
    if tag.may_count:
        yield '# unit = "count"'
        yield "# counter = {}  # if it is a count that only goes up"
    if tag.raw_full:
        yield f"# line = {{ raw = [0, {tag.raw_full}], value = [?, ?] }}  # if raw counts: their range, what it means"
    if tag.is_loop:
        yield '# unit = ""  # of the value that the current stands for'
        yield "# loop = { at_4_mA = ?, at_20_mA = ? }  # both from the nameplate"


def _candidate(unit: str) -> Iterator[str]:
    if not unit.endswith("(a)"):
        yield f"# unit = {quoted(unit)}"
        return
    atmosphere = {"psi": 14.7, "bar": 1.013, "kPa": 101.3}[unit.removesuffix("(a)")]
    gauge = f"{unit.removesuffix('(a)')}(g)"
    yield f"# unit = {quoted(gauge)}  # of an absolute sensor, with the local atmosphere taken off:"
    yield f"# line = {{ raw = [{atmosphere}, {atmosphere + 100}], value = [0.0, 100.0] }}"


def _listed(names: Sequence[str]) -> str:
    more = f" and {len(names) - NAMES_SHOWN} more" if len(names) > NAMES_SHOWN else ""
    return ", ".join(names[:NAMES_SHOWN]) + more


def _about(tags: Sequence[TagFound]) -> Iterator[str]:
    """A comment on a tag of one gateway or of several."""
    return comment(f"{tags[0].tag} of {_listed([tag.gateway for tag in tags])}: {summary(*tags)}")


def summary(*tags: TagFound) -> str:
    """What is known of a tag, of one gateway or of several, in a few sentences."""
    parts = [f"{what(tags[0])}: {_span(tags)}"]
    questions = _each(tags, [tag.questions for tag in tags])
    if questions:
        parts.append(f"OPEN: {'; '.join(questions)}")
    usual = list(_usual(tags))
    if usual:
        parts.append(f"Usual would be: {', '.join(usual)}")
    notes = _each(tags, [tag.notes for tag in tags])
    if notes:
        parts.append(f"Note: {'; '.join(notes)}")
    return ". ".join(parts) + "."


def what(tag: TagFound) -> str:
    """Its quantity, and what it is sent in."""
    sent = f"sent in {', '.join(tag.sent_units)}" if tag.sent_units else "sent without a unit"
    return f"{tag.quantity or 'not known what'}, {sent}"


def _span(tags: Sequence[TagFound]) -> str:
    lowest = [tag.lowest for tag in tags if tag.lowest is not None]
    highest = [tag.highest for tag in tags if tag.highest is not None]
    working = [tag.working for tag in tags if tag.working is not None]
    if not lowest:
        return "no value"
    if any(tag.is_counter or tag.may_count for tag in tags) or min(lowest) == max(highest):
        return _range(lowest + highest, "6g")
    return f"{_range(lowest + highest, '6g')}, works at {_range(working)}"


def _usual(tags: Sequence[TagFound]) -> Iterator[str]:
    """Each unit that would make it usual, and what it would show then."""
    found: dict[tuple[str, str], list[float]] = {}
    for tag in tags:
        for each in tag.candidates:
            found.setdefault((each.unit, each.shown_in), []).append(each.value)
    for (unit, shown_in), values in found.items():
        yield f"as {unit} it is {_range(values)} {shown_in}"


def _range(values: Sequence[float], form: str = "4g") -> str:
    low, high = f"{min(values):.{form}}", f"{max(values):.{form}}"
    return low if low == high else f"{low} to {high}"


def _each(tags: Sequence[TagFound], texts: Sequence[Sequence[str]]) -> list[str]:
    """What is said of all of them once, and what is said of some with their names."""
    by_text: dict[str, list[str]] = {}
    for tag, found in zip(tags, texts, strict=True):
        for text in found:
            by_text.setdefault(text, []).append(tag.gateway)
    return [text if len(names) == len(tags) else f"{_listed(names)}: {text}" for text, names in by_text.items()]

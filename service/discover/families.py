"""From kept topics to sources: those of one form and shape together, each with templates and the table of its form."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace

from service.discover import csv_shape, json_shape
from service.discover.columns import decimal_of
from service.discover.findings import LeftOut, SourceFound
from service.discover.json_shape import Document
from service.discover.kept import FIRST_MOST, Kept, Topic
from service.discover.levels import Branch, branches, overlap
from service.discover.payload import JSON, OWN, UNREAD, form_of, parsed
from service.discover.words import tokens

DOCUMENTS_MOST = 600  # of like topics, looked at together
DOCUMENTS_OF_TOPIC = 30  # looked at to tell which topics are alike
TOPICS_SHOWN = 5
NAME_LONGEST = 40
UNBORN = "no birth was heard: names are not known until the node sends its births"


def sources_of(kept: Kept) -> tuple[list[SourceFound], list[LeftOut]]:
    """The sources of all that was kept, the busiest first, and what is in none."""
    by_form: dict[str, list[Topic]] = {}
    for topic in kept.used():
        by_form.setdefault(form_of(topic), []).append(topic)
    left_out = [_left("no form reads it", by_form.pop(UNREAD, []))]
    left_out.append(_left("this service's own", by_form.pop("own", []) + by_form.pop("native status", [])))
    found: list[SourceFound] = []
    for form, topics in by_form.items():
        found += _FINDERS[form](topics, left_out)
    found.sort(key=lambda source: (-source.messages, source.templates))
    chosen = list(_apart(found, left_out))
    _name(chosen)
    return chosen, [each for each in left_out if each.count]


# ---------------------------------------------------------------- one finder for each form


def _of_json(topics: Sequence[Topic], left_out: list[LeftOut]) -> Iterator[SourceFound]:
    groups: dict[tuple[object, ...], list[Topic]] = {}
    empty: list[Topic] = []
    for topic in topics:
        shape = json_shape.shape_of(_documents([topic])[:DOCUMENTS_OF_TOPIC])
        if shape is None:
            empty.append(topic)
        else:
            groups.setdefault((topic.name.count("/"), *shape.key), []).append(topic)
    left_out.append(_left("JSON in which no value was found", empty))
    for members in groups.values():
        shape = json_shape.shape_of(_documents(members))
        if shape is None:
            left_out.append(_left("JSON that is not alike", members))
            continue
        for branch in _branches(
            members, needs_tag=shape.tag_from_topic, says_gateway=bool(shape.gateway), named=shape.gateways
        ):
            keys, values = shape.table()
            keys = dict(keys)
            if "{gateway}" not in branch.template and shape.gateway:
                keys["gateway"], branch.gateway = shape.gateway, ""
            yield replace(
                _source("mapped", branch, members, shape.notes),
                keys=keys,
                values=dict(values),
            )


def _of_csv(topics: Sequence[Topic], left_out: list[LeftOut]) -> Iterator[SourceFound]:
    groups: dict[tuple[object, ...], list[Topic]] = {}
    empty: list[Topic] = []
    for topic in topics:
        shape = csv_shape.shape_of(topic.messages)
        if shape is None:
            empty.append(topic)
        else:
            groups.setdefault((topic.name.count("/"), *shape.key), []).append(topic)
    left_out.append(_left("lines in which no value was found", empty))
    for members in groups.values():
        shape = csv_shape.shape_of([each for topic in members for each in topic.messages])
        if shape is not None:
            for branch in _branches(members):
                yield replace(_source("csv", branch, members, shape.notes), keys=dict(shape.keys))


def _of_plain(topics: Sequence[Topic], _left_out: list[LeftOut]) -> Iterator[SourceFound]:
    for members in _by_length(topics):
        texts = [payload.decode("utf-8", "replace").split()[:1] for topic in members for _, payload in topic.messages]
        keys = {"decimal": ","} if decimal_of([text for each in texts for text in each]) == "," else {}
        for branch in _branches(members, needs_tag=True):
            yield replace(_source("plain", branch, members, []), keys=keys)


def _of_senml(topics: Sequence[Topic], _left_out: list[LeftOut]) -> Iterator[SourceFound]:
    for members in _by_length(topics):
        for branch in _branches(members):
            yield _source("senml", branch, members, [])


def _of_native(topics: Sequence[Topic], _left_out: list[LeftOut]) -> Iterator[SourceFound]:
    for members in _by_length(topics):
        named = {topic.name: {str(parsed(payload)["gateway"]) for _, payload in topic.messages if parsed(payload)}
                 for topic in members}  # fmt: skip
        for branch in _branches(members, says_gateway=True, named=named):
            source = _source("native", branch, members, [])
            source.is_built_in = branch.template == f"{OWN}{{gateway}}/readings"
            source.gateway = ""
            yield source


def _of_sparkplug(topics: Sequence[Topic], _left_out: list[LeftOut]) -> Iterator[SourceFound]:
    """One source for each group; commands and the states of hosts are not for us."""
    groups: dict[str, list[Topic]] = {}
    for topic in topics:
        levels = topic.name.split("/")
        if len(levels) in (4, 5) and levels[2][:1] in "ND" and not levels[2].endswith("CMD"):
            groups.setdefault(levels[1], []).append(topic)
    for group, members in groups.items():
        devices = {tuple(topic.name.split("/")[3:]) for topic in members if topic.name.count("/") == 4}
        keys: dict[str, str] = {}
        if devices:
            is_unique = len({device for _, device in devices}) == len(devices)
            keys["gateway_of"] = "device" if is_unique else "node-device"
        source = _source("sparkplug", Branch(f"spBv1.0/{group}/{{rest...}}", [t.name for t in members]), members, [])
        if devices:
            source.notes.append("each device is taken for a gateway: for one gateway of all devices, gateway_of = node")
        if not any("/NBIRTH/" in topic.name for topic in members):
            source.notes.append(UNBORN)
        yield replace(source, keys=keys, own=group)


_FINDERS: dict[str, Callable[[Sequence[Topic], list[LeftOut]], Iterable[SourceFound]]] = {
    JSON: _of_json,
    "csv": _of_csv,
    "plain": _of_plain,
    "senml": _of_senml,
    "native": _of_native,
    "sparkplug": _of_sparkplug,
}


# ---------------------------------------------------------------- together


def _branches(
    topics: Sequence[Topic],
    *,
    needs_tag: bool = False,
    says_gateway: bool = False,
    named: dict[str, set[str]] | None = None,
) -> list[Branch]:
    names = [topic.name for topic in topics]
    found = branches(names, needs_tag=needs_tag, says_gateway=says_gateway, named=named or {})
    for branch in found:
        if "{gateway}" not in branch.template and not branch.gateway:
            branch.gateway = (branch.own or names[0].rpartition("/")[2]) or "gateway"
    return found


def _source(form: str, branch: Branch, topics: Sequence[Topic], notes: Sequence[str]) -> SourceFound:
    mine = set(branch.topics)
    members = [topic for topic in topics if topic.name in mine]
    return SourceFound(
        name="",
        form=form,
        templates=[branch.template],
        gateway=branch.gateway,
        own=branch.own,
        messages=sum(topic.count for topic in members),
        kept=sum(len(topic.messages) for topic in members),
        notes=[*branch.notes, *notes],
    )


def _documents(topics: Sequence[Topic]) -> list[Document]:
    """The first documents of each topic, many of the first topics and at least one of each."""
    share = max(FIRST_MOST, DOCUMENTS_MOST // len(topics))
    found: list[Document] = []
    for topic in topics:
        for received_us, payload in topic.messages[: share if len(found) < DOCUMENTS_MOST else 1]:
            body = parsed(payload)
            if body is not None:
                found.append(Document(topic.name, received_us, body))
    return found


def _by_length(topics: Sequence[Topic]) -> Iterable[list[Topic]]:
    groups: dict[int, list[Topic]] = {}
    for topic in topics:
        groups.setdefault(topic.name.count("/"), []).append(topic)
    return groups.values()


def _apart(sources: Sequence[SourceFound], left_out: list[LeftOut]) -> Iterator[SourceFound]:
    """Sources none of which takes the topics of another; of two that would, the busier."""
    chosen: list[SourceFound] = []
    for source in sources:
        (template,) = source.templates
        other = next((each for each in chosen if overlap(each.templates[0], template)), None)
        if template and other is None:
            chosen.append(source)
            yield source
        else:
            why = f"its topics are also those of {other.templates[0]}" if other else "no template can name its topics"
            left_out.append(LeftOut(why, (template,), 1, source.messages))


def _left(why: str, topics: Sequence[Topic]) -> LeftOut:
    shown = tuple(topic.name for topic in topics[:TOPICS_SHOWN])
    return LeftOut(why, shown, len(topics), sum(topic.count for topic in topics))


def _name(sources: Sequence[SourceFound]) -> None:
    """A name for each, of the levels of its topics that are written out."""
    taken: set[str] = set()
    for source in sources:
        levels = [level for level in source.templates[0].split("/") if not level.startswith("{")]
        source.name = unique(slug("-".join(levels)) or source.form, taken)


def slug(text: str) -> str:
    """Small letters, digits and hyphens; empty when nothing is left."""
    return "-".join(tokens(text))[:NAME_LONGEST].strip("-")


def unique(name: str, taken: set[str]) -> str:
    """The name, with a number behind it if it is taken; it is then."""
    found, number = name, 1
    while found in taken:
        number += 1
        found = f"{name}-{number}"
    taken.add(found)
    return found

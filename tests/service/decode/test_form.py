"""Topic templates: which topics they take, which parts they name, and what is no template."""

from __future__ import annotations

import pytest

from service.decode.form import Arrived, Stateless, Template, named
from service.model import BadInput


@pytest.mark.parametrize(
    ("text", "subscribed", "topic", "parts"),
    [
        ("a/b", "a/b", "a/b", {}),
        ("a/b", "a/b", "a/c", None),
        ("works/{gateway}/{tag}", "works/+/+", "works/gw 1/dp", {"gateway": "gw 1", "tag": "dp"}),
        ("works/{gateway}/{tag}", "works/+/+", "works/gw/dp/raw", None),
        ("works/{gateway}/{tag}", "works/+/+", "works//dp", None),
        ("works/{gateway}/{tag...}", "works/+/#", "works/gw/dp/raw", {"gateway": "gw", "tag": "dp/raw"}),
        ("works/{gateway}/{tag...}", "works/+/#", "works/gw", None),
        ("{all...}", "#", "x/y", {"all": "x/y"}),
        ("a.b/{x}", "a.b/+", "aXb/1", None),
    ],
)
def test_a_template_names_the_parts_of_the_topics_that_it_takes(
    text: str, subscribed: str, topic: str, parts: dict[str, str] | None
) -> None:
    template = Template(text)
    assert template.filter == subscribed
    assert template.parts(topic) == parts


@pytest.mark.parametrize("text", ["a/+/b", "a/#", "a/x{y}", "a/{y}/{y}", "a/{y...}/b", "a/{Y}", "a/}"])
def test_what_is_no_template_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="topic"):
        Template(text)


def test_a_part_that_is_missing_or_too_long_is_refused_with_the_remedy() -> None:
    arrived = Arrived("a/b", b"", 0, {"tag": "t" * 129})
    for part in ("gateway", "tag"):
        with pytest.raises(BadInput, match="name it in the template"):
            named(arrived, part, "name it in the template")
    assert named(arrived._replace(parts={"tag": "dp"}), "tag", "") == "dp"


def test_a_form_without_memory_has_nothing_to_save() -> None:
    form = Stateless()
    assert (form.changed(), form.due(0).messages) == ({}, [])
    form.load({})

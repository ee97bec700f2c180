"""The sources file: what it may say, what is refused and how, and what a change of it changes."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest

from service.model import BadConfiguration
from service.plant.file import parse
from service.settings import Settings
from service.sources.file import differences, left_behind, load
from service.sources.form import Sources
from service.sourcing import doubts_of, intake_of
from tests.parts import plant_text

WHOLE = """
[[broker]]
name = "annex"
host = "10.0.0.7"
port = 8883
tls = true

[[source]]
name = "cutting"
form = "mapped"
topics = ["works/{gateway}/values"]
mapped = { items = "points", tag = "n", value = "v", at = "t", time_form = "ms", decimal = "," }
gateways = { A0B1 = "gw-cut-1" }
only_named = true
time_of = { gw-cut-1 = { by = "arrival" } }

[source.tags.4001]
tag = "dp"
unit = "inH2O"
loop = { at_4_mA = 0, at_20_mA = 10 }

[source.tags."A0B1/7"]
unit = "count"
counter = { wraps_at = 65536 }

[[source]]
name = "silo"
broker = "annex"
form = "plain"
topics = ["silo/{gateway}/{tag...}"]

[[source]]
name = "lines"
form = "csv"
topics = ["lines/one"]
gateway = "gw-1"
csv = { columns = ["at", "dp", "-"], separator = ";" }

[[source]]
name = "packs"
form = "senml"
topics = ["senml/{gateway}"]

[[source]]
name = "nodes"
form = "sparkplug"
topics = ["spBv1.0/{group}/{kind}/{node}", "spBv1.0/{group}/{kind}/{node}/{device}"]
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "sources.toml"
    path.write_text(text)
    return path


def test_a_whole_file_becomes_an_intake(tmp_path: Path) -> None:
    sources = load(written(tmp_path, WHOLE))
    intake = intake_of(Settings(), sources)
    assert intake.filters("annex") == ("silo/+/#",)
    assert "works/+/values" in intake.filters("main")
    found = intake.find("main", "works/A0B1/values")
    assert found is not None
    assert (found[0].name, found[1]) == ("cutting", {"gateway": "A0B1"})
    assert intake.find("main", "silo/x/y") is None, "that is the other broker's"
    assert intake.native_topic("gw-1") == "dustcake/v1/gw-1/readings"


SOURCE = '[[source]]\nname = "a"\n'
MAPPED = 'mapped = { tag = "n", value = "v" }\n'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (SOURCE, "source\\[a\\].form: missing"),
        (SOURCE + 'form = "xml"\ntopics = ["a"]', "source\\[a\\].form 'xml': expected 'native'"),
        (SOURCE + 'form = "mapped"\ntopics = ["a/{gateway}"]', "expected a table mapped"),
        (SOURCE + 'form = "csv"\ntopics = ["a/{gateway}"]\n' + MAPPED, "mapped in a source of the form csv"),
        (
            SOURCE + 'form = "plain"\ntopics = ["a/{gateway}/{tag}"]\nbroker = "x"',
            "expected one of main; add the broker",
        ),
        (
            SOURCE + 'form = "plain"\ntopics = ["a/{gateway}/{tag}"]\n' + SOURCE + 'form = "native"\ntopics = ["b"]',
            "twice",
        ),
        (
            SOURCE
            + 'form = "plain"\ntopics = ["a/{gateway}/{tag}"]\n'
            + '[[source]]\nname = "b"\nform = "native"\ntopics = ["a/{x...}"]',
            "source a takes some of them",
        ),
        ('[[broker]]\nname = "main"', "that is the broker of the settings file"),
        (SOURCE + 'form = "plain"\ntopics = ["a/{tag}"]', "no part {gateway}"),
        (SOURCE + 'form = "plain"\ntopics = ["a/{gateway}"]', "no part {tag}"),
        (SOURCE + 'form = "plain"\ntopics = ["a/+/{tag}"]', "topic 'a/\\+/{tag}'"),
        (SOURCE + 'form = "mapped"\ntopics = ["a/{gateway}"]\nmapped = { tag = "n[", value = "v" }', "tag = 'n\\['"),
        (SOURCE + 'form = "csv"\ntopics = ["a/{gateway}"]\ncsv = { columns = ["at", "at", "x"] }', "each name once"),
        (
            SOURCE + 'form = "plain"\ntopics = ["a/{gateway}/{tag}"]\n[source.tags.x]\nlowest = 3\nhighest = 2',
            "lowest 3: expected less than highest",
        ),
        (
            SOURCE
            + 'form = "plain"\ntopics = ["a/{gateway}/{tag}"]\n[source.tags.x]\nloop = { at_4_mA = 0, at_20_mA = 1 }\n'
            + "counter = {}",
            "expected a count as it comes",
        ),
        (
            SOURCE + 'form = "plain"\ntopics = ["a/{gateway}/{tag}"]\n[[broker]]\nname = "b"\nhost = "h"\n',
            r"broker\[b\]: no source has it",
        ),
        (
            SOURCE + 'form = "native"\ntopics = ["dustcake/{x}/{gateway}/readings"]\n',
            "the settings take some of them as native",
        ),
        (SOURCE + 'form = "plain"\ntopics = ["a/{gateway}/{tag}"]\ntime = { by = "arrival", offset_s = 3 }', "offset"),
    ],
)
def test_what_is_wrong_is_refused_with_place_and_remedy(tmp_path: Path, text: str, says: str) -> None:
    path = written(tmp_path, text)
    with pytest.raises(BadConfiguration, match=says) as caught:
        intake_of(Settings(), load(path), path)
    assert all(line.startswith(str(path)) for line in str(caught.value).splitlines())


def test_a_change_is_told_by_broker_and_source(tmp_path: Path) -> None:
    before = load(written(tmp_path, WHOLE))
    after = load(written(tmp_path, WHOLE.replace('"annex"', '"shed"')))
    assert differences(before, after) == [
        "broker annex: removed", "source silo broker: annex -> shed", "broker shed: added",
    ]  # fmt: skip
    assert differences(before, before) == []
    assert (left_behind(before, after), left_behind(before, before)) == (["silo"], [])


def test_the_memory_of_another_form_is_left_behind(tmp_path: Path) -> None:
    text = SOURCE + 'form = "{}"\ntopics = ["a/{{gateway}}/{{tag}}"]\n'
    before, after = (load(written(tmp_path, text.format(form))) for form in ("sparkplug", "plain"))
    assert left_behind(before, after) == ["a"]
    assert left_behind(before, Sources()) == ["a"]


def test_a_change_of_a_tag_is_told_with_both_values(tmp_path: Path) -> None:
    text = SOURCE + 'form = "plain"\ntopics = ["a/{gateway}/{tag}"]\n[source.tags.p]\nunit = "mbar"\n'
    after = load(written(tmp_path, text.replace("mbar", "inH2O") + "[source.tags.q]\nunit = 'Pa'\nbad = [-9999]\n"))
    (name,) = [source.name for source in after.source]
    assert differences(load(written(tmp_path, text)), after) == [
        f"source {name} tags p unit: mbar -> inH2O", f"source {name} tags q: added",
    ]  # fmt: skip


def test_the_example_of_the_documentation_is_a_sources_file(tmp_path: Path) -> None:
    page = (Path(__file__).parents[3] / "docs" / "sources.md").read_text("utf-8")
    example = page.partition("```toml\n")[2].partition("```")[0]
    intake = intake_of(Settings(), load(written(tmp_path, example)))
    assert intake.filters("annex") == ("silo/+/+",)


def test_what_the_plant_file_does_not_have_is_a_doubt(tmp_path: Path) -> None:
    sources = load(written(tmp_path, WHOLE))
    plant = parse(tomllib.loads(plant_text(2)), "test")
    assert doubts_of(sources, plant) == [
        "source[cutting]: the plant file has no gateway gw-cut-1",
        "source[cutting].time_of: the plant file has no gateway gw-cut-1",
        "source[cutting]: no point of the plant file has the tag 7",
    ]

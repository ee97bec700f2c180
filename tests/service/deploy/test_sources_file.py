"""The commented sources file has every key, and holds."""

from __future__ import annotations

from pathlib import Path

from pydantic import BaseModel

from service.settings import Settings
from service.sources.file import load
from service.sources.form import Broker, Csv, Loop, Mapped, Plain, Senml, Source, Sparkplug, TagRules, Time
from service.sourcing import intake_of
from tests.service.deploy.page import switched_on

FILE = Path(__file__).parents[3] / "deploy" / "sources.toml"
MODELS: tuple[type[BaseModel], ...] = (Source, TagRules, Loop, Time, Mapped, Csv, Plain, Senml, Sparkplug)


def test_as_it_stands_it_is_a_sources_file() -> None:
    sources = load(FILE)
    assert [source.form for source in sources.source] == ["mapped", "plain", "csv", "senml", "sparkplug"]
    intake_of(Settings(), sources, FILE)


def test_every_key_is_in_it() -> None:
    text = FILE.read_text("utf-8")
    for model in MODELS:
        for name in model.model_fields:
            assert f"{name} = " in text or f"[source.{name}" in text, f"{model.__name__}.{name}"
    assert {f"{name} = " for name in ("name", "host", "port", "tls", "ca_file")} <= {
        line.lstrip("#").partition("= ")[0] + "= " for line in text.partition("# --- any JSON")[0].splitlines()
    }
    assert set(Broker.model_fields) > {"name", "host"}


def test_its_brokers_are_those_of_a_broker_table(tmp_path: Path) -> None:
    text = FILE.read_text("utf-8")
    head = text.partition("# ---------------------------------------------------------------- any JSON")[0]
    path = tmp_path / "sources.toml"
    path.write_text(
        switched_on(head)
        + '\n[[source]]\nname = "x"\nbroker = "annex"\nform = "plain"\ntopics = ["a/{gateway}/{tag}"]\n'
    )
    assert load(path).broker[0].name == "annex"


def test_it_has_no_line_longer_than_the_project_allows() -> None:
    assert max(len(line) for line in FILE.read_text("utf-8").splitlines()) <= 120

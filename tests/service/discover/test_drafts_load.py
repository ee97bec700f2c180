"""Whatever is on the broker, the drafts can be loaded, and what they hold can end no line and no quotes."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path
from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.discover.draft_plant import plant_text
from service.discover.draft_sources import sources_text
from service.discover.kept import Message
from service.discover.look import find
from service.plant import file as plant_file
from service.settings import Settings
from service.sources import file as sources_file
from service.sourcing import intake_of
from tests.service.discover import made

LEVELS = st.sampled_from(
    [
        "works",
        "gw-1",
        "GW 2",
        "dp",
        "Druck",
        "header",
        "v1",
        "telemetry",
        "{x}",
        'a"b',
        "",
        "é\u202e\x7f",
        "'",
        "x" * 140,
    ]
)
TOPICS = st.lists(LEVELS, min_size=1, max_size=5).map("/".join)
KEYS = st.sampled_from(
    [
        "dp",
        "value",
        "v",
        "unit",
        "u",
        "name",
        "tag",
        "t",
        "ts",
        "time",
        "seq",
        "gateway",
        "id",
        "quality",
        "a.b",
        'q"',
        "",
    ]
)
SCALARS: st.SearchStrategy[Any] = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**20), 10**20),
    st.just(10**400),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from(
        ["3,14", "3.14", "1e999", "dp", "inH2O", "mbar", "good", "2026-11-25T08:00:00Z", "1.2.2026 10:00:00", "\n#", ""]
    ),
    st.text(max_size=10),
)
DOCUMENTS = st.recursive(
    SCALARS,
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(KEYS, inner, max_size=5)),
    max_leaves=20,
)
PAYLOADS = st.one_of(
    DOCUMENTS.map(lambda found: json.dumps(found).encode()),
    st.binary(max_size=40),
    st.sampled_from(
        [b"3.14 inH2O", b"3,14", b"on", b"null", b"1;2;3", b"a,b\n1,2\n3,4", b"dp;3,14;mbar;good\nx;1;Pa;bad"]
    ),
    st.text(max_size=30).map(str.encode),
)


def check(messages: list[Message]) -> None:
    found = find(messages)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "s.toml").write_text(sources_text(found), encoding="utf-8")
        (folder / "p.toml").write_text(plant_text(found), encoding="utf-8")
        sources = sources_file.load(folder / "s.toml")
        intake_of(Settings(), sources)
        plant = plant_file.load(folder / "p.toml")
    built = [source for source in found.sources if not source.is_built_in]
    assert [source.name for source in sources.source] == [source.name for source in built]
    assert len(plant.collector) <= len({gateway.id for gateway in found.gateways})


@given(st.lists(st.tuples(TOPICS, PAYLOADS, st.integers(0, 60)), max_size=30))
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_arbitrary_messages(rows: list[tuple[str, bytes, int]]) -> None:
    check([(topic, payload, made.START_US + second * 1_000_000) for topic, payload, second in rows])


@given(st.sampled_from(sorted(made.encoders())), st.integers(0, 40), st.binary(min_size=1, max_size=3))
@settings(max_examples=30, deadline=None)
def test_sound_traffic_with_damaged_messages_among_it(form: str, place: int, damage: bytes) -> None:
    messages = made.traffic(form, turns=8)
    topic, payload, at_us = messages[place % len(messages)]
    middle = len(payload) // 2
    messages[place % len(messages)] = (topic, payload[:middle] + damage + payload[middle + 1 :], at_us)
    check(messages)


def test_nothing_at_all() -> None:
    check([])

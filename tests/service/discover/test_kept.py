"""The sample stays bounded whatever is sent, keeps what matters, and says what it left out."""

from __future__ import annotations

import tracemalloc
from random import Random

import pytest

from service.decode.form import Arrived, Read, Stateless, Template, Waited
from service.decode.intake import Source
from service.discover import kept as bounds
from service.discover.findings import SourceFound
from service.discover.kept import BYTES_MOST, CHILDREN_MOST, FIRST_MOST, MESSAGES_MOST, TOPICS_MOST, Kept
from service.discover.look import findings_of
from service.model import GatewayMessage, GatewayReading
from tests.service.discover.made import EVERY_US, START_US, tag_of, traffic


def test_random_topics_do_not_grow_it() -> None:
    """Twenty times as many topics again take no more memory than the first `TOPICS_MOST`."""
    random, kept = Random(7), Kept()
    tracemalloc.start()
    sizes = []
    for turn in range(20 * TOPICS_MOST):
        kept.add(f"a/{random.getrandbits(64):x}/{turn}", b"3.1", START_US + turn)
        if turn + 1 in (2 * TOPICS_MOST, 20 * TOPICS_MOST):
            sizes.append(tracemalloc.get_traced_memory()[0])
    tracemalloc.stop()
    assert len(kept.topics) == TOPICS_MOST
    assert kept.left_out_messages == 19 * TOPICS_MOST
    assert sizes[1] - sizes[0] < 100_000


def test_a_level_that_counts_does_not_crowd_out_the_gateways() -> None:
    kept = Kept()
    for turn in range(3 * CHILDREN_MOST):
        kept.add(f"events/{turn}", b"1", START_US + turn)
    kept.add_all(traffic("mapped"))
    found = findings_of(kept)
    assert len([name for name in kept.topics if name.startswith("events/")]) == CHILDREN_MOST
    assert tag_of(found, "gw-cut-1", "dp").readings > 50
    assert any("they may number themselves" in each.why for each in found.left_out)


@pytest.mark.parametrize("size", [10, 50_000])
def test_payloads_of_many_messages_stay_within_the_bytes(size: int) -> None:
    kept = Kept()
    for turn in range(3000):
        kept.add(f"w/gw-{turn % 7}/report", bytes(size), START_US + turn)
    assert kept.bytes <= BYTES_MOST
    held = sum(len(payload) for topic in kept.topics.values() for _, payload in topic.messages)
    assert held <= kept.bytes
    assert all(FIRST_MOST <= len(topic.messages) <= MESSAGES_MOST for topic in kept.topics.values())


def test_of_many_messages_the_first_stay_whole_and_the_rest_reach_to_the_end() -> None:
    kept = Kept()
    for turn in range(10_000):
        kept.add("w/gw/dp", b"%d" % turn, START_US + turn * EVERY_US)
    numbers = [int(payload) for _, payload in kept.topics["w/gw/dp"].messages]
    assert numbers[:FIRST_MOST] == list(range(FIRST_MOST))
    assert numbers == sorted(set(numbers))
    assert numbers[-1] > 9_900
    steps = {after - before for before, after in zip(numbers[FIRST_MOST:], numbers[FIRST_MOST + 1 :], strict=False)}
    assert len(steps) == 1, "evenly spread"


def test_long_messages_and_long_topics_are_counted_and_not_kept() -> None:
    kept = Kept()
    kept.add("w/gw/dp", bytes(bounds.PAYLOAD_LONGEST + 1), START_US)
    kept.add("w/" + "x" * bounds.TOPIC_LONGEST, b"1", START_US)
    assert (kept.messages, kept.long_messages, kept.left_out_messages, kept.bytes) == (2, 1, 1, 0)
    found = findings_of(kept)
    assert {each.why for each in found.left_out} >= {"longer than one message may be"}


def test_what_a_form_held_back_has_the_arrival_of_its_own_message(monkeypatch: pytest.MonkeyPatch) -> None:
    def said(tag: str) -> GatewayMessage:
        return GatewayMessage("gw-1", [GatewayReading(tag, "", "inH2O", 3.1)])

    class Holding(Stateless):
        def read(self, arrived: Arrived) -> Read:
            early_us = arrived.received_us - EVERY_US
            return Read(
                [said("now")], before=[Waited(said("before"), early_us)], waited=[Waited(said("since"), early_us)]
            )

    from service.discover import readings  # noqa: PLC0415 - its form is another one here

    built = Source("w", "main", (Template("w/{gateway}/x"),), Holding())
    monkeypatch.setattr(readings, "build", lambda *_: built)
    kept = Kept()
    kept.add("w/gw-1/x", b"1", START_US)
    heard = readings.read(SourceFound("w", "plain", ["w/{gateway}/{tag}"]), kept)
    assert {tag: series.values for (_, tag), series in heard.series.items()} == {
        "before": [(START_US - EVERY_US, 3.1)],
        "now": [(START_US, 3.1)],
        "since": [(START_US - EVERY_US, 3.1)],
    }


def test_tags_without_end_in_payloads_are_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    from service.discover import readings  # noqa: PLC0415 - its bound is lowered, so that the test is short

    monkeypatch.setattr(readings, "SERIES_MOST", 50)
    kept = Kept()
    for turn in range(400):
        body = b'{"items": [{"tag": "dp%d", "value": 3.1, "unit": "inH2O"}]}' % turn
        kept.add(f"w/gw-{turn % 2}/x", body, START_US + turn * EVERY_US)
    found = findings_of(kept)
    assert len(found.tags) == 50
    assert any("more tags than are looked at" in each.why for each in found.left_out)

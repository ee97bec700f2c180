"""Every limit of docs/bounds.md is the code's; what is full says so, and what is refused is never refused silently."""

from __future__ import annotations

import importlib
import inspect
import re
import shutil
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from service import wiring
from service.model import Chosen, Entry, Owed, Parcel, Rejected, Told
from service.notify.dispatch import Bounds
from service.receive import mqtt
from service.receive.inbox import Inbox
from service.settings import Settings
from service.store import ledger as ledger_module
from service.store import quarantine as quarantine_module
from service.store.ledger import Ledger
from service.store.outbox import LedgerOutbox
from service.store.quarantine import Held
from service.store.reader import LedgerReader
from service.wiring import Service
from tests.parts import plant_text, wait_until

PAGE = (Path(__file__).parents[2] / "docs" / "bounds.md").read_text("utf-8")
ROWS = re.findall(r"^\| ([^|]+) \| `([^`]+)` \| (\d+) \|", PAGE, re.MULTILINE)
MODULES = (
    *("rules.running", "service.explaining", "service.house", "service.normalise.bind", "service.normalise.columns"),
    *("service.pipeline", "service.receive.inbox", "service.receive.mqtt", "service.store.history"),
    *("service.store.ledger", "service.store.quarantine", "service.vigil.checks", "service.web.quarantine"),
    *("rules.sequence", "service.store.held", "service.web.access", "service.web.api", "service.web.server"),
    *("service.web.stream", "service.wiring", "service.decode.counters", "service.decode.mapped"),
    *("service.decode.sparkplug", "service.decode.sparkplug_node", "service.decode.sparkplug_nodes"),
)


def value_of(limit: str) -> float:
    """The number behind a limit's name: a setting's default, a default of the dispatcher, or a constant."""
    if found := re.fullmatch(r"\[(\w+)\] (\w+)", limit):
        section = Settings.model_fields[found[1]].default
        return float(getattr(section, found[2]))
    if "." in limit:
        module, _, name = limit.rpartition(".")
        return float(getattr(importlib.import_module(module), name))
    if limit in Bounds.__dataclass_fields__:
        return float(getattr(Bounds(), limit))
    values = {
        getattr(importlib.import_module(name), limit)
        for name in MODULES
        if hasattr(importlib.import_module(name), limit)
    }
    assert len(values) == 1, f"{limit} of docs/bounds.md: {values}"
    return float(values.pop())


@pytest.mark.parametrize(("what", "limit", "value"), ROWS, ids=[limit for _, limit, _ in ROWS])
def test_a_limit_of_the_page_is_that_of_the_code(what: str, limit: str, value: str) -> None:
    assert value_of(limit) == int(value), what


def test_the_page_has_every_limit_that_is_named_as_one() -> None:
    """A constant whose name ends like a limit's stands on the page, but for the parts of one that does."""
    named = re.compile(r"^([A-Z][A-Z_]*(?:_MOST|_MAX|_AT_MOST|_KEPT|_SHOWN|_BYTES|_REMEMBERED)) = [0-9]", re.MULTILINE)
    elsewhere = {
        "READINGS_MOST",
        "ID_MAX",
        "PARCEL_BYTES",
        "READ_BYTES",
        "TOPIC_CHARACTER_BYTES",
        "ROW_BYTES",
        "ROOM_LEAST_BYTES",
        "DEPTH_MOST",
        "UNIT_MOST",
        "SEQ_MOST",
    }  # what these bound is there
    for module in MODULES:
        source = Path(str(importlib.import_module(module).__file__)).read_text("utf-8")
        for name in named.findall(source):
            assert f"`{name}`" in PAGE or f"`{module}.{name}`" in PAGE or name in elsewhere, (
                f"{name} of {module}: expected a row in docs/bounds.md"
            )


# ---------------------------------------------------------------- the inbox


def inbox(most: int = 4) -> Inbox[int]:
    return Inbox(most, most_bytes=1_000_000, weigh=lambda item: item)


def test_an_inbox_says_for_how_long_it_has_been_full_until_it_is_half_empty() -> None:
    box = inbox()
    for _ in range(4):
        assert box.put(1)
    assert box.full_s == 0.0  # nobody has had to wait yet
    waiter = threading.Thread(target=box.put, args=(1,))
    waiter.start()
    wait_until(lambda: box.full_s > 0.01, "it has been full for a while")
    box.take(1, most_bytes=100, age_s=0, wait_s=0)
    waiter.join(10)
    assert box.full_s > 0.0  # there was room for one, and it is full again
    box.take(3, most_bytes=100, age_s=0, wait_s=0)
    assert box.full_s == 0.0
    assert (box.waited, box.waiting_bytes) == (1, 1)


def test_a_request_does_not_wait_for_ever_at_a_full_inbox() -> None:
    box = inbox(1)
    box.put(1)
    assert box.put(1, 0.02) is False
    assert len(box) == 1


def test_a_waiting_message_weighs_its_topic_too() -> None:
    """A topic can have 65,535 bytes (MQTT 5.0, 1.5.4), and without it 20,000 messages would be a gigabyte and more."""
    topic = "dustcake/v1/" + "g" * 65_000 + "/readings"
    assert wiring._weight(Parcel(topic, b"{}", 0)) > 65_000


# ---------------------------------------------------------------- the receiver


def test_a_topic_that_is_not_utf_8_is_a_text_and_does_not_break_the_connection() -> None:
    """MQTT 5.0, 1.5.4-1 forbids it; should a broker let it through, it must not come again for ever."""
    assert mqtt._topic(paho.MQTTMessage(1, b"dustcake/v1/\xff/readings")) == "dustcake/v1/\\xff/readings"
    assert mqtt._topic(paho.MQTTMessage(1, b"dustcake/v1/gw-0/readings")) == "dustcake/v1/gw-0/readings"


def test_the_client_keeps_an_incoming_packet_where_it_is_cut_and_reads_by_the_method_that_cuts_it() -> None:
    """Both are parts of paho that it does not promise: an upgrade that changes them must be seen here."""
    assert "_sock_recv(" in inspect.getsource(paho.Client._packet_read)
    assert isinstance(paho.Client(CallbackAPIVersion.VERSION2)._in_packet["packet"], bytearray)


# ---------------------------------------------------------------- the ledger


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with closing(Ledger(tmp_path / "ledger.sqlite")) as opened:
        yield opened


def told(number: int, priority: str) -> Owed:
    words: dict[str, Any] = dict.fromkeys(
        ("step", "collector", "collector_name", "site_name", "time_zone", "point", "quantity", "limit", "unit"), "x"
    )
    body = Told(alarm_id=f"a{number}", priority=priority, at_us=0, recorded_us=0, **words)
    return Owed(f"key {number}", "log", "lead", "", body)


def test_a_full_outbox_still_owes_what_is_of_high_priority_and_records_the_rest_as_given_up(
    ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ledger_module, "OWED_AT_MOST", 2)
    priorities = ["low", "low", "medium", "high", "low"]
    ledger.commit(Entry(1, 7, owed=tuple(told(n, priority) for n, priority in enumerate(priorities))))
    ledger.commit(Entry(2, 8, owed=(told(5, "high"), told(6, "medium"))))
    with closing(LedgerOutbox(ledger.path)) as outbox:
        assert outbox.owed() == (4, 7)
        assert [row.key for row in outbox.due(100, 10)] == ["key 0", "key 1", "key 3", "key 5"]
    rows = ledger._connection.execute("SELECT key, done_us, detail FROM outbox WHERE state = 'given up'").fetchall()
    assert rows == [
        (f"key {n}", at, "not sent: 2 notifications were owed already") for n, at in ((2, 7), (4, 7), (6, 8))
    ]


def test_what_a_refusal_quotes_is_cut_and_a_list_shows_the_beginning_of_each_payload(ledger: Ledger) -> None:
    ledger.commit(Entry(1, rejected=(Rejected("t" * 65_000, b"p" * 200_000, 5, "message-invalid", "r" * 300_000),)))
    with closing(LedgerReader(ledger.path)) as reader:
        (row,) = reader.quarantine.listed(Chosen(), state="", before=None, limit=10)
    assert (len(row["topic"]), len(row["reason"])) == (quarantine_module.TEXT_KEPT, quarantine_module.TEXT_KEPT)
    assert (len(row["payload"]), row["size"]) == (quarantine_module.PAYLOAD_LISTED_BYTES, 200_000)
    assert ledger._connection.execute("SELECT length(payload) FROM quarantine").fetchall() == [(200_000,)]


# ---------------------------------------------------------------- what the service says of itself


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """A whole service that is built and not started."""
    (tmp_path / "plant.toml").write_text(plant_text(1))
    settings = Settings(data_dir=tmp_path / "data", plant=tmp_path / "plant.toml")
    settings = settings.model_copy(update={"web": settings.web.model_copy(update={"port": 0})})
    built = Service(settings)
    yield built
    built.ledger.close()
    built.outbox.close()
    built.reader.close()
    built._hold.close()


def test_with_room_everywhere_the_bounds_are_ok(service: Service) -> None:
    checks = service._checks()
    assert {name: checks[name] for name in ("inbox", "quarantine", "disk", "outbox")} == dict.fromkeys(
        ("inbox", "quarantine", "disk", "outbox"), "ok"
    )


def test_little_room_on_the_disk_is_said_before_there_is_none(
    service: Service, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: SimpleNamespace(free=300 << 20))
    assert service._checks()["disk"].startswith("300 MiB free in ")
    assert service._gauges()["disk free MiB"] == 300
    assert service.house.health().ready is False


def test_a_full_quarantine_is_said(service: Service) -> None:
    service.ledger.quarantine.held = Held(quarantine_module.QUARANTINE_BYTES_AT_MOST, {})
    assert "counted and no longer kept" in service._checks()["quarantine"]
    assert service._gauges()["quarantine MiB"] == 512


def test_an_inbox_that_stays_full_is_said(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Inbox, "full_s", 301.0)
    assert service._checks()["inbox"].startswith("full for 5 min")


def test_a_full_outbox_is_said(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service.outbox, "owed", lambda: (ledger_module.OWED_AT_MOST, service.clock.wall_us()))
    assert "only those of high priority are taken" in service._checks()["outbox"]


def test_a_request_at_a_full_inbox_is_refused_with_words(service: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.house.REQUEST_WAIT_S", 0.01)
    monkeypatch.setattr(service.inbox, "_most", 0)
    monkeypatch.setattr(service.house._announcer, "test", lambda *_: ())
    with pytest.raises(RuntimeError, match="the inbox is full"):
        service.house.send_test("lead")


def test_a_changed_constant_is_no_longer_the_number_of_the_page(monkeypatch: pytest.MonkeyPatch) -> None:
    written = {limit: float(value) for _, limit, value in ROWS}
    monkeypatch.setattr(quarantine_module, "PAYLOAD_LISTED_BYTES", 5)
    assert value_of("PAYLOAD_LISTED_BYTES") != written["PAYLOAD_LISTED_BYTES"]
    assert len(written) == len(ROWS) > 40

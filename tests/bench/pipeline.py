"""The service from the broker to committed rows, beside what the machine can do. Prints; never a test.

1. Messages/s from a broker's queue to committed rows with alarms evaluated, beside a bare subscriber of the
   same queue that only counts. 2. Rows/s beside a raw DuckDB bulk insert of the same rows. 3. Latency from
publish to commit at a tenth of that load.
"""

from __future__ import annotations

import json
import sys
import tempfile
import threading
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import paho.mqtt.client as paho
import pyarrow as pa
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.store import journal
from tests import parts

COLLECTORS = 50
TAGS = list(parts.UNITS)
QUICK = "--quick" in sys.argv
MESSAGES = {1: 20_000 if QUICK else 60_000, 30: 12_000 if QUICK else 40_000}


@dataclass
class Result:
    readings_per_message: int
    messages: int
    payload_bytes: int
    bare_messages_s: float
    bare_acked_in_batches_messages_s: float
    service_messages_s: float
    service_rows_s: float
    history_rows_s: float
    raw_insert_rows_s: float
    raw_insert_same_batches_rows_s: float
    latency_load_messages_s: float = 0.0
    latency_p50_ms: float = 0.0
    latency_p99_ms: float = 0.0


def main() -> None:
    results = []
    for size, count in MESSAGES.items():
        with tempfile.TemporaryDirectory(prefix="dustcake-bench-") as name:
            results.append(measure(Path(name), size, count))
            show(results[-1])
    if "--json" in sys.argv:
        print(json.dumps([asdict(result) for result in results]))


def measure(folder: Path, size: int, count: int) -> Result:
    payloads = stored(size, count)
    with parts.mosquitto(folder) as broker:
        bare = drain_bare(broker, payloads, batched=False)
        batched = drain_bare(broker, payloads, batched=True)
        daemon = parts.Daemon(folder / "d", broker, parts.plant_text(COLLECTORS))
        try:
            say(f"{size} readings a message: the service drains {count} messages")
            daemon.start()
            daemon.stop()  # its session is with the broker now
            publish(broker, payloads)
            messages_s, rows_s, history_s = drain_service(daemon, size, count)
            raw, raw_batches = raw_insert(folder, daemon)
            result = Result(
                size, count, len(payloads[0][1]), bare, batched, messages_s, rows_s, history_s, raw, raw_batches
            )
            latency(daemon, broker, size, result)
        finally:
            daemon.end()
    return result


def stored(size: int, count: int) -> list[tuple[str, bytes]]:
    """(topic, payload) of quiet plant data from an hour ago on: a few values cross a limit, as they would."""
    draw = np.random.default_rng(7)
    start_s = int(time.time()) - 3600
    level = {"dp": 3.2, "header": 90.0, "airflow": 8000.0, "temperature": 120.0, "amps": 27.0, "pulses": 5.0}
    made = []
    for n in range(count):
        gateway, k = n % COLLECTORS, n // COLLECTORS
        rows = []
        for i in range(size):
            sample = k * size + i
            tag = TAGS[sample % len(TAGS)]
            at = start_s + (sample // len(TAGS)) * 3000 / (count * size / COLLECTORS / len(TAGS))
            value = level[tag] * (1 + 0.03 * draw.standard_normal()) * (1.8 if draw.random() < 0.0005 else 1)
            rows.append((tag, _iso(at), round(value, 2)))
        made.append((f"dustcake/v1/gw-{gateway}/readings", parts.message(f"gw-{gateway}", k, rows)))
    return made


def _iso(at_s: float) -> str:
    ms = round(at_s * 1000)
    return time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(ms // 1000)) + f".{ms % 1000:03d}Z"


def publish(broker: parts.BrokerAt, payloads: list[tuple[str, bytes]]) -> None:
    with parts.publisher(broker) as client:
        for topic, payload in payloads:
            info = client.publish(topic, payload, qos=1)
        info.wait_for_publish(300)


def drain_bare(broker: parts.BrokerAt, payloads: list[tuple[str, bytes]], *, batched: bool) -> float:
    """Messages/s of a subscriber at QoS 1 that only counts: the client's own acknowledgements, or 500 at a time."""
    say(f"a bare subscriber drains {len(payloads)} messages ({'batched' if batched else 'automatic'} acknowledgement)")
    name, total = f"bare-{batched}", len(payloads)
    subscribed, done = threading.Event(), threading.Event()
    seen, began_s, unacknowledged = 0, 0.0, []

    def on_message(client: paho.Client, _data: Any, received: paho.MQTTMessage) -> None:
        nonlocal seen, began_s
        if seen == 0:
            began_s = time.perf_counter()
        seen += 1
        if batched:
            unacknowledged.append(received.mid)
            if len(unacknowledged) >= 500 or seen == total:
                for mid in unacknowledged:
                    client.ack(mid, 1)
                unacknowledged.clear()
        if seen == total:
            done.set()

    first = _client(name, batched)
    first.on_subscribe = lambda *_: subscribed.set()
    _connect(first, broker)
    first.subscribe("dustcake/v1/+/readings", 1)
    assert subscribed.wait(10)
    first.disconnect()
    first.loop_stop()
    publish(broker, payloads)
    second = _client(name, batched)
    second.on_message = on_message
    _connect(second, broker)
    assert done.wait(600)
    rate = (total - 1) / (time.perf_counter() - began_s)
    second.unsubscribe("dustcake/v1/+/readings")
    second.disconnect()
    second.loop_stop()
    return rate


def _client(name: str, manual: bool) -> paho.Client:
    return paho.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=paho.MQTTv5, manual_ack=manual)


def _connect(client: paho.Client, broker: parts.BrokerAt) -> None:
    properties: Any = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = 600
    properties.ReceiveMaximum = 2000  # as the service asks for
    client.connect(broker.host, broker.port, clean_start=False, properties=properties)
    client.loop_start()


def drain_service(daemon: parts.Daemon, size: int, count: int) -> tuple[float, float, float]:
    """(messages/s, rows/s committed to the ledger, rows/s in the history), from the first commit to the last.

    The first transaction's rows are left out, because its beginning is not on record.
    """
    before = daemon.ask_ledger("SELECT coalesce(max(seq), 0) FROM journal")[0][0]
    wanted = count * size
    daemon.start(ready=False)
    rows = f"SELECT coalesce(sum(rows), 0) FROM journal WHERE seq > {before}"
    parts.wait_until(lambda: daemon.ask_ledger(rows)[0][0] >= wanted, "all is committed", 900)
    found = daemon.ask_ledger(f"SELECT committed_us, rows FROM journal WHERE seq > {before} AND rows > 0 ORDER BY seq")
    span_s = (found[-1][0] - found[0][0]) / 1e6
    later = sum(count for _, count in found[1:])
    parts.wait_until(daemon.is_ready, "ready", 60)
    parts.wait_until(lambda: _behind(daemon) == 0, "history follows", 300)
    history_s = max(time.time() - found[0][0] / 1e6, span_s)
    return later / size / span_s, later / span_s, wanted / history_s


def _behind(daemon: parts.Daemon) -> int:
    counts = daemon.get("/api/v1/overview")["counts"]
    return next(int(count["count"]) for count in counts if count["name"] == "history behind")


def raw_insert(folder: Path, daemon: parts.Daemon) -> tuple[float, float]:
    """Rows/s of DuckDB alone with the same rows: all in one statement, and in the service's own batches."""
    tables = [
        journal.decode(body).append_column("seq", pa.array([seq] * count, pa.int64()))
        for seq, count, body in daemon.ask_ledger("SELECT seq, rows, readings FROM journal WHERE rows > 0")
    ]
    whole = pa.concat_tables(tables)
    rates = []
    for name, pieces in (("one", [whole]), ("batches", tables)):
        connection = duckdb.connect(str(folder / f"raw-{name}.duckdb"), config={"threads": 2})
        connection.execute(
            "CREATE TABLE reading (point INTEGER, at_utc TIMESTAMP, value DOUBLE, original DOUBLE, unit SMALLINT, "
            "good BOOLEAN, late BOOLEAN, seq BIGINT)"
        )
        began_s = time.perf_counter()
        for piece in pieces:
            connection.register("incoming", piece)
            connection.execute("INSERT INTO reading SELECT * FROM incoming")
            connection.unregister("incoming")
        rates.append(whole.num_rows / (time.perf_counter() - began_s))
        connection.close()
    return rates[0], rates[1]


def latency(daemon: parts.Daemon, broker: parts.BrokerAt, size: int, result: Result) -> None:
    """Publish to commit at a tenth of the load: every reading carries its time of publishing."""
    rate, seconds = result.service_messages_s / 10, 5 if QUICK else 15
    say(f"latency at {rate:.0f} messages/s for {seconds} s")
    before = daemon.ask_ledger("SELECT max(seq) FROM journal")[0][0]
    with parts.publisher(broker) as client:
        began_s, sent = time.time(), 0
        while (now_s := time.time()) < began_s + seconds:
            while sent < (now_s - began_s) * rate:
                gateway = sent % COLLECTORS
                at = round(time.time(), 6)
                rows = [(TAGS[i % len(TAGS)], at + (i // len(TAGS)) * 1e-6, 3.0) for i in range(size)]
                client.publish(
                    f"dustcake/v1/gw-{gateway}/readings",
                    parts.message(f"gw-{gateway}", sent // COLLECTORS, rows, "l"),
                    1,
                )
                sent += 1
            time.sleep(0.001)
    parts.wait_until(
        lambda: (
            daemon.ask_ledger(f"SELECT coalesce(sum(rows), 0) FROM journal WHERE seq > {before}")[0][0]
            >= sent * size * 0.999
        ),
        "the last message is committed",
        120,
    )
    waits = [
        committed_us - journal.plain(journal.decode(body)).at_us
        for committed_us, body in daemon.ask_ledger(
            f"SELECT committed_us, readings FROM journal WHERE seq > {before} AND rows > 0"
        )
    ]
    p50, p99 = np.percentile(np.concatenate(waits), [50, 99]) / 1000
    result.latency_load_messages_s = sent / seconds
    result.latency_p50_ms, result.latency_p99_ms = float(p50), float(p99)


def say(text: str) -> None:
    print(f"  ... {text}", file=sys.stderr, flush=True)


def show(result: Result) -> None:
    ratio = result.service_messages_s / result.bare_messages_s
    print(
        f"{result.messages} messages of {result.readings_per_message} reading(s), {result.payload_bytes} bytes each\n"
        f"  bare subscriber, automatic acknowledgement {result.bare_messages_s:12,.0f} messages/s\n"
        f"  bare subscriber, 500 acknowledged at once  {result.bare_acked_in_batches_messages_s:12,.0f} messages/s\n"
        f"  service, committed with alarms evaluated   {result.service_messages_s:12,.0f} messages/s"
        f"   {ratio:.2f} of the bare subscriber (goal 0.60)\n"
        f"                                             {result.service_rows_s:12,.0f} rows/s\n"
        f"  rows in the history as well                {result.history_rows_s:12,.0f} rows/s\n"
        f"  raw DuckDB insert, one statement           {result.raw_insert_rows_s:12,.0f} rows/s"
        f"   service {result.service_rows_s / result.raw_insert_rows_s:.3f} of it (goal 0.30 at 30 readings)\n"
        f"  raw DuckDB insert, the service's batches   {result.raw_insert_same_batches_rows_s:12,.0f} rows/s"
        f"   service {result.service_rows_s / result.raw_insert_same_batches_rows_s:.3f} of it\n"
        f"  the bare subscriber's own rows/s are        "
        f"{result.bare_messages_s * result.readings_per_message / result.raw_insert_rows_s:12.3f} of one statement\n"
        f"  publish to commit at {result.latency_load_messages_s:,.0f} messages/s: "
        f"p50 {result.latency_p50_ms:.1f} ms, p99 {result.latency_p99_ms:.1f} ms\n",
        flush=True,
    )

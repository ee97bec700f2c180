"""Publishes a story without an end at a steady rate, and knows at every moment what the rules say of it."""

from __future__ import annotations

import threading
import time
import tomllib

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from rules.collector import new_state, step
from rules.types import Change, Reading
from service.plant.compile import compile_plant
from service.plant.file import parse
from service.units.convert import lookup, to_canonical
from tests import parts
from tests.end_to_end.story import INSTANTS, QUANTITY, Row, Story, tell

CHAPTER_S = 600  # of plant time
AHEAD_S = 10  # of plant time: the story is told so long after it happens, so that no reading is of the future
UNDER_WAY = 400  # messages that the broker has not taken yet: with more the feed waits
CALM = {"airflow": 8000.0, "dp": 4.0, "header": 85.0, "temperature": 120.0, "amps": 27.0, "pulses": 1.0}
CALM_MESSAGES = 8  # of each collector: it settles, everything clears, and nothing is left to be decided


def speed_of(rate_per_s: float, collectors: int) -> float:
    """How many seconds of the story are told in a second."""
    return rate_per_s * INSTANTS / collectors


class Feed:
    """One publishing client and its thread. `sent` are (collector number, rows) in the order of publishing.

    The story begins at Unix second `start_s` of plant time and goes on at `rate_per_s` messages a second; after a
    stall it catches up. Plant time must run at `speed_of(rate_per_s, collectors)` for the story to be of the present.
    """

    def __init__(
        self, broker: parts.BrokerAt, plant: str, collectors: int, *, seed: int, rate_per_s: float, start_s: int
    ) -> None:
        self._collectors, self._seed, self._rate_per_s = collectors, seed, rate_per_s
        self._specs = {spec.name: spec for spec in compile_plant(parse(tomllib.loads(plant), "test"), 1).specs}
        self._states = {name: new_state(spec) for name, spec in self._specs.items()}
        self._start_s = start_s - AHEAD_S
        self.sent: list[tuple[int, list[Row]]] = []
        self.alarms: dict[str, tuple[int, int | None]] = {}  # by the rules so far: raised, cleared
        self._seqs = [0] * collectors
        self._chapter = 0
        self.taken = 0  # messages that the broker has acknowledged
        self._ending, self._waiting = threading.Event(), threading.Event()
        self._client = self._connect(broker)
        self._thread = threading.Thread(target=self._run, daemon=True)

    @property
    def story(self) -> Story:
        return Story(self._collectors, self.sent)

    def start(self) -> None:
        self._thread.start()

    def pause(self) -> None:
        self._waiting.set()

    def resume(self) -> None:
        self._waiting.clear()

    def finish(self, deadline_s: float = 60.0) -> None:
        """End the load, let every collector become calm, and wait until the broker has everything."""
        self._ending.set()
        self._thread.join(30)
        self._tell_calm()
        parts.wait_until(lambda: self.taken >= len(self.sent), "the broker has taken everything", deadline_s)

    def close(self) -> None:
        self._ending.set()
        self._client.disconnect()
        self._client.loop_stop()

    def _connect(self, broker: parts.BrokerAt) -> paho.Client:
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id=f"feed-{broker.port}", protocol=paho.MQTTv5)
        client.max_inflight_messages_set(UNDER_WAY)
        client.max_queued_messages_set(0)
        client.reconnect_delay_set(1, 1)

        def taken(*_: object) -> None:
            self.taken += 1

        client.on_publish = taken
        client.connect(broker.host, broker.port, clean_start=False)
        client.loop_start()
        parts.wait_until(client.is_connected, "the feed is connected")
        return client

    def _run(self) -> None:
        began_s = time.monotonic()
        while not self._ending.is_set():
            first_s = self._start_s + self._chapter * CHAPTER_S
            chapter = tell(self._collectors, CHAPTER_S, start_s=first_s, seed=self._seed * 10_000 + self._chapter)
            self._chapter += 1
            for number, rows in chapter.messages:
                due_s = began_s + len(self.sent) / self._rate_per_s
                self._ending.wait(max(0.0, due_s - time.monotonic()))
                while self._waiting.is_set() or len(self.sent) - self.taken > UNDER_WAY:
                    if self._ending.wait(0.02):
                        break
                self._publish(number, rows)
                if self._ending.is_set():
                    return

    def _tell_calm(self) -> None:
        """After the last instant of each collector, instants at which nothing is wrong."""
        last = [max((rows[-1][1] for who, rows in self.sent if who == n), default=0.0) for n in range(self._collectors)]
        for _ in range(CALM_MESSAGES):
            for n in range(self._collectors):
                begin = last[n] or self._start_s
                instants = [begin + second for second in range(1, INSTANTS + 1)]
                last[n] = instants[-1]
                self._publish(n, [(tag, at_s, value) for at_s in instants for tag, value in CALM.items()])

    def _publish(self, number: int, rows: list[Row]) -> None:
        payload = parts.message(f"gw-{number}", self._seqs[number], rows)
        self._seqs[number] += 1
        self._judge(number, rows)  # before anybody can have it: the record never knows more than this
        self.sent.append((number, rows))
        self._client.publish(f"dustcake/v1/gw-{number}/readings", payload, qos=1)

    def _judge(self, number: int, rows: list[Row]) -> None:
        name = f"quay/hall/c-{number}"
        for tag, at_s, value in rows:
            reading = Reading(int(at_s * 1e6), to_canonical(lookup(parts.UNITS[tag], QUANTITY[tag]), value))
            for event in step(self._specs[name], self._states[name], {tag: [reading]})[0]:
                if event.change is Change.RAISED:
                    self.alarms[event.alarm_id] = (event.at_us, None)
                else:
                    self.alarms[event.alarm_id] = (self.alarms[event.alarm_id][0], event.at_us)

"""One gateway: samples a collector, writes native messages, stores them while there is no link. Owns the sequence
number and the ring buffer; must never know a broker, read a clock or change the collector.

Rules of the state:
- One message per report, numbered when it is measured, so a stored message keeps its time and its number.
- Messages leave oldest first. A backlog leaves at a bounded rate of plant time, new messages behind it.
- The buffer is bounded: when it is full the oldest message is dropped and counted, which the receiver sees as a gap.
Noise, resolution and ranges of the instruments: trade knowledge from memory.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from random import Random
from typing import Any, NamedTuple

from simulators.designs import Design
from simulators.physics import Sample

KICK_INWC, KICK_S = 0.3, 0.5  # what a pulse does to the sensing line


@dataclass(frozen=True, slots=True)
class Instrument:
    """One measured value: where it is in the sample, its noise (standard deviation), resolution and range.

    `noise`, `resolution`, `low` and `high` are multiples of `scale`, which is one instrument unit unless the design
    says otherwise. A resolution of 0 reports the value as it is.
    """

    read: Callable[[Sample], float]
    unit: str
    noise: float = 0.0
    noise_of_reading: float = 0.0
    resolution: float = 0.0
    scale: Callable[[Design], float] = lambda _design: 1.0
    low: float = float("-inf")
    high: float = float("inf")


INSTRUMENTS: dict[str, Instrument] = {
    "dp": Instrument(
        lambda s: s.dp_inwc + (KICK_INWC if s.since_pulse_s < KICK_S else 0.0),
        "inH2O",
        0.03,
        0.0,
        0.01,
        low=-10,
        high=20,
    ),
    "header": Instrument(lambda s: s.header_between_psi, "psi", 0.3, 0.0, 0.1, low=0, high=150),
    "header_min": Instrument(lambda s: s.header_min_psi, "psi", 0.3, 0.0, 0.1, low=0, high=150),
    "airflow": Instrument(
        lambda s: s.flow_acfm, "cfm", 0.0075, 0.02, 0.001, scale=lambda d: d.design_flow_acfm, low=0, high=1.5
    ),
    "temperature": Instrument(lambda s: s.gas_degf, "degF", 0.3, 0.0, 0.1, low=-40, high=185),
    "pulses": Instrument(lambda s: s.pulses, "count", resolution=1),
    "fan_amps": Instrument(
        lambda s: s.fan_a, "A", 0.002, 0.005, 0.001, scale=lambda d: d.motor_full_load_a, low=0, high=2
    ),
    "fan_speed": Instrument(lambda s: 100.0 * s.fan_speed, "%", resolution=0.1, low=0, high=120),
}

# From an instrument's unit to what a gateway may send: factor, offset, decimals sent.
# NIST SP 811 B.8: the conventional inch of water is 249.08891 Pa; 1 cfm is 1.69901079552 m3/h exactly.
UNITS: dict[tuple[str, str], tuple[float, float, int]] = {
    ("inH2O", "inH2O"): (1.0, 0.0, 2),
    ("inH2O", "Pa"): (249.08891, 0.0, 1),
    ("psi", "psi"): (1.0, 0.0, 1),
    ("psi", "kPa"): (6.894757293168, 0.0, 1),
    ("cfm", "cfm"): (1.0, 0.0, 1),
    ("cfm", "m3/h"): (1.69901079552, 0.0, 1),
    ("degF", "degF"): (1.0, 0.0, 1),
    ("degF", "degC"): (1 / 1.8, -32 / 1.8, 2),
    ("count", "count"): (1.0, 0.0, 0),
    ("A", "A"): (1.0, 0.0, 2),
    ("%", "%"): (1.0, 0.0, 1),
}


@dataclass(frozen=True, slots=True)
class Tag:
    """One value that a gateway sends: the instrument it comes from and the unit it is sent in."""

    measures: str
    unit: str


class Message(NamedTuple):
    """One numbered native message, and the plant time of its readings in microseconds UTC."""

    seq: int
    at_us: int
    payload: bytes


def instant_text(at_us: int) -> str:
    """RFC 3339 text, UTC, milliseconds."""
    return datetime.fromtimestamp(at_us / 1e6, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def measured(instrument: Instrument, sample: Sample, design: Design, random: Random) -> float:
    """What the instrument shows, in its own unit: noise, range and resolution applied."""
    scale, true = instrument.scale(design), instrument.read(sample)
    noise = ((instrument.noise * scale) ** 2 + (instrument.noise_of_reading * true) ** 2) ** 0.5
    value = true + random.gauss(0.0, noise) if noise else true
    value = min(max(value, instrument.low * scale), instrument.high * scale)
    grain = instrument.resolution * scale
    return round(value / grain) * grain if grain else value


class Gateway:
    """One gateway of one collector."""

    def __init__(
        self, name: str, tags: Mapping[str, Tag], design: Design, *,
        boot: str, random: Random, buffer_messages: int, replay_per_s: float, duplicates: float = 0.0,
    ) -> None:  # fmt: skip
        """`replay_per_s` is in plant seconds; `duplicates` is the chance that a message is sent twice."""
        self.name, self.boot = name, boot
        self.measured = self.dropped = 0
        self._tags, self._design, self._random = dict(tags), design, random
        self._stored: deque[Message] = deque()
        self._limit, self._replay_per_s, self._duplicates = buffer_messages, replay_per_s, duplicates
        self._seq = 0
        self._last: dict[str, float] = {}

    def report(self, sample: Sample, at_us: int, *, dp_frozen: bool = False, dp_failed: bool = False) -> Message:
        """Measure every tag once and store the message."""
        readings: list[dict[str, Any]] = []
        for name, tag in self._tags.items():
            is_dp = tag.measures == "dp"
            value = self._value(name, tag, sample, frozen=is_dp and dp_frozen)
            reading: dict[str, Any] = {"tag": name, "at": instant_text(at_us), "value": value, "unit": tag.unit}
            if is_dp and dp_failed:
                reading |= {"value": None, "quality": "bad"}
            readings.append(reading)
        self._seq += 1
        self.measured += 1
        body = {"gateway": self.name, "boot": self.boot, "seq": self._seq, "readings": readings}
        message = Message(self._seq, at_us, json.dumps(body, separators=(",", ":")).encode())
        if len(self._stored) >= self._limit:
            self._stored.popleft()
            self.dropped += 1
        self._stored.append(message)
        return message

    def take(self, elapsed_s: float, window: int) -> list[Message]:
        """What to send now, oldest first: a backlog at its rate over the elapsed plant time, at most `window`."""
        count = min(len(self._stored), max(1, int(self._replay_per_s * elapsed_s)), window)
        sent: list[Message] = []
        for _ in range(count):
            message = self._stored.popleft()
            sent.append(message)
            if self._duplicates and self._random.random() < self._duplicates:
                sent.append(message)
        return sent

    @property
    def stored(self) -> int:
        """Messages that wait for the link."""
        return len(self._stored)

    def status(self, state: str, at_us: int) -> bytes:
        """The retained status message, also used as the last will; state is "online" or "offline"."""
        body = {"gateway": self.name, "state": state, "boot": self.boot, "at": instant_text(at_us)}
        return json.dumps(body, separators=(",", ":")).encode()

    def _value(self, name: str, tag: Tag, sample: Sample, *, frozen: bool) -> float:
        if frozen and name in self._last:
            return self._last[name]
        instrument = INSTRUMENTS[tag.measures]
        factor, offset, decimals = UNITS[instrument.unit, tag.unit]
        value = round(measured(instrument, sample, self._design, self._random) * factor + offset, decimals)
        self._last[name] = value
        return value

"""The words and ranges that give a hint of what a value is, as data. They decide nothing: a hint is told as a hint.

Words, usual and possible ranges: common practice, no source. Words stand without accents and in small letters.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

STRONG, WEAK = 3, 1
INSIDE_FROM = 5  # letters from which a word counts within another one too
TEXT_MOST = 128  # characters of a name that are looked at

_TOKEN = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+")


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of value on a pulse-jet collector. Ranges are in `unit`, of gauge pressures where it is one.

    `usual`: where it stands while the collector runs; `possible`: beyond it no sound sensor shows. `senders`: the units
    that such values are sent in, tried in this order.
    """

    name: str
    quantity: str
    unit: str
    usual: tuple[float, float]
    possible: tuple[float, float]
    senders: tuple[str, ...]
    strong: tuple[str, ...]
    weak: tuple[str, ...] = ()
    limits: tuple[str, ...] = ()  # starting values, as lines of the plant file


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_PRESSURE = ("press", "pressure", "druck", "pression", "presion", "pressione", "pt")

KINDS = (
    Kind(
        "dp", "differential pressure", "inH2O", (1.0, 6.0), (-20.0, 30.0),
        ("inH2O", "Pa", "mbar", "kPa", "mmH2O", "psi"),
        ("dp", "dpt", "pdt", "pdit", "pdi", "delta", "deltap", "diff", "differential", "differenzdruck", "filterdruck",
         "druckdifferenz", "pressure drop", "perte", "differentielle", "diferencial", "differenziale"),
        _PRESSURE,
        ('high = { at = 5.0, deadband = 0.2, on_delay = "PT4H" }',
         'high-high = { at = 6.0, deadband = 0.2, on_delay = "PT10M", priority = "high" }'),
    ),
    Kind(
        "header", "gauge pressure", "psi", (60.0, 100.0), (-1.0, 160.0),
        ("psi", "bar", "kPa", "MPa", "psi(a)", "bar(a)", "kPa(a)"),
        ("header", "comp air", "compressed", "supply", "manifold", "druckluft", "luftdruck", "air pressure",
         "air comprime", "aire comprimido", "aria compressa", "pulse pressure", "tank"),
        (*_PRESSURE, "air", "luft"),
        ('low = { at = 75, deadband = 3, on_delay = "PT4H" }',
         'low-low = { at = 65, deadband = 3, on_delay = "PT10M", priority = "high" }'),
    ),
    Kind(
        "airflow", "airflow", "cfm", (500.0, 150_000.0), (-1_000.0, 1_000_000.0),
        ("cfm", "m3/h", "m3/s", "l/s"),
        ("airflow", "air flow", "flow", "volumenstrom", "luftmenge", "debit", "caudal", "portata", "cfm", "acfm"),
        ("volume", "ft", "fit"),
    ),
    Kind(
        "temperature", "temperature", "degC", (-20.0, 80.0), (-60.0, 400.0),
        ("degC", "degF", "K"),
        ("temp", "temperature", "temperatur", "temperatura", "degc", "degf"), ("tt", "tit", "t"),
    ),
    Kind(
        "current", "current", "A", (1.0, 600.0), (-1.0, 5_000.0), ("A", "mA"),
        ("amp", "amps", "ampere", "current", "strom", "stromaufnahme", "courant", "corriente", "corrente"), ("motor",),
    ),
    Kind(
        "pulses", "count", "count", (0.0, float("inf")), (0.0, float("inf")), ("count",),
        ("pulses", "counter", "count", "zahler", "zaehler", "impulse", "impulsos", "impulsions", "impulsi", "cycles"),
        ("pulse", "puls", "total"),
    ),
    Kind(
        "speed", "speed", "%", (5.0, 105.0), (-1.0, 150.0), ("%", "1"),
        ("speed", "drehzahl", "vitesse", "velocidad", "velocita", "vfd"), ("fan",),
    ),
    Kind(
        "level", "fraction", "%", (1.0, 100.0), (-5.0, 110.0), ("%", "1"),
        ("level", "fullstand", "fuellstand", "niveau", "nivel", "livello", "humidity", "feuchte", "rh", "percent"),
        ("hopper",),
    ),
    Kind(
        "voltage", "voltage", "V", (2.0, 60.0), (-1.0, 1_000.0), ("V", "mV"),
        ("volt", "volts", "voltage", "battery", "batterie", "vbat", "spannung", "tension", "voltaje"), ("batt", "bat"),
    ),
    Kind(
        "emission", "concentration", "mg/m3", (0.01, 50.0), (-1.0, 10_000.0), ("mg/m3", "ug/m3", "kg/m3", "gr/ft3"),
        ("emission", "emissions", "staub", "poussiere", "polvo", "polvere", "particulate", "concentration"), ("dust",),
    ),
    Kind(
        "rate", "rate", "1/h", (0.1, 3_600.0), (0.0, 100_000.0), ("1/h", "1/min"),
        ("pulses per hour", "pulse rate", "per hour"), ("rate",),
    ),
)  # fmt: skip
BY_NAME = {kind.name: kind for kind in KINDS}

# Names of fields in payloads and of columns.
TAG = _words(
    "tag name signal channel point sensor variable var parameter param metric key measurement measure item label kanal "
    "messstelle n id register address symbol"
)
VALUE = _words("value val v reading wert messwert valor valeur valore y raw number")
UNIT = _words("unit units u uom eu einheit unite unidad unita engunit dimension")
TIME = _words(
    "time timestamp ts t at date datetime when zeit zeitstempel zeitpunkt hora heure horodatage fecha ora instant utc "
    "epoch sampled created"
)
QUALITY = _words("quality qual q good ok valid validity qualitat qualite calidad state status")
SEQUENCE = _words("seq sequence count counter msgid nr n num number index packet frame fcnt")
BOOT = _words("boot bootid session start started reset")
GATEWAY = _words(
    "gateway gw device dev sender node station serial sn mac eui imei client controller plc rtu logger machine asset "
    "source edge host gerat geraet"
)
GENERIC_LEVELS = _words(
    "telemetry data report reports readings reading values value state status sensor sensors up uplink rx event events "
    "measurements measurement json out pub messages message live raw"
)
GOOD_TEXTS = frozenset(("good", "ok", "valid", "gut", "true", "1", "192"))  # 192: common practice of control systems
BAD_CODES = frozenset(  # common practice, no source
    (-9999.0, -999.0, 9999.0, 99999.0, 65535.0, 32767.0, -32768.0, 32768.0, 2147483647.0, 4294967295.0, -99999.0,
     -999.9, -9999.9)
)  # fmt: skip


def tokens(text: str) -> list[str]:
    """The words of a name: "CompAir_Druck1" is comp, air, druck, 1."""
    flat = unicodedata.normalize("NFKD", text[:TEXT_MOST]).encode("ascii", "ignore").decode()
    return [token.lower() for token in _TOKEN.findall(flat)]


def hinted(name: str, least: int = WEAK) -> tuple[Kind, ...]:
    """The kinds that a name hints at most, in the order of the table; none without a hint of at least this strength."""
    found = tokens(name)
    spaced, joined = f" {' '.join(found)} ", "".join(found)
    scores = [(_score(kind, spaced, joined), kind) for kind in KINDS]
    best = max(score for score, _ in scores)
    return tuple(kind for score, kind in scores if score == best) if best >= least else ()


def is_named(key: str, words: frozenset[str]) -> bool:
    """Whether one of a key's words is one of these; "bootId" is boot and id, and "bootid" is a word too."""
    found = tokens(key)
    return any(token in words for token in found) or "".join(found) in words


def _score(kind: Kind, spaced: str, joined: str) -> int:
    def has(word: str) -> bool:
        return f" {word} " in spaced or (len(word) >= INSIDE_FROM and word.replace(" ", "") in joined)

    return STRONG * sum(map(has, kind.strong)) + WEAK * sum(map(has, kind.weak))

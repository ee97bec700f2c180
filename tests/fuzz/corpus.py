"""What the mutations begin with: sound input of every kind, and pieces that have broken decoders before. Data only."""

from __future__ import annotations

import json
from pathlib import Path

from service.units.table import QUANTITIES, UNITS

ROOT = Path(__file__).parents[2]
AT = "2026-11-25T08:00:00.25Z"
READING = {"tag": "dp", "at": AT, "value": 3.14, "unit": "inH2O", "quality": "good"}


def _readings(*items: object, **more: object) -> bytes:
    return json.dumps({"gateway": "gw-0", "boot": "b41f", "seq": 7, "readings": list(items)} | more).encode()


READINGS = [
    _readings(READING),
    _readings(READING | {"at": 1795593600.25}, READING | {"value": None, "quality": "bad"}, READING | {"tag": "amps"}),
    _readings(*[READING | {"value": n, "unit": "Pa"} for n in range(12)]),
    _readings(READING | {"value": 10**400}, READING | {"unit": 7}, 7, [], {}, None),
    _readings(),
    b'{"gateway":"gw-0","readings":[{"tag":"dp","at":NaN,"value":1e400,"unit":"Pa"}]}',
]
STATUSES = [
    json.dumps({"gateway": "gw-0", "state": state, "boot": "b41f", "at": at}).encode()
    for state in ("online", "offline", "away")
    for at in (AT, 1795593600, None)
]
TOPICS = [b"dustcake/v1/gw-0/readings", b"dustcake/v1/gw-0/status", b"dustcake/v1//readings", b"dustcake/v1/readings"]
TIMES = [
    text.encode()
    for text in (
        *(
            AT,
            "2026-11-25t09:00:00+01:00",
            "2016-12-31T23:59:60Z",
            "0001-01-01T00:00:60+23:59",
            "9999-12-31T23:59:60-23:59",
        ),
        *("0000-01-01T00:00:00Z", "2026-02-30T00:00:00Z", "1795593600.25", "-62135596800", "1e308", "nan"),
        *("PT10M", "P1DT12H", "P1M", "P36600D", "PT0.000001S", "P999999999D"),
    )
]
TEXTS = sorted({text for unit in UNITS for text in unit.texts})
UNIT_TEXTS = [text.encode() for text in TEXTS]
NAMES = [
    text.encode("utf-8", "surrogatepass")
    for text in (
        *(
            "<script>alert(1)</script>",
            "\"><img src=x onerror='x()'>",
            "'; DROP TABLE quarantine; --",
            "{{ 7*7 }}",
            "${x}",
        ),
        *(
            "\x1b[2J\x1b]0;title\x07",
            "\x9b31m",
            "\u202egnp.exe",
            "\u2028",
            "\x00",
            "\ud800",
            "%00%ff",
            "../../etc/passwd",
        ),
    )
]
QUERIES = [
    b"GET /api/v1/alarms?active=false&limit=5",
    b"GET /api/v1/quarantine?limit=1000",
    b"GET /api/v1/explain?alarm=5f0c2ad1b7e94c3388aa",
    b"GET /api/v1/explain?collector=quay/hall/c-0&point=dp&limit=high&at=2026-11-25T08:00:00Z",
    b"GET /?key=wrong",
    b"GET /static/page.css",
    b"POST /api/v1/test-notification",
]


def plants() -> list[bytes]:
    """Plant files: the demo's, and one of all tables in a few lines."""
    small = """
[enterprise]
id = "alder-pike"
name = "Alder & Pike Works"
[[site]]
id = "quay"
name = "Quay Street works"
time_zone = "Europe/Dublin"
[[area]]
id = "quay/hall"
name = "Hall"
[[collector]]
id = "quay/hall/c-0"
name = "Collector"
kind = "baghouse"
gateway = "gw-0"
running = { point = "airflow", on = 4000, off = 2000, unit = "cfm", settle = "PT5S" }
[[collector.point]]
name = "dp"
quantity = "differential pressure"
unit = "inH2O"
high = { at = 5.0, deadband = 0.2, on_delay = "PT20S", priority = "high" }
[[collector.point]]
name = "airflow"
quantity = "airflow"
unit = "cfm"
while = "always"
[[contact]]
id = "lead"
name = "Lead"
via = [{ channel = "log" }]
collectors = ["quay/*"]
"""
    return [small.encode()] * 9 + [(ROOT / "deploy" / "demo" / "plant.toml").read_bytes()]


def words() -> list[bytes]:
    """Words of the messages that people get, as texts that may stand in any field."""
    folder = ROOT / "tests" / "golden" / "messages"
    return [line.encode() for file in sorted(folder.glob("*.txt")) for line in file.read_text("utf-8").splitlines()[:4]]


TOKENS = [
    *(b"NaN", b"Infinity", b"-Infinity", b"1e400", b"-1e400", b"1e-400", b"-0.0", b"null", b"true", b"false"),
    *(b"9" * 30, b"9" * 400, b"1" + b"0" * 4400, b"9223372036854775808", b"18446744073709551616", b"0x10", b"1_000"),
    *(
        b'"\\ud800"',
        b'"\\udc00\\ud800"',
        b"\\u0000",
        b"\xed\xa0\x80",
        b"\xff\xfe",
        b"\xc0\x80",
        b"\xef\xbb\xbf",
        b"\x00",
    ),
    *(
        b"[" * 40,
        b"{" * 40,
        b"]" * 40,
        b"[[[]]]",
        b'{"a":' * 30,
        b"[[",
        b"]]",
        b"'''",
        b'"""',
        b"\\",
        b'"',
        b"\n",
        b"\r\n",
    ),
    *(
        b'"gateway":',
        b'"readings":',
        b'"tag":',
        b'"at":',
        b'"value":',
        b'"unit":',
        b'"quality":',
        b'"seq":',
        b'"boot":',
    ),
    *(
        b"%00",
        b"%ff",
        b"%ed%a0%80",
        b"&limit=",
        b"limit=1e9",
        b"limit=-1",
        b"+",
        b"#",
        b"$SYS/",
        b"/",
        b"//",
        b"T24:00:00",
    ),
    *(
        b"Europe",
        b"Europe/",
        b"../",
        b"/etc/passwd",
        b"UTC",
        b"posixrules",
        b"[!",
        b"*" * 30,
        b"P",
        b"\xd9\xa3",
        b"\xc2\xb2",
    ),
    *NAMES,
    *[name.encode() for name in QUANTITIES],
]

"""How much does each payload form cost beside native JSON? The same readings in every form, from bytes to messages
with the source's rules applied, in one process. Prints; never a test."""

from __future__ import annotations

import json
import sys
import time
from collections.abc import Callable, Sequence

import simulators.forms.csv_line
import simulators.forms.mapped
import simulators.forms.native
import simulators.forms.plain
import simulators.forms.senml
import simulators.forms.sparkplug
from service.decode.adjust import Adjuster, Rules, Tag
from service.decode.form import Form, Template
from service.decode.intake import Intake, Source
from service.decode.mapped import MappedForm
from service.decode.native_source import NativeForm
from service.decode.plain import PlainForm
from service.decode.senml import SenmlForm
from service.decode.sparkplug import SparkplugForm
from service.model import Parcel
from tests.service.decode.test_contract import EXAMPLE_MAPPING, example_csv

Reading = tuple[str, int, float | None, str]
TAGS = {"dp": "Pa", "header": "Pa", "airflow": "m3/s", "temperature": "degC", "amps": "A", "pulses": "count"}
READINGS_A_MESSAGE = 30
MESSAGES = 400 if "--quick" in sys.argv else 2_000
ROUNDS = 3
START_US = 1_795_593_600_000_000
Encode = Callable[[str, str, int, Sequence[Reading]], list[tuple[str, bytes]]]

FORMS: dict[str, tuple[Callable[[], Form], Callable[[], Encode], str]] = {
    "native JSON": (NativeForm, lambda: simulators.forms.native.encode, simulators.forms.native.TOPIC),
    "mapped JSON": (
        lambda: MappedForm(EXAMPLE_MAPPING),
        lambda: simulators.forms.mapped.encode,
        simulators.forms.mapped.TOPIC,
    ),
    "plain value": (PlainForm, lambda: simulators.forms.plain.encode, simulators.forms.plain.TOPIC),
    "CSV lines": (example_csv, lambda: simulators.forms.csv_line.encode, simulators.forms.csv_line.TOPIC),
    "SenML JSON": (SenmlForm, lambda: simulators.forms.senml.encode_json, simulators.forms.senml.TOPIC),
    "SenML CBOR": (SenmlForm, lambda: simulators.forms.senml.encode_cbor, simulators.forms.senml.TOPIC),
    "Sparkplug B": (
        SparkplugForm,
        lambda: simulators.forms.sparkplug.Encoder("quay", "gw-0").encode,
        "spBv1.0/{group}/{kind}/{node}",
    ),
}


def parcels(encode: Encode) -> list[Parcel]:
    """So many messages of thirty readings, as this form sends them."""
    made = []
    for number in range(MESSAGES):
        rows = [
            (tag, START_US + (number * 5 + k) * 1_000_000, 100.0 + number % 7 + k, unit)
            for k in range(READINGS_A_MESSAGE // len(TAGS))
            for tag, unit in TAGS.items()
        ]
        made += [Parcel(topic, body, START_US) for topic, body in encode("gw-0", "b1", number, rows)]
    return made


def rate(form: Callable[[], Form], sent: list[Parcel], template: str) -> float:
    """Readings/s of processor time, the best of the rounds."""
    best = 0.0
    for _ in range(ROUNDS):
        rules = None if form is NativeForm else Adjuster(Rules(tags={"amps": Tag("fan", "A")}))
        intake = Intake(
            [Source("s", "main", (Template(template),), form(), rules)], payload_bytes=262_144, readings_most=5_000
        )
        began_s, readings = time.process_time(), 0
        for parcel in sent:
            taken = intake.take(parcel)
            assert not taken.rejected, taken.rejected[0].reason
            readings += sum(len(message.readings) for message in taken.messages)
        best = max(best, readings / (time.process_time() - began_s))
        assert readings == MESSAGES * READINGS_A_MESSAGE, (form, readings)
    return best


def main() -> None:
    native, results = 0.0, []
    print(f"forms: {READINGS_A_MESSAGE} readings a message, {MESSAGES} messages, best of {ROUNDS}", file=sys.stderr)
    for name, (form, encode, template) in FORMS.items():
        sent = parcels(encode())
        found = rate(form, sent, template)
        native = native or found
        size = sum(len(parcel.payload) for parcel in sent) / (MESSAGES * READINGS_A_MESSAGE)
        results.append({"form": name, "readings_s": found, "of_native": found / native, "bytes_a_reading": size})
        print(f"{name:12} {found:12,.0f} readings/s  {found / native:6.3f} of native  {size:6.1f} bytes a reading")
    if "--json" in sys.argv:
        print(json.dumps(results))


if __name__ == "__main__":
    main()

"""What to check first, and what to be careful of, for a quantity that is too high or too low. Data.

Owns the texts that stand in messages. They are common practice of the trade, without one source to cite,
except where a line says so; they name likely causes and must never claim a diagnosis, and none of them may
invite anybody to open, reach into or enable something on the strength of a reading.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Advice:
    check: tuple[str, ...]
    caution: tuple[str, ...]


LOCK_OUT_FAN = "Lock out the fan before reaching for it; a coasting wheel still turns."
DUST = "Dust on the clean side can be respirable and combustible."

ADVICE: Mapping[tuple[str, str], Advice] = {
    ("differential pressure", "high"): Advice(
        check=(
            "Is it cleaning: is the timer stepping, is its board powered, is there compressed air between pulses?",
            "Moisture or sticky dust: dew point, water in the compressed air, a change of process.",
            "Sensing lines: a line that is off or plugged reads high too. Does it return to zero with the fan off?",
        ),
        caution=(
            "Isolate before opening the cleaning panel; do not force pulses with covers open.",
            "Do not beat or wash filters; wet combustible dust can heat by itself.",
            "Do not blow a sensing line into its sensor.",
        ),
    ),
    ("differential pressure", "low"): Advice(
        check=(
            "Is dust getting past: a torn filter, or one off its seat? Look at the emission and the outlet.",
            "Sensing lines: plugged, off or swapped? Does it return to zero with the fan off?",
            "Fan: belt, speed, rotation. Were new filters fitted?",
        ),
        caution=(
            "Low is not proof of clean filters.",
            f"{DUST} If a filter may be torn, do not return the air to the room.",
            "Do not blow a sensing line into its sensor.",
        ),
    ),
    ("gauge pressure", "low"): Advice(
        check=(
            "Compressed air: regulator, filter bowl, isolation valve, compressor and plant pressure.",
            "Listen from outside for a cleaning valve that is stuck open or a diaphragm that leaks.",
        ),
        caution=(
            "Without air the filters are not cleaned; where hoods protect people, stop the dust-making process.",
            "Isolate the supply and bleed the header before touching it; wear hearing protection.",
        ),
    ),
    ("gauge pressure", "high"): Advice(
        check=("Compressed air: has the regulator failed? Does the relief valve work?",),
        caution=(
            "The header tank has a rated pressure: keep clear of it and shut the supply.",
            "Bleed it before touching; wear hearing protection.",
        ),
    ),
    ("airflow", "low"): Advice(
        check=(
            "Fan: belt, drive fault, speed, rotation.",
            "Duct: static pressure of the branches, clean-outs, dampers. Filters: the differential pressure.",
        ),
        caution=(
            "Hoods may no longer capture: people at the machines may be breathing the dust.",
            LOCK_OUT_FAN,
            "Dust settled in a duct can be combustible.",
        ),
    ),
    ("airflow", "high"): Advice(
        check=("Is a duct, an access door or a damper open that should be shut?",),
        caution=("Other hoods may have lost their capture.", LOCK_OUT_FAN),
    ),
    ("temperature", "high"): Advice(
        check=(
            "What comes in: a change of process, hot material, sparks.",
            "Compare with a second instrument, from outside.",
        ),
        caution=(
            "If fire is possible, follow the site's fire procedure at once; do not open the collector or its hopper.",
            "This reading is not fire or spark detection; a normal one does not rule out fire.",
        ),
    ),
    ("temperature", "low"): Advice(
        check=("Is it near the dew point: moist air, a heater that is off, lost insulation, a cold start?",),
        caution=("Wet dust blinds filters; do not beat or wash them. Wet combustible dust can heat by itself.",),
    ),
    ("concentration", "high"): Advice(
        check=(
            "Which row: does it peak at the pulse of one row? A torn filter, or one off its seat.",
            "New filters let more through for their first day. Is the probe clean?",
        ),
        caution=(f"{DUST} Do not return the air to the room.",),
    ),
    ("current", "low"): Advice(
        check=("Fan: belt, drive fault, speed. Duct: plugged branches take less current too.",),
        caution=("Hoods may no longer capture.", LOCK_OUT_FAN),
    ),
    ("rate", "low"): Advice(
        check=("If it counts an airlock: drive, chain, jam. If it counts cleaning pulses: is the timer stepping?",),
        caution=("Never reach into an airlock or a hopper; isolate first. Material can be hot, or bridge and fall.",),
    ),
    ("rate", "high"): Advice(
        check=("If it counts cleaning pulses: more dust, low compressed air, a dead valve, moisture, a full hopper.",),
        caution=("Lock out electrical energy and bleed the air before working on valves.",),
    ),
}
NO_DATA = Advice(
    check=("Power of the gateway, its antenna or network, then the connection to the broker.",),
    caution=("No data is not safe: nobody is watching these collectors until readings return.",),
)
OTHERWISE = Advice(
    check=("Compare with a second instrument; look at the sensor, its line and its wiring.",),
    caution=("Isolate and lock out before opening anything.",),
)
# The same words for what is measured the same way.
SAME_AS: Mapping[str, str] = {"absolute pressure": "gauge pressure"}

SAFETY_LINES = (
    "Condition monitoring only. It is advisory, not a safety function, and operates nothing.",
    'Loss of signal is not "OK", and no message is not "OK".',
    "Never open a collector on the strength of a reading: isolate and lock out electrical energy, bleed the"
    " compressed air, prove zero energy.",
    "Local codes apply; wiring and permits are for licensed and authorised people.",
)


def advice_for(quantity: str, limit: str) -> Advice:
    """The advice for a quantity at a limit ("low-low", "low", "high", "high-high", "no-data")."""
    if limit == "no-data":
        return NO_DATA
    side = "high" if limit.startswith("high") else "low"
    return ADVICE.get((SAME_AS.get(quantity, quantity), side), OTHERWISE)

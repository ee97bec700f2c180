"""Reads the plant file and writes the one text that stands for it in the record. Compiles nothing."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from service.faults import faults_of, read_toml, refuse
from service.plant.checks import check
from service.plant.form import Plant

_ORDERED = ("site", "area", "collector", "gateway", "contact", "point")  # lists whose order says nothing


def load(path: Path) -> Plant:
    """The plant in a file that is right in itself; otherwise BadConfiguration, with one line for every fault."""
    plant = parse(read_toml(path), str(path))
    check(plant, path)
    return plant


def parse(data: dict[str, Any], source: str) -> Plant:
    """The plant in these tables, its form checked and nothing else; BadConfiguration names `source`."""
    try:
        return Plant.model_validate(data)
    except ValidationError as error:
        refuse(source, faults_of(error, Plant, data))
        raise  # not reached: an error has at least one fault


def canonical_json(plant: Plant) -> str:
    """One line of JSON, the same for all files that say the same in whatever order, defaults written out."""
    plain = _in_order(plant.model_dump(mode="json", by_alias=True, exclude_none=True))
    return json.dumps(plain, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))


def from_canonical_json(text: str) -> Plant:
    """The plant that `canonical_json` wrote; BadConfiguration when this release no longer knows its form."""
    return parse(json.loads(text), "recorded revision")


def digest(plant: Plant) -> str:
    """A short name of what the plant file says: 32 hexadecimal digits."""
    return hashlib.blake2b(canonical_json(plant).encode(), digest_size=16).hexdigest()


def _in_order(table: dict[str, Any]) -> dict[str, Any]:
    for key, value in table.items():
        if key in _ORDERED and isinstance(value, list):  # "point" is a name in a running rule
            table[key] = sorted(
                (_in_order(item) for item in value), key=lambda item: str(item.get("id") or item["name"])
            )
    return table

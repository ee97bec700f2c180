"""A small plant that is right, and ways to change one thing in it."""

from __future__ import annotations

import copy
from typing import Any

from service.plant.file import parse
from service.plant.form import Plant

TABLES: dict[str, Any] = {
    "enterprise": {"id": "alder-pike", "name": "Alder & Pike Works"},
    "site": [{"id": "quay", "name": "Quay Street works", "time_zone": "Europe/Dublin"}],
    "area": [{"id": "quay/cutting", "name": "Plate cutting"}],
    "gateway": [{"id": "gw-cut-1", "reports_every": "PT10S"}],
    "collector": [
        {
            "id": "quay/cutting/dc-1",
            "name": "Cutting collector 1",
            "kind": "cartridge",
            "gateway": "gw-cut-1",
            "running": {"point": "airflow", "on": 4000, "off": 2000, "unit": "cfm"},
            "point": [
                {
                    "name": "dp",
                    "quantity": "differential pressure",
                    "unit": "inH2O",
                    "low-low": {"at": 0.5, "deadband": 0.1},
                    "low": {"at": 1.0, "deadband": 0.1},
                    "high": {"at": 5.0, "deadband": 0.2, "on_delay": "PT4H", "off_delay": "PT10M"},
                    "high-high": {"at": 6.0, "deadband": 0.2, "on_delay": "PT10M", "priority": "high"},
                },
                {"name": "airflow", "quantity": "airflow", "unit": "cfm"},
            ],
        }
    ],
    "contact": [
        {
            "id": "shift-lead",
            "name": "Shift lead",
            "via": [{"channel": "mail", "to": "shift-lead@alder-pike.example"}, {"channel": "hook"}],
            "collectors": ["quay/*"],
        }
    ],
}

NOTHING = object()


def tables(*changes: tuple[str, Any]) -> dict[str, Any]:
    """The tables with values put at paths such as "collector.0.point.0.high.at"; NOTHING removes, "+" appends."""
    made = copy.deepcopy(TABLES)
    for path, value in changes:
        here: Any = made
        *above, last = path.split(".")
        for key in above:
            here = here[int(key)] if isinstance(here, list) else here[key]
        if value is NOTHING:
            del here[int(last) if isinstance(here, list) else last]
        elif last == "+":
            here.append(value)
        else:
            here[int(last) if isinstance(here, list) else last] = value
    return made


def plant(*changes: tuple[str, Any]) -> Plant:
    """The plant of those tables, unchecked."""
    return parse(tables(*changes), "plant.toml")

"""What differs between two revisions of the plant, in lines for people. Decides nothing about alarms."""

from __future__ import annotations

from typing import Any

from service import differing
from service.plant.form import Plant

# Collectors and points go by their id or name alone.
_WORDS = {"site": "site ", "area": "area ", "collector": "", "gateway": "gateway ", "contact": "contact ", "point": ""}


def differences(old: Plant, new: Plant) -> list[str]:
    """Lines such as "quay/cutting/dc-1 dp high at: 5.0 -> 5.5", "quay/silo/bv-3: removed"; none if they say the same.

    Durations are ISO 8601, values in the unit of the plant file.
    """
    return differing.lines(_table(old), _table(new), _WORDS)


def _table(plant: Plant) -> dict[str, Any]:
    return plant.model_dump(mode="json", by_alias=True, exclude_none=True)

"""What differs between two revisions of the plant, in lines for people. Decides nothing about alarms."""

from __future__ import annotations

from typing import Any

from service.plant.form import Plant

# How the items of each list are spoken of; collectors and areas go by their id alone.
_PREFIX = {"site": "site ", "area": "area ", "collector": "", "gateway": "gateway ", "contact": "contact ", "point": ""}


def differences(old: Plant, new: Plant) -> list[str]:
    """Lines such as "quay/cutting/dc-1 dp high at: 5.0 -> 5.5", "quay/silo/bv-3: removed"; none if they say the same.

    Durations are ISO 8601, values in the unit of the plant file.
    """
    return _compare("", _tree(old), _tree(new))


def _tree(plant: Plant) -> dict[str, Any]:
    return _named(plant.model_dump(mode="json", by_alias=True, exclude_none=True))


def _named(table: dict[str, Any]) -> dict[str, Any]:
    """The same table with every list of tables as entries of its own, under the words that people use."""
    found: dict[str, Any] = {}
    for key, value in table.items():
        if key in _PREFIX and isinstance(value, list):
            for item in value:
                name = "id" if "id" in item else "name"
                found[_PREFIX[key] + str(item[name])] = _named({k: v for k, v in item.items() if k != name})
        else:
            found[key] = _named(value) if isinstance(value, dict) else value
    return found


def _compare(label: str, old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    lines: list[str] = []
    for key in dict.fromkeys([*old, *new]):
        where = f"{label} {key}".lstrip()
        was, now = old.get(key), new.get(key)
        if was == now:
            continue
        if isinstance(was, dict) and isinstance(now, dict):
            lines += _compare(where, was, now)
        elif was is None:
            lines.append(f"{where}: added{_said(now)}")
        elif now is None:
            lines.append(f"{where}: removed{_said(was)}")
        else:
            lines.append(f"{where}: {_text(was)} -> {_text(now)}")
    return lines


def _said(value: Any) -> str:
    """The value of what came or went; of a limit what matters most."""
    if isinstance(value, dict):
        return f" ({_text(value['at'])})" if "at" in value else ""
    return f" ({_text(value)})"


def _text(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(_text(item) for item in value)
    if isinstance(value, dict):
        return " ".join(_text(item) for item in value.values() if item != "")
    return str(value)

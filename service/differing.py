"""What differs between two revisions of a file that people write, in lines for people. Knows no file by name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def lines(old: dict[str, Any], new: dict[str, Any], words: Mapping[str, str]) -> list[str]:
    """Lines such as "source silo tags p unit: mbar -> inH2O"; none if both say the same.

    `words`: the lists whose items have an `id` or a `name`, and what stands before it when people speak of one.
    """
    return _compare("", _named(old, words), _named(new, words))


def _named(table: dict[str, Any], words: Mapping[str, str]) -> dict[str, Any]:
    """The same table with every list of tables as entries of its own, under the words that people use."""
    found: dict[str, Any] = {}
    for key, value in table.items():
        if key in words and isinstance(value, list):
            for item in value:
                name = "id" if "id" in item else "name"
                rest = {k: v for k, v in item.items() if k != name}
                found[words[key] + str(item[name])] = _named(rest, words)
        else:
            found[key] = _named(value, words) if isinstance(value, dict) else value
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
